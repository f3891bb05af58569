"""Images from a DICOM archive that speaks DICOMweb: the only door to the network."""

from cohortlib.dicom.archive.fetch import fetch_images

__all__ = ["fetch_images"]
