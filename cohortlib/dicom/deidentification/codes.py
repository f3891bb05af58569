"""Coded terms cleaned: a code of the standard's own lists stays, with the meaning that the standard gives."""

from __future__ import annotations

from functools import cache

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr._concepts_dict import concepts
from pydicom.sr._snomed_dict import mapping

from cohortlib.dicom.deidentification.elements import CODED
from cohortlib.dicom.elements import items, word

# Older names of the SNOMED codes that begin with a letter
_SNOMED_NAMES = ("SRT", "SNM3", "99SDM")


def cleaned_codes(dataset: Dataset, keyword: str) -> tuple[Sequence, int]:
    """The items of a code sequence with nothing but known codes, and how many items were left out."""
    kept, left_out = Sequence(), 0
    for item in items(dataset, keyword):
        value, scheme = word(item, "CodeValue"), _scheme(item)
        meaning = code_meanings().get((scheme, value), "")
        if not meaning:
            left_out += 1
            continue
        code = Dataset()
        code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = value, scheme, meaning
        for inner in CODED.values():  # a modifier within a view, a position within a posture
            if inner in item:
                cleaned, missing = cleaned_codes(item, inner)
                setattr(code, inner, cleaned)
                left_out += missing
        kept.append(code)
    return kept, left_out


@cache
def code_meanings() -> dict[tuple[str, str], str]:
    """(scheme, code) → meaning, of the codes that DICOM PS3.16 lists; the code in capitals."""
    known = {
        (scheme, code.upper()): meaning[:64]
        for scheme, by_keyword in concepts.items()
        for codes in by_keyword.values()
        for code, (meaning, *_) in codes.items()
    }
    for older, code in mapping["SRT"].items():
        if ("SCT", code) in known:
            known |= {(name, older.upper()): known["SCT", code] for name in _SNOMED_NAMES}
    return known


def _scheme(item: Dataset) -> str:
    """The designator as it is written: capitals count in "NCIt"."""
    stated = word(item, "CodingSchemeDesignator")
    return {"NCIT": "NCIt"}.get(stated, stated)
