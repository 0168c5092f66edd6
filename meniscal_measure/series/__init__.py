"""Folder, zip or DICOMDIR to ordered stacks with geometry and side; choosing the coronal one."""
