"""What is kept of a reading: its record, landmark files and the signed journal."""
