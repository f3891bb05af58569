"""What is refused, in which words, and before any memory is taken."""

import os
import tracemalloc
import zlib
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from dx_writer import film_bytes
from PIL import Image
from pydicom.uid import (
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    HTJ2KLossless,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    RLELossless,
    SecondaryCaptureImageStorage,
)

from cohortlib.dicom import opening, read_display_window, read_radiograph
from cohortlib.errors import StudyError

PIXELS = np.arange(64 * 48, dtype=np.uint16).reshape(64, 48)
SMALL = np.zeros((8, 8), np.uint8)


def encoded(kind, **options):
    stream = BytesIO()
    Image.fromarray((PIXELS % 256).astype(np.uint8)).save(stream, kind, **options)
    return stream.getvalue()


# by hand


def test_name_for_messages(tmp_path, film):
    path = film(PIXELS, NumberOfFrames=3)
    with pytest.raises(StudyError, match=r"^film\.dcm, Number of Frames"):
        read_radiograph(path)
    with pytest.raises(StudyError, match=r"^images/P001\.dcm, Number of Frames"):
        read_radiograph(path, name="images/P001.dcm")
    assert read_radiograph(film(PIXELS), name="images/P001.dcm").name == "images/P001.dcm"
    assert str(tmp_path) not in read_radiograph(str(film(PIXELS))).name


def test_all_problems_of_the_pixels_are_told_at_once(film):
    path = film(PIXELS, NumberOfFrames=3, PhotometricInterpretation="RGB", SamplesPerPixel=3)
    with pytest.raises(StudyError) as caught:
        read_radiograph(path)
    assert caught.value.problems["column"].tolist() == [
        "Photometric Interpretation (0028,0004)",
        "Samples per Pixel (0028,0002)",
        "Number of Frames (0028,0008)",
    ]


def test_a_single_frame_said_explicitly_is_read(film):
    assert read_radiograph(film(PIXELS, NumberOfFrames=1)).pixels.shape == (64, 48)


def test_warnings_of_the_parser_become_a_note(film):
    path = film(PIXELS)
    path.write_bytes(
        path.read_bytes().replace(b"\xe0\x7f\x10\x00OW\0\0\x00\x18", b"\xe0\x7f\x10\x00OW\0\0\x02\x18")
        + b"\0\0"
    )
    read = read_radiograph(path)
    assert "header or pixel data: The pixel data is 6146 bytes long" in read.note
    assert read.pixels.tolist() == PIXELS.tolist()


# by failure: the file


