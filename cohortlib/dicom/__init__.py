"""Files to radiographs: the only door to pydicom and the pixel decoders."""

from cohortlib.dicom.deidentification.write import write_deidentified
from cohortlib.dicom.display import read_display_window
from cohortlib.dicom.finding.find import find_images
from cohortlib.dicom.finding.series import image_series
from cohortlib.dicom.read import read_radiograph

__all__ = ["find_images", "image_series", "read_display_window", "read_radiograph", "write_deidentified"]
