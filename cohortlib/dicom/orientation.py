"""How the patient lies in the image: hung the usual way round, which view, lying or standing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import codes, items, label, shown, word

# Codes of SNOMED CT and of its older form (SRT), from DICOM PS3.16: CID 4010, 4009, 20.
_VIEW_CODES = {"399348003": "AP", "R-10206": "AP", "272479007": "PA", "R-10214": "PA", "R-40888": "PA"}
_REGION_CODES = {
    "816092008": "pelvis",
    "12921003": "pelvis",
    "T-D6000": "pelvis",
    "29836001": "hip",
    "T-D2500": "hip",
    "24136001": "hip",
    "T-15710": "hip",
}
_POSITION_CODES = {
    "10904000": "standing",
    "F-10320": "standing",
    "40199007": "supine",
    "F-10340": "supine",
}


def hung(
    pixels: NDArray[np.float32],
    spacing_mm: tuple[float, float] | None,
    beam_centre_px: tuple[float, float] | None,
    *,
    directions: tuple[str, ...],
) -> tuple[NDArray[np.float32], tuple[float, float] | None, tuple[float, float] | None, list[str]]:
    r"""Image, spacing and beam centre with the patient's left at the right and the head up; notes.

    Parameters
    ----------
    pixels : (rows, columns)
        The image as stored.
    spacing_mm
        (row, column) spacing, or None.
    beam_centre_px
        (x, y) in the image as stored, or None.
    directions
        Patient Orientation (0020,0020): where the rows run to (left to right) and where the columns run to
        (top to bottom). The usual way is L, F: to the patient's left and to the foot.

    Notes
    -----
    Only the first letter of a direction counts ("FP" is mainly towards the foot). A film stored on its side
    (F\L and the like) is turned. A direction that is absent or not in the frontal plane (A, P) changes
    nothing and is noted.

    References
    ----------
    DICOM PS3.3, C.7.6.1.1.1 Patient Orientation.
    """
    tag = label("PatientOrientation")
    initials = "".join(direction[:1] for direction in directions)
    if not initials:
        return pixels, spacing_mm, beam_centre_px, [f"{tag} not stated: taken as hung the usual way"]
    if len(initials) != 2 or not (set(initials) & set("LR") and set(initials) & set("HF")):
        notes = [f"{tag} {shown(directions)} is not that of a frontal film: left as stored"]
        return pixels, spacing_mm, beam_centre_px, notes
    notes = []
    if initials[0] in "HF":
        initials = initials[::-1]
        pixels = pixels.T
        spacing_mm = spacing_mm and (spacing_mm[1], spacing_mm[0])
        beam_centre_px = beam_centre_px and (beam_centre_px[1], beam_centre_px[0])
        notes.append("rows and columns exchanged (the film was stored on its side)")
    rows, columns = pixels.shape
    if initials[0] == "R":
        pixels = pixels[:, ::-1]
        beam_centre_px = beam_centre_px and (columns - 1 - beam_centre_px[0], beam_centre_px[1])
        notes.append("mirrored left to right (the rows ran to the patient's right)")
    if initials[1] == "H":
        pixels = pixels[::-1]
        beam_centre_px = beam_centre_px and (beam_centre_px[0], rows - 1 - beam_centre_px[1])
        notes.append("mirrored top to bottom (the head was down)")
    if notes:
        notes = [f"{tag} {shown(directions)}: " + ", ".join(notes)]
    return np.ascontiguousarray(pixels), spacing_mm, beam_centre_px, notes


def view(dataset: Dataset) -> str:
    """View and region such as "AP pelvis" or "PA hip"; "" if either is not stated."""
    projections = {_VIEW_CODES.get(code, "") for code in codes(dataset, "ViewCodeSequence")}
    projections |= {word(dataset, "ViewPosition")} & {"AP", "PA"}
    regions = {_REGION_CODES.get(code, "") for code in codes(dataset, "AnatomicRegionSequence")}
    regions |= {word(dataset, "BodyPartExamined").lower()} & {"pelvis", "hip"}
    projections, regions = projections - {""}, regions - {""}
    if len(projections) != 1 or len(regions) != 1:
        return ""
    return f"{projections.pop()} {regions.pop()}"


def position(dataset: Dataset) -> str:
    """Standing, supine or "" (not stated), as the header says; free text is not read.

    Notes
    -----
    Patient Orientation Modifier Code Sequence (0054,0412), inside Patient Orientation Code Sequence
    (0054,0410), states the position with respect to gravity; without it Patient Position (0018,5100) of a
    patient on his back (HFS, FFS) is "supine". "Erect" alone may be sitting, and gives "".

    References
    ----------
    DICOM PS3.3, C.8.11.5 DX Positioning Module; PS3.16, CID 20.
    """
    stated = {
        _POSITION_CODES.get(code, "other")
        for item in items(dataset, "PatientOrientationCodeSequence")
        for code in codes(item, "PatientOrientationModifierCodeSequence")
    }
    if stated:
        found = stated.pop()
        return found if not stated and found != "other" else ""
    return "supine" if word(dataset, "PatientPosition") in ("HFS", "FFS") else ""


def content_notes(dataset: Dataset) -> list[str]:
    """Notes on another part of the body than hip or pelvis, a raw image, and lossy compression."""
    notes = []
    part = word(dataset, "BodyPartExamined")
    if part not in ("", "PELVIS", "HIP"):
        notes.append(f"{label('BodyPartExamined')} {shown([part])}")
    if word(dataset, "PresentationIntentType") == "FOR PROCESSING":
        notes.append("raw image of the detector (for processing)")
    if word(dataset, "LossyImageCompression") == "01":
        notes.append("the image was compressed with loss")
    return notes
