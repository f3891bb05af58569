"""Grey values: what is stored, how it is transformed, and which end is dense."""

from io import BytesIO

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from dx_writer import film_bytes, table_item
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
)

from cohortlib.dicom import read_radiograph
from cohortlib.errors import StudyError

FOUR = np.array([[0, 1], [2, 4095]], np.uint16)
SIGNED = np.array([[-2048, -1], [0, 2047]], np.int16)


# by hand


def test_monochrome2_is_kept_and_is_float32(film):
    read = read_radiograph(film(FOUR, BitsStored=12))
    assert read.pixels.dtype == np.float32
    assert read.pixels.tolist() == [[0, 1], [2, 4095]]
    assert (read.photometric, read.name, read.note) == ("MONOCHROME2", "film.dcm", "")


def test_monochrome1_is_turned_round_in_the_range_of_the_stored_bits(film):
    read = read_radiograph(film(FOUR, BitsStored=12, PhotometricInterpretation="MONOCHROME1"))
    assert read.pixels.tolist() == [[4095, 4094], [4093, 0]]
    assert read.photometric == "MONOCHROME1"


def test_signed_monochrome1(film):
    read = read_radiograph(film(SIGNED, BitsStored=12, PhotometricInterpretation="MONOCHROME1"))
    assert read.pixels.tolist() == [[2047, 0], [-1, -2048]]


def test_garbage_above_the_stored_bits_is_removed(film):
    unsigned = FOUR | np.uint16(0xA000)
    signed = (SIGNED.view(np.uint16) & 0x0FFF | 0x5000).view(np.int16)
    assert read_radiograph(film(unsigned, BitsStored=12)).pixels.tolist() == [[0, 1], [2, 4095]]
    assert read_radiograph(film(signed, BitsStored=12)).pixels.tolist() == [[-2048, -1], [0, 2047]]


def test_eight_bits_and_an_odd_number_of_bytes(film):
    pixels = np.array([[0, 128, 255]], np.uint8)
    assert read_radiograph(film(pixels)).pixels.tolist() == [[0, 128, 255]]


@pytest.mark.parametrize(
    ("slope", "intercept", "photometric", "expected"),
    [
        (0.5, -10, "MONOCHROME2", [[-10, -9.5], [-9, 2037.5]]),
        # possible values -10 … 2037.5, so v becomes 2027.5 - v
        (0.5, -10, "MONOCHROME1", [[2037.5, 2037], [2036.5, -10]]),
        (-1, 4095, "MONOCHROME2", [[4095, 4094], [4093, 0]]),
        (-1, 4095, "MONOCHROME1", [[0, 1], [2, 4095]]),
    ],
)
def test_rescale_comes_before_turning_round(film, slope, intercept, photometric, expected):
    path = film(
        FOUR,
        BitsStored=12,
        PhotometricInterpretation=photometric,
        RescaleSlope=slope,
        RescaleIntercept=intercept,
    )
    assert read_radiograph(path).pixels.tolist() == expected


def test_a_lone_slope_has_intercept_zero(film):
    assert read_radiograph(film(FOUR, BitsStored=12, RescaleSlope=2)).pixels[1, 1] == 8190


def test_window_does_not_change_the_pixels(film):
    read = read_radiograph(film(FOUR, BitsStored=12, WindowCenter=40, WindowWidth=10))
    assert read.pixels.tolist() == FOUR.tolist()


def test_modality_table_with_its_ends(film):
    # inputs 1, 2, 3 → 100, 50, 7; what lies before takes 100, what lies behind 7
    path = film(FOUR, BitsStored=12, ModalityLUTSequence=[table_item([100, 50, 7], first=1)])
    assert read_radiograph(path).pixels.tolist() == [[100, 100], [50, 7]]


def test_modality_table_of_signed_inputs_and_eight_bit_entries(film):
    item = table_item([9, 8, 7, 6], first=-2, bits=8, entry="u1")
    path = film(np.array([[-3, -2, -1, 0, 1, 2]], np.int16), ModalityLUTSequence=[item])
    assert read_radiograph(path).pixels.tolist() == [[9, 9, 8, 7, 6, 6]]


def test_modality_table_of_a_big_endian_file(film):
    item = table_item([100, 50, 7], first=1, entry=">u2")
    path = film(FOUR, syntax=ExplicitVRBigEndian, BitsStored=12, ModalityLUTSequence=[item])
    assert read_radiograph(path).pixels.tolist() == [[100, 100], [50, 7]]


def test_modality_table_turned_round_in_the_range_of_its_bits(film):
    item = table_item([0, 1000, 1023], bits=10)
    path = film(
        np.array([[0, 1, 2]], np.uint16), PhotometricInterpretation="MONOCHROME1", ModalityLUTSequence=[item]
    )
    assert read_radiograph(path).pixels.tolist() == [[1023, 23, 0]]


