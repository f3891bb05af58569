"""What DICOM files a folder holds: one row a file from its header alone, and one row a series."""
