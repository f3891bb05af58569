"""Whether the bytes of a workbook are a sound archive, looked at before anything is unpacked."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from typing import Any

from cohortlib.errors import problem
from cohortlib.study.grouping import shown

#: Limits against an archive that is small only as long as it is packed: parts, bytes unpacked, and how
#: many times the packed ones they may be from a size on that matters (tables take a tenth or more).
MOST_PARTS = 1000
LARGEST_UNPACKED_BYTES = 2**29
LARGEST_TEXTS_BYTES = 2**27
MOST_TIMES_PACKED, MATTERS_FROM_BYTES = 100, 2**24
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
#: The bit of a part that is encrypted (APPNOTE of the ZIP format, 4.4.4).
_LOCKED = 1
_SAVE = "Open the file in the spreadsheet program and save it as .xlsx"
#: A declaration by which a few bytes of XML may stand for very many, or for another file.
_DECLARATION = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.IGNORECASE)


def archive_problems(data: bytes, *, file: str) -> list[dict[str, Any]]:
    """At most one problem: what is no workbook, is locked, or would unpack to something else."""
    expected, remedy = "an .xlsx workbook", _SAVE
    if data.startswith(_OLD_OR_LOCKED):
        found = "a workbook that is locked by a password, or of the old kind .xls"
        remedy = f"{_SAVE}, without a password"
    else:
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                found = _wrong_part(archive)
        except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, OverflowError) as error:
            found = f"a damaged file ({shown(str(error))})"
        except (NotImplementedError, RuntimeError) as error:  # another compression
            found = f"a part that cannot be unpacked ({shown(str(error))})"
    return [problem(file=file, found=found, expected=expected, remedy=remedy)] if found else []


def _wrong_part(archive: zipfile.ZipFile) -> str:
    parts = archive.infolist()
    names = [part.filename for part in parts]
    if any(part.flag_bits & _LOCKED for part in parts):
        return "a part that is locked by a password"
    if len(parts) > MOST_PARTS:
        return f"{len(parts)} parts, more than {MOST_PARTS}"
    if len(set(names)) < len(names):
        return "two parts of the same name"
    # The sizes are those that the archive declares; more is never unpacked, and less is reported as damage.
    size = sum(part.file_size for part in parts)
    if size > LARGEST_UNPACKED_BYTES:
        return f"{size} bytes unpacked, more than {LARGEST_UNPACKED_BYTES}"
    if size > max(MATTERS_FROM_BYTES, MOST_TIMES_PACKED * sum(part.compress_size for part in parts)):
        return f"{size} bytes unpacked, more than {MOST_TIMES_PACKED} times the packed ones"
    for part in parts:
        steps = re.split(r"[/\\]", part.filename)
        if part.filename.startswith(("/", "\\")) or ".." in steps or ":" in part.filename:
            return f"a part named {shown(part.filename)!r}, outside the workbook"
        if part.filename.lower().endswith("sharedstrings.xml") and part.file_size > LARGEST_TEXTS_BYTES:
            return f"{part.file_size} bytes of texts, more than {LARGEST_TEXTS_BYTES}"
    if "[Content_Types].xml" not in names or not any(name.startswith("xl/") for name in names):
        return "an archive that holds no workbook"
    for part in parts:
        # Whatever its name, a part may be read as XML; and XML may have two bytes a letter.
        if _DECLARATION.search(archive.read(part).replace(b"\0", b"")):
            return f"a part with declarations of its own ({shown(part.filename)})"
    return ""
