"""A magnetic resonance scanner in numbers: from tissue in space to slices of pixels."""