@pytest.mark.parametrize(
    ("photometric", "shape", "contradicts"),
    [
        ("MONOCHROME1", "INVERSE", False),
        ("MONOCHROME1", "IDENTITY", True),
        ("MONOCHROME2", "INVERSE", True),
        ("MONOCHROME2", "IDENTITY", False),
    ],
)
def test_presentation_shape_is_no_second_inversion(film, photometric, shape, contradicts):
    path = film(FOUR, BitsStored=12, PhotometricInterpretation=photometric, PresentationLUTShape=shape)
    read = read_radiograph(path)
    assert read.pixels[0, 0] == (4095 if photometric == "MONOCHROME1" else 0)
    assert ("contradicts" in read.note) == contradicts


def test_descending_voi_table_turns_round_and_a_window_beside_it_does_not(film):
    item = table_item(range(4095, -1, -1), bits=12)
    only_table = read_radiograph(film(FOUR, BitsStored=12, VOILUTSequence=[item]))
    assert only_table.pixels.tolist() == [[4095, 4094], [4093, 0]]
    assert "VOI LUT descends" in only_table.note
    both = film(FOUR, BitsStored=12, VOILUTSequence=[item], WindowCenter=2000, WindowWidth=4000)
    assert read_radiograph(both).pixels.tolist() == FOUR.tolist()


def test_raw_image_is_said_to_be_raw(film):
    assert "raw image" in read_radiograph(film(FOUR, PresentationIntentType="FOR PROCESSING")).note


@pytest.mark.parametrize(("sign", "doubtful"), [(1, True), (-1, False)])
def test_raw_image_whose_physics_contradicts_its_photometry_is_noted(film, sign, doubtful):
    path = film(FOUR, PresentationIntentType="FOR PROCESSING", PixelIntensityRelationshipSign=sign)
    assert ("look whether bone is white" in read_radiograph(path).note) == doubtful


def test_padding_is_counted_and_kept(film):
    pixels = np.array([[4095, 4095, 4094, 5]], np.uint16)
    read = read_radiograph(film(pixels, BitsStored=12, PixelPaddingValue=4095))
    assert "50.0% of the pixels are padding" in read.note
    assert read.pixels.tolist() == pixels.tolist()
    limited = film(pixels, BitsStored=12, PixelPaddingValue=4095, PixelPaddingRangeLimit=4094)
    assert "75.0% of the pixels are padding" in read_radiograph(limited).note


# by reference


def itk_pixels(path):
    """Grey values as ITK reads them; it applies the rescale and turns MONOCHROME1 round by itself."""
    return sitk.GetArrayFromImage(sitk.ReadImage(str(path), imageIO="GDCMImageIO")).squeeze()


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize("kind", [np.uint16, np.int16])
@pytest.mark.parametrize(("slope", "intercept"), [(1, 0), (0.25, 3), (2, -100)])
def test_grey_values_agree_with_itk(film, photometric, kind, slope, intercept):
    # source: SimpleITK (GDCM), an independent reader; it refuses uncompressed signed 12 bits, so 16 there
    signed = kind == np.int16
    pixels = np.random.default_rng(1).integers(-2048 if signed else 0, 2048, (7, 5)).astype(kind)
    path = film(
        pixels,
        BitsStored=16 if signed else 12,
        PhotometricInterpretation=photometric,
        RescaleSlope=slope,
        RescaleIntercept=intercept,
    )
    assert np.array_equal(read_radiograph(path).pixels, itk_pixels(path))


def test_modality_table_agrees_with_pydicom(film):
    # source: pydicom.pixels.apply_modality_lut, an independent implementation
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, 4096, (9, 9)).astype(np.uint16)
    item = table_item(rng.integers(0, 65536, 3000), first=500)
    path = film(pixels, BitsStored=12, ModalityLUTSequence=[item])
    expected = pydicom.pixels.apply_modality_lut(pixels, pydicom.dcmread(path))
    assert np.array_equal(read_radiograph(path).pixels, expected)


# by law


