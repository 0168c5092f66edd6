"""Synthetic knees with known truth, as images and as DICOM series."""
