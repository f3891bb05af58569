"""Wherever an identifier can hide in a file, no byte of it is left: searched as bytes, in every encoding."""

import datetime
import re
from io import BytesIO

import numpy as np
import pydicom
import pytest
from deidentification_study import Intake
from dx_writer import code_item, table_item
from hospital_files import BIRTH_DATE, HOSPITAL_ID, NAME, PIXELS, hospital_film, uid
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import JPEG2000Lossless

from cohortlib.dicom import read_radiograph
from cohortlib.dicom.deidentification.elements import KEPT

DAY = datetime.date(2031, 3, 9)


def elements(dataset):
    """Every element, of sequences too."""
    for element in dataset:
        yield element
        if element.VR == "SQ":
            for item in element.value:
                yield from elements(item)


# by law


def identifying_bytes(content):
    """What must be found nowhere in the new file: texts, dates, times and UIDs that may not stay."""
    film = pydicom.dcmread(BytesIO(content))
    for element in [*elements(film), *elements(film.file_meta)]:
        if element.keyword in KEPT.values() or element.VR in ("SQ", "OB", "OW", "US"):
            continue
        values = element.value if element.VM > 1 else [element.value]
        for text in map(str, values):
            if len(text) >= 4 and not text.startswith("1.2.840.10008."):
                yield text
    yield from re.findall(r"\w{4,}", NAME)
    yield from (
        "Quistorp",
        "Obermarkt",
        "INVENTED",
        "Vandersloot",
        "Ferrante",
        "20310309",
        BIRTH_DATE,
    )
    yield from (uid("study", HOSPITAL_ID, DAY), uid("image", HOSPITAL_ID, DAY, "1"), uid("earlier", DAY))


def test_no_byte_of_the_original_identity_is_left(tmp_path):
    content = hospital_film(pixels=np.zeros((32, 24), np.uint16))
    new = Intake(tmp_path, {"film.dcm": content}).only().read_bytes()
    searched = [
        word for word in identifying_bytes(content) if word not in ("399348003", "816092008", "SCT", "code")
    ]
    assert len(searched) > 50
    for word in searched:
        for written in (word, word.upper(), word.lower(), word[::-1]):
            for encoding in ("utf-8", "utf-16-le", "utf-16-be", "utf-32-le"):
                assert written.encode(encoding) not in new, (word, encoding)
        spaced = b"\0".join(bytes([letter]) for letter in word.encode())
        assert spaced not in new


def file_with(change):
    """A film that was changed by hand as a data set, as bytes."""
    film = pydicom.dcmread(BytesIO(hospital_film(private=False)))
    change(film)
    stream = BytesIO()
    pydicom.dcmwrite(stream, film, enforce_file_format=True)
    return stream.getvalue()


def named_item(depth=0):
    """An item with the name in a known and in a private element, and in a sequence within it."""
    item = Dataset()
    item.PersonName, item.TextValue = "Quistorp^W", "seen by Quistorp"
    item.add_new(0x00110010, "LO", "INVENTED")
    item.add_new(0x00111001, "UN", b"Quistorp")
    if depth < 3:
        item.ContentSequence = [named_item(depth + 1)]
    return item


def in_sequences(film):
    film.RequestAttributesSequence = [named_item()]
    film.ViewCodeSequence[0].ViewModifierCodeSequence = [code_item("399348003")]
    film.ViewCodeSequence[0].ViewModifierCodeSequence[0].PersonName = "Quistorp^W"
    film.AcquisitionContextSequence = [named_item()]
    film.add_new(0x00290010, "LO", "INVENTED")
    film.add_new(0x00291001, "SQ", [named_item()])


def in_file_meta(film):
    film.file_meta.SourceApplicationEntityTitle = "QUISTORP"
    film.file_meta.add_new(0x00020100, "UI", "1.2.3.4")
    film.file_meta.add_new(0x00020102, "OB", b"Quistorp")
    film.file_meta.ImplementationVersionName = "QUISTORP"


