"""Which letters the bytes of a file mean: UTF-8, or Windows-1252 where study.toml declares it."""

from __future__ import annotations

from typing import Any

from cohortlib.errors import problem

_UTF8_MARK = b"\xef\xbb\xbf"
SAVE_AS_UTF8 = (
    "Save the file as 'CSV UTF-8'; if all tables are Windows text, write encoding = \"windows-1252\" "
    "under [files] in study.toml"
)


def utf8_text(data: bytes, *, file: str, encoding: str) -> tuple[bytes, list[dict[str, Any]]]:
    """The text as UTF-8 bytes without mark, and at most one problem.

    Bytes that are no UTF-8 in a file declared so stay: they are reported later, cell by cell.
    """
    if data.startswith(_UTF8_MARK):  # the file says itself what it is
        data, encoding = data[len(_UTF8_MARK) :], "utf-8"
    found, place, expected, remedy = "", 0, f"{encoding} text", SAVE_AS_UTF8
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        found = "UTF-16 text"
    elif b"\0" in data:
        found, place = "a NUL byte", data.index(b"\0")
        remedy = "Export the table again as CSV; this is no text file, or it is damaged"
    elif encoding != "utf-8":
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError as error:
            found, place = f"byte {data[error.start]:#04x}, which is no letter", error.start
        else:
            if data.isascii() or not is_utf8(data):
                return text.encode("utf-8"), []
            found, expected = "UTF-8 text", f"{encoding} text, as [files] in study.toml says"
            remedy = "Save all tables in one encoding and declare that one"
    if not found:
        return data, []
    line = data[:place].count(b"\n") + 1
    return data, [problem(file=file, line=line, found=found, expected=expected, remedy=remedy)]


def is_utf8(data: bytes) -> bool:
    """Whether the bytes are UTF-8 text."""
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
