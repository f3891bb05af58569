"""Where the records and the fields of a CSV file begin and end, and stray quotation marks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
#: Byte places; 32 bits are enough for the largest file that is read.
Places = NDArray[np.int32]

_QUOTE, _LINE_FEED, _RETURN = 34, 10, 13
#: Bytes looked at together: few enough to stay in the processor's memory.
_PIECE = 2**16


class Records(NamedTuple):
    """The structure of a file; record 1 is the header, and a spreadsheet counts the same way.

    Attributes
    ----------
    start, end : (n,)
        Byte places; `end` is behind the line break.
    fields : (n,)
        Number of fields.
    cuts : (sum of fields,)
        Byte places where the fields end, one record after the other: of separators and line breaks.
    stray_quote
        Byte place of the first quotation mark that neither opens nor closes a cell, or None.
    returns
        Whether there are returns, which may belong to line breaks.
    """

    start: Places
    end: Places
    fields: Places
    cuts: Places
    stray_quote: int | None
    returns: bool

    def line(self, place: int) -> int:
        """The line, as a spreadsheet shows it, that holds a byte place."""
        return int(np.searchsorted(self.start, place, side="right"))


def csv_records(data: bytes, *, end: int, separator: str) -> Records:
    """Records of CSV bytes (RFC 4180: a quoted cell may hold separators and line breaks).

    Parameters
    ----------
    data
        The file.
    end
        The bytes before this place are looked at, at least one.
    separator
        One character of ASCII.

    Notes
    -----
    Behind an odd number of quotation marks the text is inside a quoted cell; so one cumulative count
    tells which separators and line breaks separate anything. What follows a stray mark is not reliable.
    """
    text = np.frombuffer(data, dtype=np.uint8, count=end)
    mark, stray = ord(separator), None
    returns = data.find(b"\r", 0, end) >= 0
    if data.find(b'"', 0, end) < 0 and not (returns and _has_lone_return(text)):
        cuts, feeds = _plain_cuts(text, mark)
        first = data.find(b"\n", 0, end)
        width = len(cuts) if first < 0 else int(np.searchsorted(cuts, first)) + 1
        if _is_regular(text, cuts, feeds, width):
            ends = cuts[width - 1 :: width]
            fields = np.full(len(ends), width, dtype=np.int32)
        else:
            ends, fields = _ends(cuts, np.flatnonzero(_are_feeds(text, cuts)))
    else:
        cuts, breaks, stray = _cuts_outside_quotes(text, mark)
        ends, fields = _ends(cuts, breaks)
    after = np.minimum(ends + np.int32(1), np.int32(len(text)))
    start = np.concatenate([np.zeros(1, dtype=np.int32), after[:-1]])
    return Records(start, after, fields, cuts, stray, returns)


def _ends(cuts: Places, breaks: NDArray[np.intp]) -> tuple[Places, Places]:
    """Places where the records end, and their numbers of fields."""
    return cuts[breaks], np.diff(breaks, prepend=-1).astype(np.int32)


class Fields(NamedTuple):
    """Where the fields of n records of the same width begin and end, quotation marks included.

    Attributes
    ----------
    start : (n,)
        Byte places of the first fields.
    cuts : (n, width)
        Byte places behind all fields.
    last : (n,)
        Byte places behind the last fields, which may have a return before the line break.
    """

    start: Places
    cuts: Places
    last: Places

    def column(self, place: int, rows: slice = slice(None)) -> tuple[Places, Places]:
        """Begin and end of the fields of one column."""
        start = self.cuts[rows, place - 1] + np.int32(1) if place else self.start[rows]
        return start, self.cuts[rows, place] if place + 1 < self.cuts.shape[1] else self.last[rows]


def record_fields(text: Bytes, records: Records, kept: NDArray[np.bool_], width: int) -> Fields:
    """The fields of the records kept.

    Parameters
    ----------
    text, records
        As in and from `csv_records`.
    kept : (n,)
        Records with `width` fields each.
    """
    whole = bool(np.all(records.fields == width))
    begin = 0 if kept[0] else 1
    if whole and kept[begin:].all():  # all but perhaps the header: nothing is copied
        start, cuts = records.start[begin:], records.cuts.reshape(-1, width)[begin:]
    else:
        of_kept = kept if whole else np.repeat(kept, records.fields)
        rows = records.cuts.reshape(-1, width) if whole else records.cuts
        start, cuts = records.start[kept], rows[of_kept].reshape(-1, width)
    last = cuts[:, -1]
    if records.returns:
        # A return followed by a line feed is one line break; neither belongs to the field.
        at_feed = text[np.minimum(last, len(text) - 1)] == _LINE_FEED
        at_feed &= (last > 0) & (last < len(text))
        last = last - (at_feed & (text[last - 1] == _RETURN))
    return Fields(start, cuts, last)


def _plain_cuts(text: Bytes, mark: int) -> tuple[Places, int]:
    """Places of separators, line feeds and the end, and the number of feeds, where no other mark counts."""
    cuts, feeds = [], 0
    for begin in range(0, len(text), _PIECE):
        piece = text[begin : begin + _PIECE]
        is_feed = piece == _LINE_FEED
        feeds += int(np.count_nonzero(is_feed))
        cuts.append((np.flatnonzero((piece == mark) | is_feed) + begin).astype(np.int32))
    if text[-1] != _LINE_FEED:
        cuts.append(np.array([len(text)], dtype=np.int32))  # the last line has no line break
    return np.concatenate(cuts), feeds


def _are_feeds(text: Bytes, cuts: Places) -> NDArray[np.bool_]:
    """Which places end a line, by a line feed or the end of the text."""
    return (cuts == len(text)) | (text[np.minimum(cuts, len(text) - 1)] == _LINE_FEED)


def _is_regular(text: Bytes, cuts: Places, feeds: int, width: int) -> bool:
    """Whether all lines have as many fields as the first: then few bytes are looked at again."""
    ends = cuts[width - 1 :: width]
    lines = feeds + (text[-1] != _LINE_FEED)
    return len(cuts) == width * lines and bool(_are_feeds(text, ends).all())


def _has_lone_return(text: Bytes) -> bool:
    """Whether a return has no line feed behind it."""
    for begin in range(0, len(text), _PIECE):
        is_return = text[begin : begin + _PIECE] == _RETURN
        # A return at the end of a piece is looked at together with what follows.
        followed = text[begin + 1 : begin + 1 + len(is_return)] == _LINE_FEED
        if (is_return[: len(followed)] & ~followed).any() or is_return[len(followed) :].any():
            return True
    return False


def _cuts_outside_quotes(text: Bytes, mark: int) -> tuple[Places, NDArray[np.intp], int | None]:
    """Places that end a field, which of them end a record, and the first stray mark."""
    special = np.zeros(256, dtype=bool)
    special[[_QUOTE, _LINE_FEED, _RETURN, mark]] = True
    places = np.flatnonzero(special[text])
    kinds = text[places]
    quotes = kinds == _QUOTE
    inside = np.cumsum(quotes) % 2 == 1
    follows = np.append(text, np.uint8(0))[places + 1]
    is_break = (kinds == _LINE_FEED) | ((kinds == _RETURN) & (follows != _LINE_FEED))
    is_cut = ~inside & (is_break | (kinds == mark))
    cuts, breaks = places[is_cut].astype(np.int32), np.flatnonzero(is_break[is_cut])
    if len(cuts) == 0 or cuts[-1] < len(text) - 1 or len(breaks) == 0 or breaks[-1] < len(cuts) - 1:
        # The last line has no line break.
        cuts, breaks = np.append(cuts, np.int32(len(text))), np.append(breaks, len(cuts))
    return cuts, breaks, _stray_quote(text, places[quotes], special)


def _stray_quote(text: Bytes, quotes: NDArray[np.int64], edge: NDArray[np.bool_]) -> int | None:
    """First mark that does not stand at the edge of a cell (`edge`: marks, separators, line breaks)."""
    if len(quotes) == 0:
        return None
    padded = np.concatenate([[_LINE_FEED], text, [_LINE_FEED]]).astype(np.uint8)
    opening, closing = quotes[::2], quotes[1::2]
    wrong = np.concatenate([opening[~edge[padded[opening]]], closing[~edge[padded[closing + 2]]]])
    if len(opening) > len(closing):
        wrong = np.append(wrong, opening[-1])
    return int(wrong.min()) if len(wrong) else None
