"""The window a file recommends for showing it; nothing is measured through it."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

import numpy as np
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import items, numbers, word
from cohortlib.dicom.greyscale import modality_range
from cohortlib.dicom.lookup import lookup_table
from cohortlib.dicom.opening import read_dataset, warnings_noted
from cohortlib.dicom.polarity import is_inverted
from cohortlib.dicom.refusals import check_radiograph


def read_display_window(path: str | PathLike[str], *, name: str = "") -> tuple[float, float] | None:
    """Grey values to show as black and as white, in the values of `read_radiograph`, or None.

    Parameters
    ----------
    path
        DICOM file of a radiograph.
    name
        File name for messages; if empty, the last part of `path`.

    Returns
    -------
    (black, white)
        Of the first window, or of the first VOI LUT if there is no window; None if the file has neither.

    Raises
    ------
    StudyError
        As `read_radiograph`.

    Notes
    -----
    LINEAR, the default, of centre c and width w: black c - 0.5 - (w - 1) / 2, white c - 0.5 + (w - 1) / 2.
    LINEAR_EXACT: c ∓ w / 2. A SIGMOID is given by its tangent at the centre, c ∓ w / 2. A VOI LUT is
    given by the first and the last input it tells apart: a curve between them is not. For MONOCHROME1 the
    two values are turned round as the pixels are.

    References
    ----------
    DICOM PS3.3, C.11.2 VOI LUT Module.
    """
    name = name or Path(path).name
    with warnings_noted([]):
        dataset = read_dataset(path, name=name)
        check_radiograph(dataset, name=name)
        window = _window(dataset, name)
        if window is None:
            return None
        low, high = window
        if is_inverted(dataset, name=name)[0]:
            lowest, highest = modality_range(dataset, name=name)
            low, high = lowest + highest - high, lowest + highest - low
    return low, high


def _window(dataset: Dataset, name: str) -> tuple[float, float] | None:
    centre, width = numbers(dataset, "WindowCenter")[:1], numbers(dataset, "WindowWidth")[:1]
    if centre and width and width[0] >= 1:
        if word(dataset, "VOILUTFunction") in ("", "LINEAR"):
            return centre[0] - 0.5 - (width[0] - 1) / 2, centre[0] - 0.5 + (width[0] - 1) / 2
        return centre[0] - width[0] / 2, centre[0] + width[0] / 2
    for item in items(dataset, "VOILUTSequence")[:1]:
        signed = modality_range(dataset, name=name)[0] < 0
        first, table, _ = lookup_table(item, signed=signed, name=name)
        steps = np.flatnonzero(np.diff(table.astype(np.int64)))
        if len(steps):
            return float(first + steps[0]), float(first + steps[-1] + 1)
    return None
