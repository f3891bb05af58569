"""Files as they arrive after an accident or with bad intent: bytes and cells changed by a seed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

#: Bytes that mean something to a reader of CSV, TOML or an archive.
PIECES = (
    b"\0", b'"', b"'", b",", b";", b"\t", b"\n", b"\r", b"\r\n", b"\xef\xbb\xbf", b"\xff\xfe", b"\xff",
    b"\xc3", b"\xed\xa0\x80", b"\xe2\x80\xae", b"=", b"=1+1", b"@SUM(A1)", b"[", b"]", b"[[visits]]",
    b"[files]", b"{", b"}", b"#", b"-", b"../../x", b"/", b"\\", b"1e999", b"9" * 400, b"0x" + b"f" * 4000,
    b"PK\x03\x04", b"nan", b"true",
)  # fmt: skip
#: The same for the parts of a workbook.
XML_PIECES = (
    b"<v>", b"</v>", b"</c>", b"<c>", b"<row>", b"<f>1+1</f>", b"<f>", b't="s"', b't="e"', b't="b"',
    b't="d"', b't="n"', b't="inlineStr"', b'r="A1"', b'r="C2"', b'r="XFD1048576"', b'r="ZZZZ9"', b'r="0"',
    b'r="-1"', b'r="99999999999"', b's="1"', b's="9999"', b"-1", b"1e999", b"nan", b"9" * 400, b"45000",
    b"&#0;", b"&lt;", b"&x;", b"<!DOCTYPE a>", b"<a>" * 200, b"<mergeCells><mergeCell/></mergeCells>",
    b"<sheetData/>", b"hidden", b"\0", b"\xff", b"", b"../../x", b"xl/media/x",
)  # fmt: skip
#: What may stand in a cell of a table.
CELLS = (
    b"", b" ", b"NA", b"nan", b"inf", b"-inf", b"-0", b"-1", b"0", b"1", b"1.5", b"1,5", b"1e5", b"1e999",
    b"1e-999", b"9" * 15, b"9" * 16, b"9" * 5000, b"999999999999.0", b"2030-02-30", b"0001-01-01",
    b"9999-12-31", b"2262-04-12", b"03/04/2026", b"3.4.26", b"2030-01-01T25:61:61Z",
    b"2030-01-01T00:00:00+99:99", b"45000", b"../../x", b"/etc/passwd", b"images/../../x", b"images\\x",
    b"file://x/y", b"images/" + b"x" * 300, b"x/" * 150 + b"x", b"=cmd|x", b"+1", b"@a", b'"a,b"',
    b'"a""b"', b'"a\nb"', b'"', b"a\0b", b"\xff", "ü".encode(), "٣".encode(), "\u202e".encode(),
    "\U0001f600".encode(), b"P01", b"P02", b"H01", b"I01", b"before", b"week_6", b"left", b"right",
    b"death", b"x" * 40_000,
)  # fmt: skip
#: What may stand behind a key of study.toml.
VALUES = (
    b"0", b"-1", b"1.5", b"nan", b"inf", b"-inf", b"1e308", b"9" * 400, b"9" * 5000, b"0x" + b"f" * 400,
    b"0x" + b"f" * 5000, b'""', b'" "', b'"x"', b'"../../x"', b'"\\u0000"', b'"\\u202e"', b"'''x\ny'''",
    b"true", b"false", b"[]", b"[[]]", b'["a", "a"]', b'["a", 1]', b"{}", b'{ a = "b" }',
    b'{ item = "x_{item}" }', b"{ a = { b = 1 } }", b"2032-12-31", b"0001-01-01", b"9999-12-31",
    b"2032-12-31T00:00:00Z", b"12:00:00", b"", b'"high is good"', b'"before"', b'"oxford_hip_score"',
    b'"day first"', b'"windows-1252"', b'";"', b'","',
)  # fmt: skip


def damaged(
    rng: np.random.Generator, content: bytes, *, other: bytes = b"", pieces: tuple[bytes, ...] = PIECES
) -> bytes:
    """Bytes with one to four places changed: flipped, cut out, doubled, or with a piece put in or over.

    Parameters
    ----------
    other
        Another file, of which a part may be put in.
    """
    for _ in range(int(rng.integers(1, 5))):
        place = int(rng.integers(0, len(content) + 1))
        length = int(rng.choice([1, 1, 2, 3, 10, 40, 400]))
        part = content[place : place + length]
        piece = pieces[rng.integers(len(pieces))]
        if rng.random() < 0.2 and other:
            start = int(rng.integers(0, len(other)))
            piece = other[start : start + length]
        part = (
            bytes(byte ^ (1 << int(rng.integers(8))) for byte in part[:3]) + part[3:],
            b"",
            part + part,
            piece + part,
            piece,
        )[rng.integers(5)]
        content = content[:place] + part + content[place + length :]
    return content[: rng.integers(0, len(content) + 1)] if rng.random() < 0.05 else content


def with_other_cells(rng: np.random.Generator, content: bytes) -> bytes:
    """A CSV file with one to three of its cells, lines or columns changed."""
    for _ in range(int(rng.integers(1, 4))):
        lines = content.split(b"\n")
        row = int(rng.integers(0, len(lines)))
        fields = lines[row].split(b",")
        place = int(rng.integers(0, len(fields)))
        kind = rng.integers(8)
        if kind < 4:
            fields[place] = CELLS[rng.integers(len(CELLS))]
            lines[row] = b",".join(fields)
        elif kind == 4:  # a whole column, the heading with it or not
            cell, first = CELLS[rng.integers(len(CELLS))], int(rng.integers(0, 2))
            for number in range(first, len(lines)):
                cells = lines[number].split(b",")
                if place < len(cells) > 1:
                    cells[place] = cell
                    lines[number] = b",".join(cells)
        elif kind == 5:
            lines.insert(row, lines[int(rng.integers(0, len(lines)))])
        elif kind == 6:
            del lines[row]
        else:
            lines = [b",".join(line.split(b",")[: place + 1]) for line in lines]
        content = b"\n".join(lines)
    return content


def with_other_values(rng: np.random.Generator, content: bytes) -> bytes:
    """A TOML file with one to three of its values or lines changed."""
    for _ in range(int(rng.integers(1, 4))):
        lines = content.split(b"\n")
        row = int(rng.integers(0, len(lines)))
        kind = rng.integers(6)
        if kind < 4:
            keys = [number for number, line in enumerate(lines) if b" = " in line]
            if keys:
                row = keys[rng.integers(len(keys))]
                key, _, _ = lines[row].partition(b" = ")
                lines[row] = key + b" = " + VALUES[rng.integers(len(VALUES))]
        elif kind == 4:
            lines.insert(row, lines[int(rng.integers(0, len(lines)))])
        else:
            del lines[row]
        content = b"\n".join(lines)
    return content


def anyhow(
    rng: np.random.Generator, content: bytes, *, sensible: Callable[[np.random.Generator, bytes], bytes]
) -> bytes:
    """Bytes damaged blindly, or with a part of their kind changed, or both."""
    kind = rng.integers(4)
    if kind > 0:
        content = sensible(rng, content)
    if kind < 2:
        content = damaged(rng, content, other=content)
    return content
