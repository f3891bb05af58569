"""Where the records of a CSV file begin and end, how many fields each has, and stray quotation marks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_QUOTE, _LINE_FEED, _RETURN = 34, 10, 13


class Records(NamedTuple):
    """The structure of a file; record 1 is the header, and a spreadsheet counts the same way.

    Attributes
    ----------
    start, end : (n,)
        Byte places; `end` is behind the line break.
    fields : (n,)
        Number of fields.
    stray_quote
        Byte place of the first quotation mark that neither opens nor closes a cell, or None.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    fields: NDArray[np.int64]
    stray_quote: int | None

    def line(self, place: int) -> int:
        """The line, as a spreadsheet shows it, that holds a byte place."""
        return int(np.searchsorted(self.start, place, side="right"))


def csv_records(data: bytes, *, separator: str) -> Records:
    """Records of CSV bytes (RFC 4180: a quoted cell may hold separators and line breaks).

    Notes
    -----
    Behind an odd number of quotation marks the text is inside a quoted cell; so one cumulative count
    tells which separators and line breaks separate anything. What follows a stray mark is not reliable.
    """
    text = np.frombuffer(data, dtype=np.uint8)
    special = np.zeros(256, dtype=bool)
    special[[_QUOTE, _LINE_FEED, _RETURN, ord(separator)]] = True
    places = np.flatnonzero(special[text])
    kinds = text[places]
    padded = np.concatenate([[_LINE_FEED], text, [_LINE_FEED]]).astype(np.uint8) if len(text) else text

    quotes = kinds == _QUOTE
    inside = np.cumsum(quotes) % 2 == 1
    # A return followed by a line feed is one line break, and it ends with the line feed.
    lone_return = np.zeros(len(places), dtype=bool)
    returns = np.flatnonzero(kinds == _RETURN)
    lone_return[returns] = padded[places[returns] + 2] != _LINE_FEED
    if len(text) and text[-1] == _RETURN:
        lone_return[-1] = True
    breaks = ~inside & ((kinds == _LINE_FEED) | lone_return)
    separators = np.cumsum(~inside & (kinds == ord(separator)))

    end = places[breaks] + 1
    seen = separators[breaks]
    if len(text) and (len(end) == 0 or end[-1] < len(text)):
        end = np.append(end, len(text))
        seen = np.append(seen, separators[-1] if len(separators) else 0)
    start = np.concatenate([[0], end[:-1]]).astype(np.int64)
    fields = np.diff(seen, prepend=0) + 1
    return Records(start, end.astype(np.int64), fields, _stray_quote(padded, places[quotes], special))


def _stray_quote(padded: NDArray[np.uint8], quotes: NDArray[np.int64], edge: NDArray[np.bool_]) -> int | None:
    """First mark that does not stand at the edge of a cell (`edge`: marks, separators, line breaks)."""
    if len(quotes) == 0:
        return None
    opening, closing = quotes[::2], quotes[1::2]
    wrong = np.concatenate([opening[~edge[padded[opening]]], closing[~edge[padded[closing + 2]]]])
    if len(opening) > len(closing):
        wrong = np.append(wrong, opening[-1])
    return int(wrong.min()) if len(wrong) else None
