"""The door: a DICOM file of a projection radiograph to a Radiograph."""

from __future__ import annotations

from dataclasses import replace
from os import PathLike
from pathlib import Path

from pydicom.dataset import Dataset

from cohortlib.dicom.beam import beam_centre_px, source_to_detector_mm
from cohortlib.dicom.decoding import stored_values
from cohortlib.dicom.elements import word, words
from cohortlib.dicom.greyscale import grey_values, padding_notes
from cohortlib.dicom.opening import read_dataset, warnings_noted
from cohortlib.dicom.orientation import content_notes, hung, position, view
from cohortlib.dicom.polarity import is_inverted
from cohortlib.dicom.refusals import check_radiograph
from cohortlib.dicom.spacing import spacing
from cohortlib.image import Radiograph


def read_radiograph(path: str | PathLike[str], *, name: str = "") -> Radiograph:
    """A radiograph as it is measured: dense = white, unclipped, hung the usual way round.

    Parameters
    ----------
    path
        DICOM file: computed radiography, digital X-ray or secondary capture, one grey frame.
    name
        File name for messages, such as the path below the study folder; if empty, the last part of `path`.

    Returns
    -------
    Radiograph
        `pixels` (rows, columns) float32 are stored values after the modality transformation (rescale or
        modality LUT), not windowed: a window clips, and moves the edges that are measured. MONOCHROME1 is
        turned round by value → lowest + highest - value of the possible values, so large is always dense.
        `spacing_mm` is the detector's wherever Imager Pixel Spacing is known, even if the image is
        calibrated as well: beam geometry and the scale of a head of known diameter are both at the detector.
        `spacing_source` says what it is. `beam_centre_px` is None unless collimation tells it.
        `note` holds what a user should know: what was turned, not used, or doubtful; one sentence each,
        separated by "; ".

    Raises
    ------
    StudyError
        If the file is missing, damaged or cut short, not a radiograph, coloured, multi-frame, or claims
        a size its bytes do not hold. A wrong spacing is no error: `spacing_mm` is None, and asking for
        millimetres says so.

    Notes
    -----
    Use `read_display_window` for the window the file recommends for showing the image.

    References
    ----------
    DICOM PS3.3: 10.7 (spacing), C.7.6.3 (pixels), C.8.11.3 (grey values), C.11.1 (modality LUT).

    Examples
    --------
    >>> from cohortlib.dicom import read_radiograph
    >>> film = read_radiograph("images/P001_month_12.dcm")  # doctest: +SKIP
    >>> film.spacing_mm, film.spacing_source  # doctest: +SKIP
    ((0.14, 0.14), 'detector')
    """
    name = name or Path(path).name
    notes: list[str] = []
    with warnings_noted(notes):
        dataset = read_dataset(path, name=name)
        check_radiograph(dataset, name=name)
        film = _film(dataset, name)
    return replace(film, note="; ".join([film.note] * bool(film.note) + notes))


def _film(dataset: Dataset, name: str) -> Radiograph:
    spacing_mm, spacing_source, spacing_notes = spacing(dataset, name=name)
    distance_mm, distance_notes = source_to_detector_mm(dataset)
    centre_px, centre_source, centre_notes = beam_centre_px(dataset)
    stored = stored_values(dataset, name=name)
    inverted, polarity_notes = is_inverted(dataset, name=name)
    pixels = grey_values(stored, dataset, inverted=inverted, name=name)
    pixels, spacing_mm, centre_px, hanging_notes = hung(
        pixels, spacing_mm, centre_px, directions=words(dataset, "PatientOrientation")
    )
    notes = spacing_notes + distance_notes + centre_notes + polarity_notes + hanging_notes
    notes += padding_notes(stored, dataset) + content_notes(dataset)
    return Radiograph(
        pixels=pixels,
        spacing_mm=spacing_mm,
        spacing_source=spacing_source,
        source_to_detector_mm=distance_mm,
        beam_centre_px=centre_px,
        beam_centre_source=centre_source,
        view=view(dataset),
        position=position(dataset),
        photometric=word(dataset, "PhotometricInterpretation"),
        name=name,
        note="; ".join(notes),
    )
