"""Lookup tables of the header: modality LUT and VOI LUT (DICOM PS3.3 C.11.1.1.1 and C.11.2.1.1)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from cohortlib.dicom.elements import label, numbers, shown
from cohortlib.dicom.opening import guarded
from cohortlib.errors import study_error


def lookup_table(item: Dataset, *, signed: bool, name: str) -> tuple[int, NDArray[np.uint16], int]:
    """The first input mapped, the outputs from there on, and the bits of an output.

    Parameters
    ----------
    item
        The item of the sequence.
    signed
        Whether the inputs may be negative: LUT Descriptor writes them in 16 bits either way.
    name
        File name for messages.

    Raises
    ------
    StudyError
        If descriptor and data do not fit each other.
    """
    descriptor = numbers(item, "LUTDescriptor")
    whole = len(descriptor) == 3 and all(value % 1 == 0 for value in descriptor)
    if not whole or not 8 <= descriptor[2] <= 16:
        raise study_error(
            file=name,
            column=label("LUTDescriptor"),
            found=shown(descriptor) or "no value",
            expected="number of entries, first input and bits (8 to 16)",
            remedy="Export the image again with its pixel values as acquired",
        )
    count, first, bits = (int(value) for value in descriptor)
    count = count % 2**16 or 2**16  # 0 stands for 65536
    first = (first + 2**15) % 2**16 - 2**15 if signed else first % 2**16
    with guarded(name):
        data = item.LUTData
        if isinstance(data, bytes):
            packed = bits == 8 and len(data) in (count, count + 1)
            order = ">" if item.original_encoding[1] is False else "<"
            table = np.frombuffer(data, "u1" if packed else order + "u2")
        else:
            table = np.atleast_1d(np.asarray(data))
        table = table.astype(np.uint16)
    if len(table) < count:
        raise study_error(
            file=name,
            column=label("LUTData"),
            found=f"{len(table)} entries",
            expected=f"{count} entries as LUT Descriptor says",
            remedy="Export the image again with its pixel values as acquired",
        )
    return first, table[:count], bits
