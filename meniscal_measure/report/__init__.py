"""A reading shown: figure, slice strip, curve along the slices, table, PDF, JSON, CSV."""
