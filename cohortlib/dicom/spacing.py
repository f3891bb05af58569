"""What a pixel measures, and where: at the detector, or in the patient after a calibration."""

from __future__ import annotations

from pydicom.dataset import Dataset

from cohortlib.dicom.elements import label, numbers, shown, word, words
from cohortlib.errors import study_error

#: A spacing outside this range is no film's [mm].
PLAUSIBLE_MM = (0.01, 2.0)
#: Calibrated over detector spacing = 1 / magnification. The patient lies between source and detector, so it
#: is at most 1 (5 % is left for the error of a calibration); below a half he would lie nearer the source.
PLAUSIBLE_RATIO = (0.5, 1.05)

_CALIBRATIONS = {"FIDUCIAL": "calibrated object", "GEOMETRY": "calibrated geometry"}


def spacing(dataset: Dataset, *, name: str) -> tuple[tuple[float, float] | None, str, list[str]]:
    """Spacing of rows and of columns [mm], its source and notes.

    Parameters
    ----------
    dataset
        The header.
    name
        File name for messages.

    Returns
    -------
    spacing_mm
        (row, column) spacing, or None.
    source
        One of `cohortlib.image.SPACING_SOURCES`.
    notes
        Values that were found wrong or were not used.

    Raises
    ------
    StudyError
        If there is no spacing and Pixel Aspect Ratio (0028,0034) is not 1, 1: even angles would be wrong.

    Notes
    -----
    In this order:

    1. Imager Pixel Spacing (0018,1164) → "detector", whatever Pixel Spacing says. It is measured at the
       front of the detector and "shall never be adjusted", so the beam geometry and the scale of a head of
       known size can be built on it. A Pixel Spacing (0028,0030) that differs is a calibration: it holds at
       one depth in the patient only, and is put in the notes.
    2. Pixel Spacing with Pixel Spacing Calibration Type (0028,0A02) → "calibrated object" (FIDUCIAL) or
       "calibrated geometry" (GEOMETRY).
    3. Pixel Spacing that differs from Nominal Scanned Pixel Spacing (0018,2010)
       → "calibrated, method not stated".
    4. Pixel Spacing or Nominal Scanned Pixel Spacing alone, or the two equal → "unknown". The scanned
       spacing holds on the film that was scanned, which may be a print on another scale.

    A value that is impossible (not two numbers from 0.01 to 2 mm) is not used, and named in the notes. If
    the detector's and the calibrated spacing contradict each other (ratio not from 0.5 to 1.05, as when an
    image was resized on export and one of them forgotten), neither is used.

    References
    ----------
    DICOM PS3.3, 10.7 Basic Pixel Spacing Calibration Macro, and C.8.11.4 DX Detector Module.
    """
    notes: list[str] = []
    detector = _pair(dataset, "ImagerPixelSpacing", notes)
    patient = _pair(dataset, "PixelSpacing", notes)
    scanned = _pair(dataset, "NominalScannedPixelSpacing", notes)
    calibration = word(dataset, "PixelSpacingCalibrationType")
    source = _CALIBRATIONS.get(calibration, "")
    found: tuple[float, float] | None = patient
    if detector and patient and not _same(detector, patient):
        if _contradict(detector, patient):
            notes.append(
                f"{label('ImagerPixelSpacing')} {shown(detector)} and {label('PixelSpacing')} "
                f"{shown(patient)} contradict each other (resized on export?): neither is used"
            )
            found = None
        else:
            how = f" ({calibration})" if source else ""
            notes.append(
                f"calibrated {label('PixelSpacing')} {shown(patient)}{how} not used: the detector's is known"
            )
            found, source = detector, "detector"
    elif detector:
        found, source = detector, "detector"
    elif patient and not source:
        source = "calibrated, method not stated" if scanned and not _same(scanned, patient) else "unknown"
    elif scanned and not patient:
        found, source = scanned, "unknown"
        notes.append(f"{label('NominalScannedPixelSpacing')} holds on the scanned film, original or print")
    if found is None:
        _check_square(dataset, name)
        source = "none"
    return found, source, notes


def _pair(dataset: Dataset, keyword: str, notes: list[str]) -> tuple[float, float] | None:
    """Row and column spacing [mm], or None with a note if what stands there is impossible."""
    values = numbers(dataset, keyword)
    low, high = PLAUSIBLE_MM
    if len(values) == 2 and all(low <= value <= high for value in values):
        return values[0], values[1]
    if values:
        notes.append(f"{label(keyword)} {shown(words(dataset, keyword))} is no spacing in mm: not used")
    return None


def _same(first: tuple[float, float], second: tuple[float, float]) -> bool:
    """Equal but for the rounding of a decimal string."""
    return all(abs(a - b) <= 0.001 * a for a, b in zip(first, second, strict=True))


def _contradict(detector: tuple[float, float], patient: tuple[float, float]) -> bool:
    low, high = PLAUSIBLE_RATIO
    return not all(low <= b / a <= high for a, b in zip(detector, patient, strict=True))


def _check_square(dataset: Dataset, name: str) -> None:
    aspect = numbers(dataset, "PixelAspectRatio")
    if aspect and not (len(aspect) == 2 and aspect[0] == aspect[1]):
        raise study_error(
            file=name,
            column=label("PixelAspectRatio"),
            found=shown(aspect),
            expected="1, 1, or a pixel spacing: on pixels that are not square angles would be wrong",
            remedy="Export the original image with its spacing",
        )