def in_padding(film):
    film.add_new(0xFFFCFFFC, "OB", b"Quistorp" * 20)
    film.add_new(0x60003000, "OW", b"Quistorp" * 20)
    film.add_new(0x60004000, "LT", "Quistorp")
    film.add_new(0x50003000, "OW", b"Quistorp")


def in_lookup_tables(film):
    table = table_item(np.arange(4096) * 16)
    table.ModalityLUTType = table.LUTExplanation = "Quistorp"
    table.add_new("LUTData", "OW", table.LUTData + b"Quistorp")
    table.PersonName = "Quistorp^W"
    film.ModalityLUTSequence = [table]


PLACES = (in_sequences, in_file_meta, in_padding, in_lookup_tables)


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.__name__)
def test_what_hides_in_a_place_of_its_own(tmp_path, place):
    content = file_with(place)
    assert b"QUISTORP" in content.upper()
    intake = Intake(tmp_path, {"film.dcm": content})
    new = intake.only()
    assert b"QUISTORP" not in new.read_bytes().upper()
    assert b"INVENTED\x29" not in new.read_bytes()
    before, after = read_radiograph(intake.hospital / "film.dcm"), read_radiograph(new)
    assert np.array_equal(before.pixels, after.pixels)


def test_what_hides_around_the_frames_of_compressed_pixels(tmp_path):
    # in a comment of the code stream, behind its end, in the offset table, in a fragment that is no frame
    stream = BytesIO()
    Image.fromarray(PIXELS).save(stream, "JPEG2000", irreversible=False, no_jp2=True, comment=b"Quistorp, W.")
    frame = stream.getvalue() + b"\0" * (len(stream.getvalue()) % 2)
    whole = encapsulate([frame])
    end = whole.rindex(b"\xfe\xff\xdd\xe0") if b"\xfe\xff\xdd\xe0" in whole else len(whole)
    third = b"\xfe\xff\x00\xe0\x08\0\0\0Quistorp"
    files = {
        "comment.dcm": hospital_film(image="1", syntax=JPEG2000Lossless, encoded=frame, private=False),
        "behind.dcm": hospital_film(
            image="2", syntax=JPEG2000Lossless, encoded=frame + b"\0" * 64 + b"Quistorp", private=False
        ),
        "fragment.dcm": hospital_film(
            image="3", syntax=JPEG2000Lossless, encoded=frame, private=False
        ).replace(whole[:end], whole[:end] + third),
    }
    assert all(b"Quistorp" in content for content in files.values())
    intake = Intake(tmp_path, files)
    found = intake.run()
    # A file may be refused or written clean; never is it written with the name.
    for path in found.loc[found["path"] != "", "path"]:
        new = (intake.images / path).read_bytes()
        assert b"Quistorp" not in new
        assert np.array_equal(pydicom.dcmread(BytesIO(new)).pixel_array, PIXELS)
    assert found.set_index("source").loc["comment.dcm", "problem"] == ""


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("SeriesNumber", "77419021"),
        ("InstanceNumber", "20310309"),
        ("AcquisitionNumber", "194811170"),
        ("Exposure", "7741902"),
        ("ManufacturerModelName", "PlateQUISTORP3"),
        ("ManufacturerModelName", "made 09.03.2031"),
        ("ManufacturerModelName", "1948-11-17"),
        ("ConvolutionKernel", "x7741902y"),
    ],
)
def test_an_identifier_within_a_number_or_a_word(tmp_path, keyword, value):
    intake = Intake(tmp_path, {"film.dcm": hospital_film(**{keyword: value})})
    found = intake.run()
    assert "held an identifier: removed" in found["note"].item()
    assert keyword not in pydicom.dcmread(intake.images / found["path"].item())


