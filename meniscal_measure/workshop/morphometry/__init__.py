"""The shape of drawn knees in figures, beside those of real knees."""
