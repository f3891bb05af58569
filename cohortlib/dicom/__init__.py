"""Files to radiographs: the only door to pydicom and the pixel decoders."""

from cohortlib.dicom.display import read_display_window
from cohortlib.dicom.read import read_radiograph

__all__ = ["read_display_window", "read_radiograph"]
