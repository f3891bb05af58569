"""A film as a DICOM file: Digital X-Ray Image Storage - For Presentation, or a secondary capture of it."""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian

from cohortlib.errors import study_error
from cohortlib.synthetic.exposure import LARGEST
from cohortlib.synthetic.recipe import FilmRecipe
from cohortlib.synthetic.secondary_capture import make_secondary_capture

#: Value, scheme and meaning of the codes used, from the context groups of DICOM PS3.16: 4031, 4010, 19, 20.
_PELVIS = ("816092008", "SCT", "Pelvis")
_ANTERO_POSTERIOR = ("399348003", "SCT", "antero-posterior")
_RECUMBENT, _SUPINE = ("102538003", "SCT", "recumbent"), ("40199007", "SCT", "supine")
_ERECT, _STANDING = ("C86043", "NCIt", "erect"), ("10904000", "SCT", "standing")


def write_dx(
    path: Path | str,
    pixels: NDArray[np.uint16],
    recipe: FilmRecipe,
    *,
    patient_id: str,
    image_id: str,
    study_date: datetime.date,
    seed: int,
) -> Path:
    """Write the pixels of `film_pixels` as a DICOM file and return its path.

    Parameters
    ----------
    path
        File to write; its folder must exist.
    pixels : (rows, columns)
        Stored values of the recipe's film.
    patient_id, image_id
        Study numbers; the file holds no name, no sex and no date of birth.
    study_date
        Of the examination.
    seed
        Of the study: the same seed and ids give the same unique identifiers and the same bytes.

    Raises
    ------
    StudyError
        If the pixels do not have the recipe's size, or exceed twelve bits.

    Notes
    -----
    Imager Pixel Spacing holds at the detector; Pixel Spacing equals it, so the file is not calibrated.
    The middle of the collimated field is the beam axis.
    """
    _check_pixels(pixels, recipe)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = unique_identifier(seed, patient_id, image_id, "image")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    file = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    file.SOPClassUID, file.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    _add_study(file, patient_id, image_id, study_date, seed)
    _add_view(file, recipe)
    _add_geometry(file, recipe)
    _add_pixels(file, pixels, recipe)
    if recipe.secondary_capture:
        make_secondary_capture(file, pixels)
    file.save_as(path, enforce_file_format=True)
    return Path(path)


def unique_identifier(seed: int, *names: str) -> str:
    """A DICOM UID under 2.25 (a UUID as a number) that the seed and the names determine."""
    number = int.from_bytes(hashlib.sha256("/".join([str(seed), *names]).encode()).digest()[:16], "big")
    number = number & ~(0xF000 << 64) & ~(0xC000 << 48) | (0x8000 << 64) | (0x8000 << 48)
    return f"2.25.{number}"


def _add_study(file: Dataset, patient_id: str, image_id: str, study_date: datetime.date, seed: int) -> None:
    day = study_date.strftime("%Y%m%d")
    file.PatientName, file.PatientID, file.PatientBirthDate, file.PatientSex = "", patient_id, "", ""
    file.PatientComments = "Synthetic: no real person"
    file.StudyInstanceUID = unique_identifier(seed, patient_id, day, "study")
    file.SeriesInstanceUID = unique_identifier(seed, patient_id, image_id, "series")
    file.StudyDate = file.SeriesDate = file.AcquisitionDate = file.ContentDate = day
    file.StudyTime = file.SeriesTime = file.AcquisitionTime = file.ContentTime = "120000"
    file.StudyID, file.AccessionNumber, file.ReferringPhysicianName = "1", "", ""
    file.Modality, file.PresentationIntentType = "DX", "FOR PRESENTATION"
    file.SeriesNumber, file.InstanceNumber = 1, 1
    file.SeriesDescription = "Pelvis AP (synthetic)"
    file.Manufacturer = "Synthetic"
    file.ImageComments = image_id


def _add_view(file: Dataset, recipe: FilmRecipe) -> None:
    file.BodyPartExamined, file.ViewPosition, file.ImageLaterality = "PELVIS", "AP", "B"
    file.AnatomicRegionSequence = _code(_PELVIS)
    file.ViewCodeSequence = _code(_ANTERO_POSTERIOR)
    file.ViewCodeSequence[0].ViewModifierCodeSequence = Sequence()
    lying = recipe.position == "supine"
    file.PatientOrientationCodeSequence = _code(_RECUMBENT if lying else _ERECT)
    file.PatientOrientationCodeSequence[0].PatientOrientationModifierCodeSequence = _code(
        _SUPINE if lying else _STANDING
    )
    file.PatientOrientation = ["L", "F"]
    file.AcquisitionContextSequence = Sequence()


def _add_geometry(file: Dataset, recipe: FilmRecipe) -> None:
    file.ImagerPixelSpacing = file.PixelSpacing = [recipe.spacing_mm, recipe.spacing_mm]
    file.DistanceSourceToDetector = recipe.source_to_detector_mm
    file.DistanceSourceToPatient = recipe.source_to_hips_mm
    file.EstimatedRadiographicMagnificationFactor = round(
        recipe.source_to_detector_mm / recipe.source_to_hips_mm, 6
    )
    file.PositionerType, file.DetectorType, file.KVP = "NONE", "SCINTILLATOR", 75
    border = round(recipe.collimation_mm / recipe.spacing_mm)
    file.CollimatorShape = "RECTANGULAR"
    file.CollimatorLeftVerticalEdge = 1 + border
    file.CollimatorRightVerticalEdge = recipe.columns - border
    file.CollimatorUpperHorizontalEdge = 1 + border
    file.CollimatorLowerHorizontalEdge = recipe.rows - border


def _add_pixels(file: Dataset, pixels: NDArray[np.uint16], recipe: FilmRecipe) -> None:
    inverse = recipe.photometric == "MONOCHROME1"
    file.ImageType = ["DERIVED", "PRIMARY"]
    file.DerivationDescription = "Computed from an invented patient"
    file.SamplesPerPixel, file.PhotometricInterpretation = 1, recipe.photometric
    file.Rows, file.Columns = recipe.rows, recipe.columns
    file.BitsAllocated, file.BitsStored, file.HighBit, file.PixelRepresentation = 16, 12, 11, 0
    file.PixelIntensityRelationship, file.PixelIntensityRelationshipSign = "LOG", 1 if inverse else -1
    file.RescaleIntercept, file.RescaleSlope, file.RescaleType = 0, 1, "US"
    file.PresentationLUTShape = "INVERSE" if inverse else "IDENTITY"
    file.WindowCenter, file.WindowWidth = (LARGEST + 1) / 2, LARGEST + 1
    file.LossyImageCompression, file.BurnedInAnnotation = "00", "NO"
    file.PixelData = pixels.astype("<u2").tobytes()


def _code(code: tuple[str, str, str]) -> Sequence:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code
    return Sequence([item])


def _check_pixels(pixels: NDArray[np.uint16], recipe: FilmRecipe) -> None:
    expected = (recipe.rows, recipe.columns)
    if pixels.shape != expected or pixels.dtype != np.uint16 or pixels.max() > LARGEST:
        raise study_error(
            column="pixels",
            found=f"{pixels.dtype} {pixels.shape}, up to {pixels.max() if pixels.size else 'nothing'}",
            expected=f"uint16 {expected}, up to {LARGEST}",
            remedy="Give the pixels that film_pixels makes of this recipe",
        )
