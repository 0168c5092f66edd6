"""Into and out of the imaging archive: open DICOM objects of a reading."""
