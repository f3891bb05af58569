"""From stored values to grey values that measure: the modality transformation, and padding."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import items, label, numbers, shown, whole
from cohortlib.dicom.lookup import lookup_table
from cohortlib.errors import study_error


def stored_range(dataset: Dataset) -> tuple[int, int]:
    """Least and greatest value that Bits Stored and Pixel Representation can hold."""
    size = 2 ** whole(dataset, "BitsStored")
    return (-size // 2, size // 2 - 1) if whole(dataset, "PixelRepresentation") == 1 else (0, size - 1)


def modality_range(dataset: Dataset, *, name: str) -> tuple[float, float]:
    """What the modality transformation gives for the least and greatest value that can be stored, in order.

    Raises
    ------
    StudyError
        If slope and intercept leave no difference between one grey value and the next.
    """
    low, high = stored_range(dataset)
    for item in items(dataset, "ModalityLUTSequence")[:1]:
        return 0.0, 2.0 ** lookup_table(item, signed=low < 0, name=name)[2] - 1
    slope, intercept = rescale(dataset)
    lowest, highest = sorted((slope * low + intercept, slope * high + intercept))
    # float32 has 24 bits; the comparison is also False for NaN, infinity and a slope of zero
    if not (abs(slope) > max(-lowest, highest) * 2.0**-24 and highest < 1e30):
        raise study_error(
            file=name,
            column=f"{label('RescaleSlope')}, {label('RescaleIntercept')}",
            found=shown([slope, intercept]),
            expected="numbers that keep the difference between one grey value and the next",
            remedy="Export the image again with its pixel values as acquired",
        )
    return lowest, highest


def grey_values(
    stored: NDArray[np.integer], dataset: Dataset, *, inverted: bool, name: str
) -> NDArray[np.float32]:
    """Stored values (rows, columns) after the modality transformation, and turned round if `inverted`.

    Notes
    -----
    The first item of Modality LUT Sequence (0028,3000) if there is one (inputs before its first and after
    its last take the output of these), else
    Rescale Slope (0028,1053) × stored + Rescale Intercept (0028,1052).
    Turned round, v becomes lowest + highest - v of `modality_range`, whatever values the image holds.

    References
    ----------
    DICOM PS3.3, C.11.1 Modality LUT Module.
    """
    lowest, highest = modality_range(dataset, name=name)
    for item in items(dataset, "ModalityLUTSequence")[:1]:
        first, table, _ = lookup_table(item, signed=stored_range(dataset)[0] < 0, name=name)
        outputs = table.astype(np.float32)
        outputs = np.float32(highest) - outputs if inverted else outputs
        return outputs[np.clip(stored.astype(np.int64) - first, 0, len(outputs) - 1)]
    slope, intercept = rescale(dataset)
    if inverted:
        slope, intercept = -slope, lowest + highest - intercept
    return (stored * np.float64(slope) + intercept).astype(np.float32)


def rescale(dataset: Dataset) -> tuple[float, float]:
    """Rescale slope and intercept; 1 and 0 where they are absent."""
    slope, intercept = numbers(dataset, "RescaleSlope"), numbers(dataset, "RescaleIntercept")
    return (slope or (1.0,))[0], (intercept or (0.0,))[0]


def padding_notes(stored: NDArray[np.integer], dataset: Dataset) -> list[str]:
    """How much of the image is padding (a border without image), if the header names its value."""
    value = numbers(dataset, "PixelPaddingValue")
    if len(value) != 1 or not math.isfinite(value[0]):
        return []
    low, high = stored_range(dataset)
    limit = (numbers(dataset, "PixelPaddingRangeLimit") or value)[0]
    ends = [(int(end) - low) % (high - low + 1) + low for end in (value[0], limit) if math.isfinite(end)]
    padded = np.mean((stored >= min(ends)) & (stored <= max(ends)))
    return [f"{padded:.1%} of the pixels are padding ({label('PixelPaddingValue')}): kept"] if padded else []
