"""A data set from a file that may be anything: bounded in size, and every failure a StudyError."""

from __future__ import annotations

import logging
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from os import PathLike
from pathlib import Path

from pydicom import dcmread
from pydicom.charset import default_encoding
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filereader import read_dataset as read_items
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian

from cohortlib.errors import StudyError, study_error

#: Largest file and largest inflated file that is read [bytes]; a 43 cm film at 0.1 mm has 40 million.
LARGEST_FILE_BYTES = 256 * 1024**2

_EXPORT_AGAIN = "Export the image again from the archive as a DICOM file"
_MAGIC = slice(128, 132)


@contextmanager
def guarded(name: str) -> Iterator[None]:
    """Make every exception of a decoder or parser a `StudyError` that names the file."""
    try:
        yield
    except StudyError:
        raise
    except Exception as error:
        reason = " ".join(str(error).split())[:200]
        raise study_error(
            file=name,
            column="DICOM",
            found=f"bytes that cannot be read ({type(error).__name__}: {reason})",
            expected="a whole file that follows the DICOM standard",
            remedy=_EXPORT_AGAIN,
        ) from error


def _nothing(_: logging.LogRecord) -> bool:
    return False


@contextmanager
def warnings_noted(notes: list[str]) -> Iterator[None]:
    """Add what pydicom warns of to `notes`; other warnings are passed on.

    pydicom logs its warnings too, with the values they are about: names and numbers of patients. They
    are kept out of every log.
    """
    log = logging.getLogger("pydicom")
    log.addFilter(_nothing)
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            yield
    finally:
        log.removeFilter(_nothing)
    for warning in caught:
        text = "header or pixel data: " + " ".join(str(warning.message).split())[:200]
        if not issubclass(warning.category, UserWarning):
            warnings.warn_explicit(warning.message, warning.category, warning.filename, warning.lineno)
        elif text not in notes:
            notes.append(text)


def read_dataset(path: str | PathLike[str], *, name: str) -> Dataset:
    """The data set of a DICOM file, with pixel data still encoded.

    Parameters
    ----------
    path
        The file.
    name
        File name for messages.

    Raises
    ------
    StudyError
        If the path is no readable file, the file is too large, is not DICOM or was cut short.
    """
    return parsed_dataset(read_content(Path(path), name=name), name=name)


def parsed_dataset(content: bytes, *, name: str) -> Dataset:
    """The data set in the bytes of a DICOM file, with pixel data still encoded.

    Raises
    ------
    StudyError
        If they are not DICOM or were cut short.
    """
    if content[_MAGIC] != b"DICM":
        raise study_error(
            file=name,
            column="DICM at byte 128",
            found="no DICOM file header",
            expected="a DICOM file (PS3.10)",
            remedy=_EXPORT_AGAIN,
        )
    with guarded(name), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        stream = BytesIO(content[_MAGIC.stop :])
        meta = read_items(stream, False, True, stop_when=lambda tag, *_: tag >> 16 != 2)
        if meta.get("TransferSyntaxUID") == DeflatedExplicitVRLittleEndian:
            dataset = _inflated(stream.read(), name)
            dataset.file_meta = FileMetaDataset(meta)
            dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        else:
            dataset = dcmread(BytesIO(content))
    for warning in caught:
        if "End of file reached" in str(warning.message):
            raise _cut_short(name)
        warnings.warn_explicit(warning.message, warning.category, warning.filename, warning.lineno)
    return dataset


def read_content(path: Path, *, name: str) -> bytes:
    """The bytes of a regular file that is not too large.

    Raises
    ------
    StudyError
        If the path is no readable file, or the file is too large.
    """
    try:
        if not path.exists():
            found = "no such file"
        elif not path.is_file():
            found = "a folder" if path.is_dir() else "something that is not a file"
        elif (size := path.stat().st_size) > LARGEST_FILE_BYTES:
            found = f"a file of {size / 1024**2:.0f} MB"
        else:
            with path.open("rb") as stream:
                return stream.read(size)
    except (OSError, ValueError) as error:
        found = f"a file that cannot be opened ({getattr(error, 'strerror', None) or error})"
    raise study_error(
        file=name,
        column="path",
        found=found,
        expected=f"a readable DICOM file of at most {LARGEST_FILE_BYTES / 1024**2:.0f} MB",
        remedy="Correct the path or the permission of the file",
    )


def _inflated(packed: bytes, name: str) -> Dataset:
    """The data set of a deflated file, which may claim to be larger than any film."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    body = inflater.decompress(packed, LARGEST_FILE_BYTES)
    if inflater.unconsumed_tail:
        raise study_error(
            file=name,
            column="Transfer Syntax UID (0002,0010)",
            found="deflated data that unpack to more than any radiograph",
            expected=f"at most {LARGEST_FILE_BYTES / 1024**2:.0f} MB",
            remedy=_EXPORT_AGAIN,
        )
    if not inflater.eof:
        raise _cut_short(name)
    dataset = read_items(BytesIO(body), False, True)
    dataset.set_original_encoding(False, True, default_encoding)
    return dataset


def _cut_short(name: str) -> StudyError:
    return study_error(
        file=name,
        column="end of file",
        found="a file that was cut short",
        expected="the whole file",
        remedy="Copy or export the image again",
    )
