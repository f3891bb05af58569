"""Pixels written again from their values alone: nothing that a file can hide beside them comes along."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import whole


def put_pixels(dataset: Dataset, values: NDArray[np.integer]) -> None:
    """Put pixel values (rows, columns) into a data set, uncompressed, in the bits its header names.

    Notes
    -----
    The comments of a compressed frame, bytes behind the last pixel and bits above Bits Stored (where old
    files keep overlays) are none of the values, so they are gone.
    """
    allocated, stored = whole(dataset, "BitsAllocated"), whole(dataset, "BitsStored")
    unsigned = values.astype(np.int64) & (2**stored - 1)
    content = unsigned.astype("u1" if allocated == 8 else "<u2").tobytes()
    dataset.add_new("PixelData", "OB" if allocated == 8 else "OW", content + b"\0" * (len(content) % 2))


def mask_bands(dataset: Dataset, values: NDArray[np.integer], fraction: float) -> NDArray[np.integer]:
    """Pixel values with a band at the top and one at the bottom made black, `fraction` of the rows each."""
    masked = values.copy()
    rows = int(np.ceil(fraction * values.shape[0]))
    black = values.max() if str(dataset.PhotometricInterpretation) == "MONOCHROME1" else values.min()
    masked[:rows] = black
    masked[values.shape[0] - rows :] = black
    return masked
