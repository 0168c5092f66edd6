"""The measurements: definitions, sub-pixel edges, uncertainty, the threshold decision."""