# by failure: what hides where


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("ManufacturerModelName", "Plate of Quistorp"),
        ("Manufacturer", "Klinikum Obermarkt"),
        ("BodyPartExamined", "QUISTORP"),
        ("ConvolutionKernel", HOSPITAL_ID),
        ("ManufacturerModelName", "OBM-DX-07"),
        ("ImageType", ["DERIVED", "WENDELIN"]),
        ("RescaleType", "19481117"),
        ("TypeOfFilters", uid("study", HOSPITAL_ID, DAY)[:64]),
    ],
)
def test_an_identifier_in_an_allowed_element_is_found(tmp_path, keyword, value):
    intake = Intake(tmp_path, {"film.dcm": hospital_film(**{keyword: value})})
    found = intake.run()
    assert found["note"].item().endswith("held an identifier: removed")
    assert keyword not in pydicom.dcmread(intake.images / found["path"].item())


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("Manufacturer", "J\u00f6rg \u5c71\u7530"),
        ("BodyPartExamined", "hip; see letter!"),
        ("KVP", "75\\abc"),
    ],
)
def test_a_value_that_is_not_written_as_it_must_be_is_removed(tmp_path, keyword, value):
    vr, stand_in = {
        "Manufacturer": ("LO", "Q" * 16),
        "BodyPartExamined": ("CS", "Q" * 16),
        "KVP": ("DS", "7" * 16),
    }[keyword]
    content = hospital_film(SpecificCharacterSet="ISO_IR 192", private=False, **{keyword: stand_in})
    old = vr.encode() + b"\x10\0" + stand_in.encode()
    assert content.count(old) == 1
    content = content.replace(old, old[:4] + value.encode().ljust(16))
    intake = Intake(tmp_path, {"film.dcm": content})
    found = intake.run()
    assert "is not written as it must be: removed" in found["note"].item()
    assert keyword not in pydicom.dcmread(intake.images / found["path"].item())


def test_codes_of_a_hospital_are_removed(tmp_path):
    local = Dataset()
    local.CodeValue, local.CodingSchemeDesignator, local.CodeMeaning = "QX1", "99OBM", "Hip of Quistorp"
    own_words = code_item("816092008")
    own_words.CodeMeaning = "Pelvis of Quistorp"
    intake = Intake(
        tmp_path, {"film.dcm": hospital_film(ViewCodeSequence=[local], AnatomicRegionSequence=[own_words])}
    )
    found = intake.run()
    new = pydicom.dcmread(intake.images / found["path"].item())
    assert len(new.ViewCodeSequence) == 0
    assert new.AnatomicRegionSequence[0].CodeMeaning == "Pelvis"
    assert (
        "View Code Sequence (0054,0220): 1 code that is not of the standard removed" in found["note"].item()
    )


def test_nothing_hides_beside_the_pixels(tmp_path):
    # in unused bits (as old overlays), behind the last pixel, in the preamble, in a comment of JPEG 2000
    pixels = PIXELS | np.uint16(0x8000)
    content = hospital_film(pixels=pixels, private=False)
    behind = b"Quistorp" * 4
    length = PIXELS.nbytes
    place = content.index(b"\xe0\x7f\x10\x00OW\0\0" + length.to_bytes(4, "little"))
    content = (
        b"Quistorp".ljust(128, b"\0")
        + content[128:place]
        + b"\xe0\x7f\x10\x00OW\0\0"
        + (length + len(behind)).to_bytes(4, "little")
        + content[place + 12 :]
        + behind
    )
    stream = BytesIO()
    Image.fromarray(PIXELS).save(stream, "JPEG2000", irreversible=False, no_jp2=True, comment=b"Quistorp, W.")
    assert b"Quistorp" in stream.getvalue()
    packed = hospital_film(image="2", syntax=JPEG2000Lossless, encoded=stream.getvalue(), private=False)
    intake = Intake(tmp_path, {"1.dcm": content, "2.dcm": packed})
    found = intake.run()
    assert found["problem"].tolist() == ["", ""]
    for path in found["path"]:
        new = (intake.images / path).read_bytes()
        assert b"Quistorp" not in new
        assert np.array_equal(pydicom.dcmread(BytesIO(new)).pixel_array, PIXELS)


def test_a_uid_that_only_looks_like_one_of_the_standard_is_replaced(tmp_path):
    hidden = "1.2.840.10008.7741902.19481117"
    intake = Intake(tmp_path, {"film.dcm": hospital_film(SOPInstanceUID=hidden, FrameOfReferenceUID=hidden)})
    assert hidden.encode() not in intake.only().read_bytes()
