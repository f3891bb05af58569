"""A header walked element by element without interpreting it: only wanted values are kept.

Only what every archive writes is walked: little endian, elements in ascending order, VRs as in the
dictionary. For anything else `scanned` gives None, and the file is read by pydicom instead, which knows
all of DICOM and is twenty times slower.
"""

from __future__ import annotations

from struct import Struct
from typing import NamedTuple

from cohortlib.dicom.finding.elements import LAST_TAG, TRANSFER_SYNTAX, WANTED


class Scan(NamedTuple):
    """Wanted values as they stand in the file, by tag, and how many bytes were walked."""

    values: dict[int, bytes]
    end: int


class CutOff(Exception):
    """The bytes end within the part of the header that is wanted."""


_MAGIC = slice(128, 132)
_SHORT = Struct("<HH2sH").unpack_from  # group, element, VR, length in two bytes
_PLAIN = Struct("<HHI").unpack_from  # group, element, length; as in implicit VR, items and delimiters
_LENGTH = Struct("<I").unpack_from

# DICOM PS3.5, table 7.1-1 and 7.1-2: VRs with a length of two bytes, and with two reserved bytes and four
_SHORT_VRS = frozenset(b"AE AS AT CS DA DS DT FD FL IS LO LT PN SH SL SS ST TM UI UL US".split())
_LONG_VRS = frozenset(b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split())
_UNDEFINED = 0xFFFF_FFFF
_ITEM, _ITEM_END, _SEQUENCE_END = 0xFFFE_E000, 0xFFFE_E00D, 0xFFFE_E0DD
_IMPLICIT = b"1.2.840.10008.1.2"
_NOT_WALKED = (b"1.2.840.10008.1.2.2", b"1.2.840.10008.1.2.1.99", b"1.2.840.10008.1.2.4.95")  # big, deflated
_DEEPEST = 16
_KEPT = {TRANSFER_SYNTAX: b"UI"} | {tag: element.vr for tag, element in WANTED.items()}


def scanned(data: bytes) -> Scan | None:
    """The wanted values of a file's first bytes, or None if pydicom must look at it.

    Parameters
    ----------
    data
        The file from its beginning, or the whole of it.

    Raises
    ------
    CutOff
        If the bytes end before the last wanted element was passed: give more of them. At the end of an
        element they may be the whole file.
    """
    if data[_MAGIC] != b"DICM":
        return None
    values: dict[int, bytes] = {}
    end = _walk(data, _MAGIC.stop, values, last=0x0002_FFFF, implicit=False)
    if end is None:
        return None
    syntax = values.get(TRANSFER_SYNTAX, b"").rstrip(b"\0 ")
    if not syntax.startswith(_IMPLICIT) or syntax in _NOT_WALKED:
        return None
    end = _walk(data, end, values, last=LAST_TAG, implicit=syntax == _IMPLICIT)
    return None if end is None else Scan(values, end)


def _walk(data: bytes, place: int, values: dict[int, bytes], *, last: int, implicit: bool) -> int | None:
    """Where the first element behind `last` begins; None for what is not walked."""
    size, previous, kept = len(data), 0, _KEPT
    while place + 8 <= size:
        if implicit:
            group, element, length = _PLAIN(data, place)
            start, vr = place + 8, b""
        else:
            group, element, vr, length = _SHORT(data, place)
            start = place + 8
        tag = group << 16 | element
        if tag > last:
            return place
        if vr and vr not in _SHORT_VRS:
            if vr not in _LONG_VRS:
                return None
            if start + 4 > size:
                raise CutOff
            (length,) = _LENGTH(data, start)
            start += 4
        if tag <= previous:
            return None
        previous = tag
        if length == _UNDEFINED:
            if vr not in (b"", b"SQ"):
                return None
            end = _sequence_end(data, start, implicit=implicit, depth=0)
            if end < 0:
                return None
        else:
            end = start + length
        if tag in kept:
            if end > size:
                raise CutOff
            if vr and vr != kept[tag]:
                return None
            values[tag] = data[start:end]
        place = end
    if place != size:
        raise CutOff
    return place


def _sequence_end(data: bytes, place: int, *, implicit: bool, depth: int) -> int:
    """Behind the delimiter of a sequence of undefined length; -1 for what is not walked."""
    while place + 8 <= len(data) and depth < _DEEPEST:
        group, element, length = _PLAIN(data, place)
        tag, place = group << 16 | element, place + 8
        if tag == _SEQUENCE_END:
            return place if length == 0 else -1
        if tag != _ITEM:
            return -1
        place = (
            _item_end(data, place, implicit=implicit, depth=depth) if length == _UNDEFINED else place + length
        )
        if place < 0:
            return -1
    if depth >= _DEEPEST:
        return -1
    raise CutOff


def _item_end(data: bytes, place: int, *, implicit: bool, depth: int) -> int:
    """Behind the delimiter of an item of undefined length; -1 for what is not walked."""
    while place + 8 <= len(data):
        group, element, length = _PLAIN(data, place)
        tag = group << 16 | element
        if tag == _ITEM_END:
            return place + 8 if length == 0 else -1
        vr = b"" if implicit else data[place + 4 : place + 6]
        place += 8
        if vr:
            if vr in _SHORT_VRS:
                length >>= 16  # what was read as the lower half is the VR
            elif vr in _LONG_VRS:
                if place + 4 > len(data):
                    raise CutOff
                (length,) = _LENGTH(data, place)
                place += 4
            else:
                return -1
        if length == _UNDEFINED:
            if vr not in (b"", b"SQ"):
                return -1
            place = _sequence_end(data, place, implicit=implicit, depth=depth + 1)
            if place < 0:
                return -1
        else:
            place += length
    raise CutOff
