"""Synthetic series as valid DICOM: classic MR and Enhanced MR, compressed or not."""
