"""Statistics of a reader study or a cohort, each with the source of its formula."""
