"""Distinct texts among many byte ranges of a file, each looked at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cohortlib.study.sources.csv_records import Bytes, Fields, Places

#: Bytes that are compared at once …
_WORD = 8
#: … and so many words of them; what is longer is compared as a whole, one after the other.
_MOST_WORDS = 8
_MASKS = np.array([2 ** (8 * length) - 1 for length in range(_WORD + 1)], dtype=np.uint64)
#: So short that all there can be are counted in a table.
_SHORT = 2
#: Runs are made use of from so many equal values in a row on, in the mean.
_LONG_RUN = 4
#: Ranges looked at together: few enough to stay in the processor's memory.
_PIECE = 2**13
#: Columns looked at together: few enough for a wide file to need little memory.
_TOGETHER = 8


def distinct_fields(
    text: Bytes, fields: Fields, places: Sequence[int]
) -> Iterator[tuple[NDArray[np.intp], list[bytes]]]:
    """For each column which fields hold the same bytes, and what they hold.

    Parameters
    ----------
    text
        Bytes without NUL in the fields.
    fields
        From `record_fields`.
    places
        Numbers of the columns.

    Yields
    ------
    codes : (n,)
        Number of the content, from 0.
    contents : list of bytes
        Each once.

    Notes
    -----
    Eight bytes at a time are read as one number and the numbers are counted, so that no text object is
    made for a cell. Without NUL bytes a shorter text differs from a longer one in its last number.
    """
    if len(text) < _WORD:
        text = np.append(text, np.zeros(_WORD, dtype=np.uint8))
    words = np.ndarray(len(text) - _WORD + 1, dtype="<u8", buffer=text, strides=(1,))
    for begin in range(0, len(places), _TOGETHER):
        together = places[begin : begin + _TOGETHER]
        first, longest = _first_words(words, fields, together)
        for place, number, most in zip(together, first, longest, strict=True):
            yield _distinct(text, words, fields, place, number, most)


def _first_words(
    words: NDArray[np.uint64], fields: Fields, places: Sequence[int]
) -> tuple[NDArray[np.uint64], list[int]]:
    """The first eight bytes of the fields of some columns, and the length of the longest of each."""
    first = np.empty((len(places), len(fields.start)), dtype=np.uint64)
    longest = [0] * len(places)
    for begin in range(0, len(fields.start), _PIECE):
        rows = slice(begin, begin + _PIECE)  # a piece of the file is looked at for all columns at once
        for number, place in enumerate(places):
            start, end = fields.column(place, rows)
            length = end - start
            longest[number] = max(longest[number], int(length.max()))
            first[number, rows] = _words_at(words, start, length)
    return first, longest


def _words_at(words: NDArray[np.uint64], start: Places, length: Places) -> NDArray[np.uint64]:
    """The first eight bytes of each range, zero behind its end; the ranges follow each other."""
    last = len(words) - 1
    if len(start) and start[-1] > last:
        # The end of the file: the last whole word, without the bytes that stand before the range.
        before = np.maximum(start - last, 0).astype(np.uint64) * np.uint64(8)
        word = np.where(start - last < _WORD, words[np.minimum(start, last)] >> before, np.uint64(0))
    else:
        word = words[start]
    least, most = min(int(length.min(initial=_WORD)), _WORD), min(int(length.max(initial=0)), _WORD)
    return word & (_MASKS[most] if least == most else _MASKS[np.minimum(length, _WORD)])


def _distinct(
    text: Bytes,
    words: NDArray[np.uint64],
    fields: Fields,
    place: int,
    first: NDArray[np.uint64],
    longest: int,
) -> tuple[NDArray[np.intp], list[bytes]]:
    distinct: NDArray[Any]
    if longest <= _SHORT:
        codes, distinct = _counted(first.astype(np.uint16))
    else:
        codes, distinct = _numbered(first)
    if longest <= _WORD:
        return codes, distinct.astype("<u8").view(f"S{_WORD}").tolist()  # without the NUL behind the end
    start, end = fields.column(place)
    length = end - start
    count = len(distinct)
    for done in range(_WORD, min(longest, _WORD * _MOST_WORDS), _WORD):
        rows = np.flatnonzero(length > done)
        further, distinct = _numbered(_words_at(words, start[rows] + done, length[rows] - done))
        longer, distinct = _numbered(codes[rows] * len(distinct) + further)
        codes[rows] = count + longer
        count += len(distinct)
    if longest > _WORD * _MOST_WORDS:
        rows = np.flatnonzero(length > _WORD * _MOST_WORDS)
        longer, distinct = pd.factorize(_contents(text, start[rows], end[rows]))
        codes[rows] = count + longer
    codes, distinct = _numbered(codes)
    where = np.empty(len(distinct), dtype=np.int64)
    where[codes] = np.arange(len(codes))
    return codes, list(_contents(text, start[where], end[where]))


def _numbered(values: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[Any]]:
    """As `factorize`; where equal values follow each other, each run of them is looked at once."""
    heads = np.flatnonzero(values[1:] != values[:-1]) + 1
    if len(heads) > len(values) // _LONG_RUN:
        return pd.factorize(values)
    heads = np.concatenate([[0], heads]) if len(values) else heads
    codes, distinct = pd.factorize(values[heads])
    return np.repeat(codes, np.diff(heads, append=len(values))), distinct


def _counted(values: NDArray[np.uint16]) -> tuple[NDArray[np.intp], NDArray[np.uint16]]:
    """As `factorize`, by a table of all there can be."""
    there = np.zeros(2**16, dtype=bool)
    there[values] = True
    return (np.cumsum(there) - 1)[values], np.flatnonzero(there).astype(np.uint16)


def _contents(text: Bytes, start: Places, end: Places) -> NDArray[np.object_]:
    contents = np.empty(len(start), dtype=object)
    contents[:] = [text[a:b].tobytes() for a, b in zip(start.tolist(), end.tolist(), strict=True)]
    return contents
