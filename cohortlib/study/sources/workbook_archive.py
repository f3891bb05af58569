"""Whether the bytes of a workbook are a sound archive, looked at before anything is unpacked."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from typing import Any

from cohortlib.errors import problem
from cohortlib.study.grouping import shown

#: Limits against an archive that is small only as long as it is packed: parts, and bytes unpacked.
MOST_PARTS = 1000
LARGEST_UNPACKED_BYTES = 2**29
LARGEST_TEXTS_BYTES = 2**27
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
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
        except (NotImplementedError, RuntimeError) as error:  # another compression, or encrypted parts
            found = f"a part that cannot be unpacked ({shown(str(error))})"
    return [problem(file=file, found=found, expected=expected, remedy=remedy)] if found else []


def _wrong_part(archive: zipfile.ZipFile) -> str:
    parts = archive.infolist()
    names = [part.filename for part in parts]
    if len(parts) > MOST_PARTS:
        return f"{len(parts)} parts, more than {MOST_PARTS}"
    if len(set(names)) < len(names):
        return "two parts of the same name"
    # The sizes are those that the archive declares; more is never unpacked, and less is reported as damage.
    size = sum(part.file_size for part in parts)
    if size > LARGEST_UNPACKED_BYTES:
        return f"{size} bytes unpacked, more than {LARGEST_UNPACKED_BYTES}"
    for part in parts:
        steps = re.split(r"[/\\]", part.filename)
        if part.filename.startswith(("/", "\\")) or ".." in steps or ":" in part.filename:
            return f"a part named {shown(part.filename)!r}, outside the workbook"
        if part.filename.lower().endswith("sharedstrings.xml") and part.file_size > LARGEST_TEXTS_BYTES:
            return f"{part.file_size} bytes of texts, more than {LARGEST_TEXTS_BYTES}"
    if "[Content_Types].xml" not in names or not any(name.startswith("xl/") for name in names):
        return "an archive that holds no workbook"
    for part in parts:
        if part.filename.lower().endswith((".xml", ".rels")):
            content = archive.read(part)
            if _DECLARATION.search(content) or b"\0" in content:
                return f"a part with declarations of its own ({shown(part.filename)})"
    return ""


def sheet_marks(data: bytes, path: str) -> tuple[bool, bool]:
    """Whether a sheet of a sound workbook has formulas, and whether it has merged cells."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        try:
            content = archive.read(path.lstrip("/"))
        except KeyError:
            return True, False
    formulas = re.search(rb"<(?:\w+:)?f[\s/>]", content) is not None
    return formulas, re.search(rb"<(?:\w+:)?mergeCell[\s/>]", content) is not None
