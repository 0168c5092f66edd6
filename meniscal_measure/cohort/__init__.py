"""Many knees: what to measure, the run that measures it, and what the readings say together."""
