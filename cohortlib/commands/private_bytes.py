"""What bytes are, whatever the file is called: DICOM, alone or packed with others, or the key."""

from __future__ import annotations

import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from io import BytesIO

from cohortlib.dicom.deidentification.key import KIND

#: So many bytes from the beginning of a file tell whether it is DICOM.
HEAD_BYTES = 132
_MOST_INFLATED_BYTES = 512 * 1024**2
_LONGEST_KEY_BEGIN = 200
#: The first elements of a data set without the header of a file: groups 2 and 8, as old programs write it.
_BARE = tuple(bytes([group, 0, element, 0]) for group in (2, 8) for element in (0, 1, 5, 8))
_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"


def head_is_dicom(head: bytes) -> bool:
    """Whether a file that begins so is DICOM."""
    return head[128:HEAD_BYTES] == b"DICM" or (len(head) == HEAD_BYTES and head.startswith(_BARE))


def holds_dicom(data: bytes) -> bool:
    """Whether a file is DICOM, or an archive of files with one in it."""
    return any(map(head_is_dicom, _heads(data)))


def is_key(data: bytes) -> bool:
    """Whether a file is a key that leads back to patients."""
    return f'"kind": "{KIND}"'.encode() in data[:_LONGEST_KEY_BEGIN]


def _heads(data: bytes) -> Iterator[bytes]:
    """How the file begins, and the files in it; what cannot be unpacked is left out."""
    yield data[:HEAD_BYTES]
    try:
        if data.startswith(_GZIP):
            data = zlib.decompressobj(zlib.MAX_WBITS | 32).decompress(data, _MOST_INFLATED_BYTES)
            yield data[:HEAD_BYTES]
        if data.startswith(_ZIP):
            yield from _in_zip(data)
        elif data[257:262] == b"ustar":
            yield from _in_tar(data)
    except Exception:  # a damaged or locked archive, or one of an unknown kind
        return


def _in_zip(data: bytes) -> Iterator[bytes]:
    with zipfile.ZipFile(BytesIO(data)) as archive:
        for member in archive.infolist():
            with archive.open(member) as file:
                yield file.read(HEAD_BYTES)


def _in_tar(data: bytes) -> Iterator[bytes]:
    with tarfile.open(fileobj=BytesIO(data), mode="r:") as archive:
        for member in archive:
            file = archive.extractfile(member) if member.isfile() else None
            if file is not None:
                yield file.read(HEAD_BYTES)
