"""White = dense: whether grey values must be turned round."""

from __future__ import annotations

from pydicom.dataset import Dataset

from cohortlib.dicom.elements import items, label, numbers, shown, word
from cohortlib.dicom.greyscale import rescale
from cohortlib.dicom.lookup import lookup_table


def is_inverted(dataset: Dataset, *, name: str) -> tuple[bool, list[str]]:
    """Whether low values are shown white, so that values must be turned round for white = dense.

    Parameters
    ----------
    dataset
        The header.
    name
        File name for messages.

    Returns
    -------
    inverted
        True for MONOCHROME1, unless a descending VOI LUT turns it round again.
    notes
        Contradictions in the header.

    Notes
    -----
    Photometric Interpretation (0028,0004) decides: MONOCHROME1 means that the minimum is shown white
    after the grey transformations. Presentation LUT Shape (2050,0020) says the same thing a second time:
    INVERSE "shall be used if Photometric Interpretation is MONOCHROME1", IDENTITY if MONOCHROME2. It is
    not a further inversion; files are known whose shape is wrong, so where the two differ the photometric
    interpretation is followed and the difference is noted. A VOI LUT that descends turns the display
    round once more. Pixel Intensity Relationship Sign (0028,1041) states the physics (-1: higher values
    had less X-ray, so are dense). It defines no transformation; of a raw image (for processing) a
    contradiction is noted. Processed films with white bone carry either sign, so there it is not looked at.

    References
    ----------
    DICOM PS3.3, C.7.6.3.1.2 (photometric interpretation), C.8.11.3 and C.8.11.3.1.2 (DX image),
    C.11.6.1.2 (presentation LUT shape: P-value = maximum value - output value).
    """
    photometric, shape = word(dataset, "PhotometricInterpretation"), word(dataset, "PresentationLUTShape")
    inverted = photometric == "MONOCHROME1"
    notes = []
    if shape and (shape == "INVERSE") != inverted:
        notes.append(
            f"{label('PresentationLUTShape')} {shown([shape])} contradicts {photometric}: not followed"
        )
    if not numbers(dataset, "WindowCenter"):
        for item in items(dataset, "VOILUTSequence")[:1]:
            _, table, _ = lookup_table(item, signed=False, name=name)
            if table[0] > table[-1]:
                inverted = not inverted
                notes.append("the VOI LUT descends: grey values turned round")
    raw = word(dataset, "PresentationIntentType") == "FOR PROCESSING"
    sign = numbers(dataset, "PixelIntensityRelationshipSign")
    falling = rescale(dataset)[0] < 0
    if raw and sign in ((1.0,), (-1.0,)) and ((sign[0] == 1) != falling) != inverted:
        notes.append(
            f"{label('PixelIntensityRelationshipSign')} {sign[0]:g} says that white is not dense: "
            "look whether bone is white"
        )
    return inverted, notes
