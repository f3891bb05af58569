"""The fast walk over a header gives what pydicom gives, or declines."""

import warnings
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import pydicom
import pytest
from dx_writer import code_item, film_bytes
from hospital_files import PIXELS, ct_slice, hospital_film
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from cohortlib.dicom.finding.elements import TRANSFER_SYNTAX, WANTED
from cohortlib.dicom.finding.facts import header_cells
from cohortlib.dicom.finding.pydicom_scan import pydicom_scan
from cohortlib.dicom.finding.scan import CutOff, scanned

SHIPPED = Path(pydicom.__file__).parent / "data" / "test_files"
FILES = sorted(path for path in SHIPPED.rglob("*") if path.is_file() and path.suffix != ".py")
# Modality (0008,0060) CS, Rows (0028,0010) US
HEAD = b"\0" * 128 + b"DICM" + b"\x02\x00\x10\x00UI\x14\x001.2.840.10008.1.2.1\0"
CHARACTER_SET = 0x0008_0005  # pydicom has taken it apart already
MODALITY = b"\x08\x00\x60\x00CS\x02\x00DX"
ROWS = b"\x28\x00\x10\x00US\x02\x00\x04\x00"


# by hand


def test_wanted_values_as_they_stand():
    scan = scanned(HEAD + MODALITY + ROWS)
    assert scan.values == {
        TRANSFER_SYNTAX: b"1.2.840.10008.1.2.1\0",
        0x0008_0060: b"DX",
        0x0028_0010: b"\x04\x00",
    }
    assert scan.end == len(HEAD + MODALITY + ROWS)


def test_what_is_not_wanted_is_stepped_over():
    # Patient's Name PN, a private element OB with four bytes of length, then Rows
    name = b"\x10\x00\x10\x00PN\x04\x00A^B "
    private = b"\x11\x00\x10\x10OB\0\0\x02\0\0\0ab"
    assert scanned(HEAD + MODALITY + name + private + ROWS).values[0x0028_0010] == b"\x04\x00"


# by reference: pydicom, over every file that it ships


def reference_values(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = dcmread(path, stop_before_pixels=True, specific_tags=list(WANTED))
        raw = {tag: dataset.get_item(tag) for tag in WANTED if tag in dataset and tag != CHARACTER_SET}
    return {tag: element.value or b"" for tag, element in raw.items() if not isinstance(element.value, list)}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(SHIPPED).as_posix())
def test_the_walk_agrees_with_pydicom(path):
    try:
        scan = scanned(path.read_bytes())
    except CutOff:
        return
    if scan is None:
        return
    expected = reference_values(path)
    found = {tag: value for tag, value in scan.values.items() if tag in WANTED}
    assert found.keys() >= expected.keys()
    for tag, value in expected.items():
        if WANTED[tag].vr != b"SQ":
            assert found[tag] == value, hex(tag)


def test_the_walk_reads_most_of_them():
    found = 0
    for path in FILES:
        with suppress(CutOff):
            found += scanned(path.read_bytes()) is not None
    assert found >= 60


# by law

TEXT = st.text("ABCXYZ 0123456789", max_size=12)


@st.composite
def nested(draw, depth=0):
    """A data set with sequences in sequences, of stated and of undefined length."""
    dataset = Dataset()
    dataset.PatientName, dataset.SeriesDescription = draw(TEXT), draw(TEXT)
    if depth < 3:
        for keyword in draw(
            st.lists(st.sampled_from(["ReferencedStudySequence", "ViewCodeSequence"]), unique=True)
        ):
            items = draw(st.lists(nested(depth=depth + 1), max_size=2))
            setattr(dataset, keyword, Sequence(items))
            dataset[keyword].is_undefined_length = draw(st.booleans())
            for item in items:
                item.is_undefined_length_sequence_item = draw(st.booleans())
    return dataset


@settings(max_examples=100, deadline=None)
@given(header=nested(), implicit=st.booleans(), rows=st.integers(1, 60000))
def test_any_header_of_pydicom_is_walked(header, implicit, rows):
    syntax = ImplicitVRLittleEndian if implicit else ExplicitVRLittleEndian
    elements = {element.keyword: element.value for element in header}
    content = film_bytes(PIXELS, syntax=syntax, **elements, NumberOfFrames=rows)
    for element in header:  # the undefined lengths of the outermost sequences
        if element.VR == "SQ":
            again = dcmread(BytesIO(content))
            again[element.tag].is_undefined_length = element.is_undefined_length
            stream = BytesIO()
            pydicom.dcmwrite(stream, again)
            content = stream.getvalue()
    scan = scanned(content)
    assert scan.values[0x0028_0008].strip() == str(rows).encode()
    assert scan.values[0x0008_103E].strip() == str(header.SeriesDescription).strip().encode()
    assert (0x0054_0220 in scan.values) == ("ViewCodeSequence" in header)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_part_of_a_header_asks_for_more(data):
    content = hospital_film()
    end = scanned(content).end
    cut = data.draw(st.integers(132, end - 1))
    with suppress(CutOff):
        scan = scanned(content[:cut])
        assert scan is None or scan.end == cut  # between two elements: may be all there is


@pytest.mark.parametrize(
    "content",
    [
        hospital_film(),
        hospital_film(ViewCodeSequence=[code_item("399348003")], ImagerPixelSpacing=["0.1", "0.2"]),
        ct_slice((1.5, -2, 30)),
        film_bytes(PIXELS, syntax=ImplicitVRLittleEndian, StudyInstanceUID="1.2", SeriesInstanceUID="1.3"),
    ],
    ids=["film", "codes", "slice", "implicit"],
)
def test_both_ways_give_the_same_row(tmp_path, content):
    path = tmp_path / "image.dcm"
    path.write_bytes(content)
    scan = scanned(content)
    slow = pydicom_scan(str(path))
    assert header_cells(scan, behind_header=len(content) - scan.end) == header_cells(*slow)


# by failure


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\0" * 200,
        HEAD.replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.2\0"),  # big endian
        HEAD + ROWS + MODALITY,  # not in ascending order
        HEAD + MODALITY + MODALITY,  # twice
        HEAD + MODALITY.replace(b"CS", b"??"),  # no VR
        HEAD + MODALITY.replace(b"CS", b"SH"),  # another VR than the dictionary's
        HEAD + b"\x08\x00\x60\x00UN\0\0\xff\xff\xff\xff",  # unknown, of undefined length
        HEAD + b"\x08\x00\x12\x11SQ\0\0\xff\xff\xff\xff" + b"\x01" * 30,  # no items in a sequence
        film_bytes(PIXELS, syntax=ExplicitVRBigEndian),
    ],
)
def test_the_unusual_is_left_to_pydicom(content):
    assert scanned(content) is None


def test_sequences_in_sequences_without_end_are_left_to_pydicom():
    one = b"\x08\x00\x12\x11SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    assert scanned(HEAD + one * 5000 + b"\0" * 8) is None
