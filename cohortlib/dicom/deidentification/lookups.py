"""Lookup tables written again from their entries alone: nothing beside them comes along."""

from __future__ import annotations

from pydicom.dataset import Dataset

from cohortlib.dicom.elements import numbers, word
from cohortlib.dicom.lookup import lookup_table

#: What the outputs of a modality lookup table may be (DICOM PS3.3, C.11.1.1.2).
_LOOKUP_TYPES = frozenset(["OD", "HU", "US", "MGML", "Z_EFF", "ED", "EDW", "HU_MOD", "PCT"])


def clean_lookup(item: Dataset, *, name: str) -> Dataset:
    """The descriptor, as many entries as it says, and the type if it is one of the standard's.

    Raises
    ------
    StudyError
        If descriptor and entries do not fit each other.
    """
    _, entries, bits = lookup_table(item, signed=False, name=name)
    first = int(numbers(item, "LUTDescriptor")[1])
    new = Dataset()
    new.add_new("LUTDescriptor", "SS" if first < 0 else "US", [len(entries) % 2**16, first, bits])
    kind = word(item, "ModalityLUTType")
    if kind in _LOOKUP_TYPES:
        new.ModalityLUTType = kind
    new.add_new("LUTData", "OW", entries.astype("<u2").tobytes())
    return new