def coded(pixels, coding, tmp_path):
    """The same values in another encoding, by encoders that are not the project's."""
    if coding == "jpeg lossless":
        path = tmp_path / "coded.dcm"
        path.write_bytes(film_bytes(pixels))
        writer = sitk.ImageFileWriter()
        writer.SetImageIO("GDCMImageIO")
        writer.SetFileName(str(path))
        writer.SetUseCompression(True)
        writer.SetCompressor("JPEG")
        writer.Execute(sitk.GetImageFromArray(pixels[None]))
        made = pydicom.dcmread(path)
        assert made.file_meta.TransferSyntaxUID.name.startswith("JPEG Lossless")
        frame = pydicom.encaps.get_frame(made.PixelData, 0, number_of_frames=1)
        return film_bytes(pixels, syntax=made.file_meta.TransferSyntaxUID, encoded=frame)
    if coding == "jpeg 2000":
        stream = BytesIO()
        Image.fromarray(pixels).save(stream, "JPEG2000", irreversible=False, no_jp2=True)
        return film_bytes(pixels, syntax=JPEG2000Lossless, encoded=stream.getvalue())
    if coding == "run length":
        film = pydicom.dcmread(BytesIO(film_bytes(pixels)))
        film.compress(pydicom.uid.RLELossless)
        stream = BytesIO()
        film.save_as(stream)
        return stream.getvalue()
    syntax = {
        "implicit": ImplicitVRLittleEndian,
        "big endian": ExplicitVRBigEndian,
        "deflated": DeflatedExplicitVRLittleEndian,
    }[coding]
    return film_bytes(pixels, syntax=syntax)


@pytest.mark.parametrize(
    "coding", ["implicit", "big endian", "deflated", "run length", "jpeg 2000", "jpeg lossless"]
)
def test_every_lossless_coding_gives_the_same_film(tmp_path, coding):
    pixels = np.random.default_rng(3).integers(0, 65536, (40, 33)).astype(np.uint16)
    path = tmp_path / "film.dcm"
    path.write_bytes(coded(pixels, coding, tmp_path))
    read = read_radiograph(path)
    assert np.array_equal(read.pixels, pixels)
    assert (read.spacing_mm, read.spacing_source, read.note) == ((0.2, 0.1), "detector", "")


def test_lossy_coding_is_close_and_noted(tmp_path):
    pixels = np.add.outer(np.arange(64), np.arange(64)).astype(np.uint8)
    stream = BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=95)
    path = tmp_path / "film.dcm"
    path.write_bytes(
        film_bytes(pixels, syntax=JPEGBaseline8Bit, encoded=stream.getvalue(), LossyImageCompression="01")
    )
    read = read_radiograph(path)
    assert np.abs(read.pixels - pixels).max() <= 3
    assert read.note == "the image was compressed with loss"


@settings(max_examples=40, deadline=None)
@given(
    bits=st.integers(2, 16),
    signed=st.booleans(),
    inverse=st.booleans(),
    slope=st.sampled_from([-3, -0.5, 0.25, 1, 7]),
    intercept=st.integers(-5000, 5000),
    seed=st.integers(0, 2**32 - 1),
)
def test_order_is_kept_or_turned_and_nothing_is_clipped(
    tmp_path_factory, bits, signed, inverse, slope, intercept, seed
):
    low = -(2 ** (bits - 1)) if signed else 0
    stored = np.random.default_rng(seed).integers(low, low + 2**bits, (3, 4))
    path = tmp_path_factory.mktemp("law") / "film.dcm"
    path.write_bytes(
        film_bytes(
            stored.astype(np.int16 if signed else np.uint16),
            BitsStored=bits,
            PhotometricInterpretation="MONOCHROME1" if inverse else "MONOCHROME2",
            RescaleSlope=slope,
            RescaleIntercept=intercept,
        )
    )
    pixels = read_radiograph(path).pixels
    direction = -slope if inverse else slope
    first, second = stored.ravel(), pixels.ravel()
    assert np.allclose(np.diff(second), direction * np.diff(first))
    possible = sorted((slope * low + intercept, slope * (low + 2**bits - 1) + intercept))
    assert possible[0] <= pixels.min()
    assert pixels.max() <= possible[1]


# by failure


@pytest.mark.parametrize(
    ("elements", "match"),
    [
        ({"RescaleSlope": 0, "RescaleIntercept": 5}, r"Rescale Slope \(0028,1053\).*found 0, 5"),
        ({"RescaleSlope": "1e-9", "RescaleIntercept": "1e9"}, "keep the difference"),
        ({"RescaleSlope": "1e300"}, "keep the difference"),
        ({"ModalityLUTSequence": [table_item([1, 2], bits=40)]}, r"LUT Descriptor .*bits \(8 to 16\)"),
    ],
)
def test_transformations_that_destroy_the_grey_values(film, elements, match):
    with pytest.raises(StudyError, match=match):
        read_radiograph(film(FOUR, BitsStored=12, **elements))


def test_table_shorter_than_its_descriptor(film):
    item = table_item([1, 2, 3])
    item.LUTDescriptor = [4, 0, 16]
    with pytest.raises(StudyError, match=r"LUT Data \(0028,3006\): found 3 entries. Expected 4 entries"):
        read_radiograph(film(FOUR, ModalityLUTSequence=[item]))
