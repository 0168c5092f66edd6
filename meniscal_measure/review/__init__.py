"""A local page on which a reader confirms or moves the landmarks of a knee and signs."""
