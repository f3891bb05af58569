"""Bytes of a header element → text, number or time; what cannot be understood is noted, not guessed."""

from __future__ import annotations

import datetime
import re
from struct import Struct

from pydicom.charset import convert_encodings, decode_bytes

from cohortlib.dicom.elements import label
from cohortlib.dicom.finding.elements import TAG_OF, WANTED

_DOUBLE, _SHORT = Struct("<d").unpack_from, Struct("<H").unpack_from
_LONGEST_TEXT = 128
_TIME = re.compile(r"(\d{2})(\d{2})?(\d{2})?(?:\.(\d{1,6}))?")


class Values:
    """The wanted values of one header by keyword, with the notes that reading them gave."""

    def __init__(self, raw: dict[int, bytes]) -> None:
        self.raw = raw
        self.notes: list[str] = []

    def stored(self, keyword: str) -> bytes:
        """As in the file; b"" if absent."""
        return self.raw.get(TAG_OF[keyword], b"")

    def text(self, keyword: str) -> str:
        r"""The text without blanks at its ends; several values are separated by \ as in the file."""
        raw = self.raw.get(TAG_OF[keyword])
        if not raw:
            return ""
        text = raw.decode("ascii") if raw.isascii() else self._decoded(raw)
        text = text.strip("\0 ")
        if not text.isprintable() or len(text) > _LONGEST_TEXT:
            self.notes.append(f"{label(keyword)} holds letters that cannot be printed, or too many")
            text = "".join(letter if letter.isprintable() else "?" for letter in text[:_LONGEST_TEXT])
        return text

    def _decoded(self, raw: bytes) -> str:
        stated = self.text("SpecificCharacterSet").split("\\")
        try:
            return decode_bytes(raw, convert_encodings(stated), set())
        except Exception:  # a character set that does not exist, or bytes that are none of its letters
            return raw.decode("ascii", "replace").replace("\ufffd", "?")

    def number(self, keyword: str) -> float | None:
        """The first number; None if absent, or noted if it is none."""
        numbers = self.numbers(keyword)
        return numbers[0] if numbers else None

    def whole(self, keyword: str) -> int | None:
        """The first number as a whole one; None if absent, or noted if it is none."""
        number = self.number(keyword)
        if number is None:
            return None
        if number % 1 == 0 and abs(number) < 2**31:
            return int(number)
        self._doubt(keyword)
        return None

    def numbers(self, keyword: str) -> list[float]:
        """All numbers; none if absent, or noted if one of them is no finite number."""
        tag = TAG_OF[keyword]
        raw = self.raw.get(tag)
        if not raw:
            return []
        vr = WANTED[tag].vr
        try:
            if vr == b"US":
                return [float(_SHORT(raw)[0])]
            found = [_DOUBLE(raw)[0]] if vr == b"FD" else [float(part) for part in _parts(raw)]
        except Exception:  # too few bytes, no number, no text
            found = [float("nan")]
        if not all(-1e12 < number < 1e12 for number in found):
            self._doubt(keyword)
            return []
        return found

    def time(self, date_keyword: str, time_keyword: str = "") -> str:
        """Date and time as ISO 8601 text; "" if there is no date, or noted if it is none."""
        day = self.text(date_keyword)[:26]
        if not day:
            return ""
        day, clock = day[:8], self.text(time_keyword)[:16] if time_keyword else day[8:]
        hours = _TIME.match(clock)
        hour, minute, second = (int(part or 0) for part in hours.groups()[:3]) if hours else (0, 0, 0)
        fraction = int((hours.group(4) or "0").ljust(6, "0")) if hours else 0
        try:
            if not (day.isascii() and day.isdigit() and len(day) == 8):
                raise ValueError
            year, month, of_month = int(day[:4]), int(day[4:6]), int(day[6:])
            found = datetime.datetime(year, month, of_month, hour, minute, second, fraction)
            if found.year < 1900:
                raise ValueError
        except ValueError:
            self._doubt(date_keyword)
            return ""
        return found.isoformat()

    def _doubt(self, keyword: str) -> None:
        self.notes.append(f"{label(keyword)} cannot be understood: not used")


def _parts(raw: bytes) -> list[str]:
    """The values of a decimal or integer string; an empty one among several is none."""
    text = raw.decode("ascii").strip("\0 ")
    if text and "_" in text:
        raise ValueError
    return text.split("\\") if text else []