def test_paths_that_are_no_file(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    table = [
        (tmp_path / "nothing.dcm", "found no such file"),
        (tmp_path, "found a folder"),
        (tmp_path / "pipe", "found something that is not a file"),
        ("a\0b", "found no such file"),
    ]
    for path, match in table:
        for read in (read_radiograph, read_display_window):
            with pytest.raises(StudyError, match=match):
                read(path)


def test_file_without_permission(film, monkeypatch):
    path = film(PIXELS)

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(StudyError, match=r"cannot be opened \(Permission denied\)"):
        read_radiograph(path)


def test_file_larger_than_any_film(tmp_path):
    path = tmp_path / "large.dcm"
    with path.open("wb") as stream:
        stream.truncate(opening.LARGEST_FILE_BYTES + 1)
    with pytest.raises(StudyError, match="found a file of 256 MB"):
        read_radiograph(path)


@pytest.mark.parametrize(
    "content", [b"", b"x", b"x" * 5000, b"\0" * 128 + b"DICN", b"%PDF-1.4" + b"\0" * 200]
)
def test_not_dicom(tmp_path, content):
    path = tmp_path / "film.dcm"
    path.write_bytes(content)
    with pytest.raises(StudyError, match="found no DICOM file header"):
        read_radiograph(path)


def test_cut_at_every_place(tmp_path):
    content = film_bytes(PIXELS)
    path = tmp_path / "film.dcm"
    for length in (*range(0, 900, 7), len(content) // 2, len(content) - 2):
        path.write_bytes(content[:length])
        with pytest.raises(StudyError):
            read_radiograph(path)
    with pytest.raises(StudyError, match=r"found 6142 bytes for 64 rows of 48 pixels. Expected 6144 bytes"):
        read_radiograph(path)


@pytest.mark.parametrize(
    ("syntax", "frame"),
    [
        (JPEG2000Lossless, encoded("JPEG2000", no_jp2=True)),
        (JPEGBaseline8Bit, encoded("JPEG")),
    ],
    ids=["jpeg 2000", "jpeg"],
)
def test_encoded_image_without_its_end(tmp_path, syntax, frame):
    pixels = np.zeros((64, 48), np.uint8)
    path = tmp_path / "film.dcm"
    path.write_bytes(film_bytes(pixels, syntax=syntax, encoded=frame))
    assert read_radiograph(path).pixels.shape == (64, 48)
    for length in (10, len(frame) // 2, len(frame) - 2):
        path.write_bytes(film_bytes(pixels, syntax=syntax, encoded=frame[: length - length % 2]))
        with pytest.raises(StudyError, match="an encoded image without its end"):
            read_radiograph(path)
    content = film_bytes(pixels, syntax=syntax, encoded=frame)
    path.write_bytes(content[:-20])
    with pytest.raises(StudyError, match="a file that was cut short"):
        read_radiograph(path)


def test_run_length_image_cut_short(tmp_path):
    stream = BytesIO(film_bytes(PIXELS))
    film = pydicom.dcmread(stream)
    film.compress(RLELossless)
    frame = pydicom.encaps.get_frame(film.PixelData, 0, number_of_frames=1)
    path = tmp_path / "film.dcm"
    for length in (60, len(frame) // 2, len(frame) - 40):
        path.write_bytes(film_bytes(PIXELS, syntax=RLELossless, encoded=frame[: length - length % 2]))
        with pytest.raises(StudyError, match="found bytes that cannot be read"):
            read_radiograph(path)


# by failure: what it holds

NOT_A_RADIOGRAPH = "Expected a radiograph: computed or digital radiography, or secondary capture"
TABLE = [
    ({"SOPClassUID": CTImageStorage}, f"found CT Image Storage. {NOT_A_RADIOGRAPH}"),
    ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.88.11"}, f"found Basic Text SR Storage. {NOT_A_RADIOGRAPH}"),
    ({"SOPClassUID": "1.2.3.4"}, r"SOP Class UID \(0008,0016\): found '1.2.3.4'"),
    (
        {"SOPClassUID": SecondaryCaptureImageStorage, "Modality": "CT"},
        r"Modality \(0008,0060\): found secondary capture of modality CT",
    ),
    ({"without": ("PixelData",)}, r"Pixel Data \(7FE0,0010\): found no pixel data"),
    ({"PhotometricInterpretation": "RGB", "SamplesPerPixel": 3}, "found 'RGB'. Expected a grey image"),
    ({"PhotometricInterpretation": "PALETTE COLOR"}, "found PALETTE COLOR"),
    ({"SamplesPerPixel": None}, r"Samples per Pixel \(0028,0002\): found no value"),
    ({"NumberOfFrames": 2}, r"Number of Frames \(0028,0008\): found '2'. Expected 1, a single film"),
    ({"NumberOfFrames": 0}, r"Number of Frames \(0028,0008\): found '0'"),
    ({"BitsAllocated": 32}, r"Bits Allocated \(0028,0100\): found '32'. Expected 8 or 16"),
    ({"BitsAllocated": 1}, "Bits Allocated"),
    ({"BitsStored": 17}, r"Bits Stored \(0028,0101\): found '17'"),
    ({"BitsStored": 1}, "Bits Stored"),
    ({"HighBit": 11}, r"High Bit \(0028,0102\): found '11'. Expected 15, one less than Bits Stored"),
    ({"PixelRepresentation": 2}, r"Pixel Representation \(0028,0103\): found '2'. Expected 0 or 1"),
    ({"Rows": 0}, r"Rows \(0028,0010\): found '0'. Expected a number of rows"),
    ({"Columns": None}, r"Columns \(0028,0011\): found no value"),
    ({"Rows": 65}, "found 6144 bytes for 65 rows of 48 pixels. Expected 6240 bytes"),
    ({"PixelData": b""}, r"Pixel Data \(7FE0,0010\): found no pixel data"),
]


@pytest.mark.parametrize(("elements", "match"), TABLE)
def test_refused_with_the_element_and_its_value(film, elements, match):
    path = film(PIXELS, **elements)
    with pytest.raises(StudyError, match=match):
        read_radiograph(path)


def test_encodings_without_a_decoder(tmp_path):
    path = tmp_path / "film.dcm"
    frame = encoded("JPEG2000", no_jp2=True)
    path.write_bytes(film_bytes(np.zeros((64, 48), np.uint8), syntax=HTJ2KLossless, encoded=frame))
    with pytest.raises(StudyError, match=r"found High-Throughput JPEG 2000.*Export the image uncompressed"):
        read_radiograph(path)


def test_coloured_image_under_a_grey_header(tmp_path):
    stream = BytesIO()
    Image.fromarray(np.zeros((64, 48, 3), np.uint8)).save(stream, "JPEG")
    path = tmp_path / "film.dcm"
    pixels = np.zeros((64, 48), np.uint8)
    for syntax in (JPEGBaseline8Bit, JPEGLosslessSV1):
        path.write_bytes(film_bytes(pixels, syntax=syntax, encoded=stream.getvalue()))
        with pytest.raises(StudyError, match="64 rows, 48 columns and 3 channels"):
            read_radiograph(path)
    stream = BytesIO()
    Image.fromarray(np.zeros((64, 48, 3), np.uint8)).save(stream, "JPEG2000", no_jp2=True)
    path.write_bytes(film_bytes(pixels, syntax=JPEG2000Lossless, encoded=stream.getvalue()))
    with pytest.raises(StudyError, match="64 rows, 48 columns and 3 channels"):
        read_radiograph(path)


def test_transfer_syntax_missing_or_unknown(tmp_path):
    content = film_bytes(PIXELS)
    path = tmp_path / "film.dcm"
    known = ExplicitVRLittleEndian.encode()
    for other in (b"", b"1.2.3.4", b"garbage"):
        path.write_bytes(content.replace(known + b"\0", other.ljust(len(known) + 1, b"\0")))
        with pytest.raises(StudyError):
            read_radiograph(path)


# by failure: claims that would take memory


def peak_bytes(path, match):
    tracemalloc.start()
    with pytest.raises(StudyError, match=match):
        read_radiograph(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


@pytest.mark.parametrize(
    ("size", "match"),
    [
        ((65535, 65535), "found '65535'. Expected 65535 columns x rows of at most 64000000 pixels"),
        ((8000, 8000), "found 64 bytes for 8000 rows of 8000 pixels"),
    ],
)
def test_huge_size_in_the_header(film, size, match):
    path = film(SMALL, Rows=size[0], Columns=size[1])
    assert peak_bytes(path, match) < 2_000_000


def test_huge_size_inside_the_encoded_image(tmp_path):
    path = tmp_path / "film.dcm"
    frame = bytearray(encoded("JPEG2000", no_jp2=True))
    frame[8:16] = (60000).to_bytes(4, "big") * 2  # marker SIZ: Xsiz, Ysiz
    path.write_bytes(film_bytes(np.zeros((64, 48), np.uint8), syntax=JPEG2000Lossless, encoded=bytes(frame)))
    assert peak_bytes(path, "an encoded image of 60000 rows, 60000 columns") < 2_000_000
    frame = bytearray(encoded("JPEG"))
    start = frame.index(b"\xff\xc0")
    frame[start + 5 : start + 9] = (60000).to_bytes(2, "big") * 2
    path.write_bytes(film_bytes(np.zeros((64, 48), np.uint8), syntax=JPEGBaseline8Bit, encoded=bytes(frame)))
    assert peak_bytes(path, "an encoded image of 60000 rows, 60000 columns") < 2_000_000


def test_huge_length_of_an_element(film):
    path = film(PIXELS)
    content = path.read_bytes()
    start = content.index(b"\xe0\x7f\x10\x00OW\0\0") + 8
    path.write_bytes(content[:start] + b"\xfe\xff\xff\xff" + content[start + 4 : start + 40])
    assert peak_bytes(path, "found 36 bytes") < 2_000_000


def test_deflated_file_that_unpacks_without_end(tmp_path, monkeypatch):
    content = film_bytes(PIXELS, syntax=DeflatedExplicitVRLittleEndian)
    path = tmp_path / "film.dcm"
    path.write_bytes(content)
    assert read_radiograph(path).pixels.tolist() == PIXELS.tolist()
    start = 144 + int.from_bytes(content[140:144], "little")
    deflater = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    path.write_bytes(content[:start] + deflater.compress(bytes(20_000_000)) + deflater.flush())
    monkeypatch.setattr(opening, "LARGEST_FILE_BYTES", 1_000_000)
    assert peak_bytes(path, "deflated data that unpack to more than any radiograph") < 5_000_000
    path.write_bytes(content[: start + 50])
    with pytest.raises(StudyError, match="a file that was cut short"):
        read_radiograph(path)


def test_sequences_nested_without_end(tmp_path, film):
    path = film(PIXELS)
    item = b"\x08\x00\x15\x11SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    start = 144 + int.from_bytes(path.read_bytes()[140:144], "little")
    path.write_bytes(path.read_bytes()[:start] + item * 20_000)
    with pytest.raises(StudyError):
        read_radiograph(path)
