"""A picture for a person who looks for burned-in text: the whole image, its grey values spread evenly."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from cohortlib.dicom.decoding import stored_values
from cohortlib.dicom.elements import word
from cohortlib.dicom.opening import guarded, read_dataset, warnings_noted
from cohortlib.dicom.refusals import pixel_problems
from cohortlib.errors import StudyError

#: Spread evenly, two stored values that are next to each other may become black and white.
_GREYS = 256


def pixel_picture(path: Path, *, name: str, largest_px: int) -> bytes:
    """The whole image as a PNG, cropped nowhere, its longer side at most `largest_px`.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    largest_px
        A larger image is made smaller by averaging, a smaller one stays as it is.

    Raises
    ------
    StudyError
        If the file is no single grey image, or damaged.

    Notes
    -----
    Grey values are spread so that each is as frequent as any other (their ranks are shown), whatever
    window the header names: letters in nearly the same grey as what is behind them are seen.
    """
    with warnings_noted([]), guarded(name):
        dataset = read_dataset(path, name=name)
        problems = pixel_problems(dataset, name)
        if problems:
            raise StudyError(problems)
        greys = _spread(stored_values(dataset, name=name))
        if word(dataset, "PhotometricInterpretation") == "MONOCHROME1":
            greys = (_GREYS - 1 - greys).astype(np.uint8)
    picture = Image.fromarray(greys)
    picture.thumbnail((largest_px, largest_px), Image.Resampling.BOX)
    stream = BytesIO()
    picture.save(stream, "PNG")
    return stream.getvalue()


def _spread(values: NDArray[np.integer]) -> NDArray[np.uint8]:
    """Values as their ranks, from 0 to 255."""
    _, places, counts = np.unique(values, return_inverse=True, return_counts=True)
    below = np.cumsum(counts) - counts
    ranks = below * (_GREYS - 1) / max(1, values.size - int(counts[-1]))
    return ranks.round().astype(np.uint8)[places].reshape(values.shape)
