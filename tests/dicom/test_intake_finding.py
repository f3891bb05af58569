"""What find_images tells of a folder: images, junk, links, and what changed since the last time."""

import datetime
import gzip
import os
import shutil
import time

import numpy as np
import pandas as pd
import pytest
from dx_writer import film_bytes
from hospital_files import HOSPITAL_ID, PIXELS, ct_slice, hospital_film, uid, written
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian

from cohortlib.dicom import find_images
from cohortlib.dicom.finding import header as header_file
from cohortlib.dicom.finding.columns import IMAGE_COLUMNS
from cohortlib.errors import StudyError

DAY = datetime.date(2031, 3, 9)


@pytest.fixture
def folder(tmp_path):
    return written(
        tmp_path / "images",
        {
            "P001/film.dcm": hospital_film(),
            "P001/ct/1": ct_slice((-10, 20.5, 30), image=1),
            "notes.txt": b"no image",
        },
    )


@pytest.fixture
def opened(monkeypatch):
    """The names of files that were opened, in their order."""
    names = []
    read = header_file._first_bytes

    def noted(path, count):
        names.append(os.path.basename(path))
        return read(path, count)

    monkeypatch.setattr(header_file, "_first_bytes", noted)
    return names


# by hand


def test_a_film(folder):
    film = find_images(folder).set_index("path").loc["P001/film.dcm"]
    assert (film["problem"], film["note"]) == ("", "")
    assert film["patient_id"] == HOSPITAL_ID
    assert film["series_uid"] == uid("series", HOSPITAL_ID, DAY)
    assert film["sop_class"] == "Digital X-Ray Image Storage - For Presentation"
    assert film["study_date"] == pd.Timestamp("2031-03-09")
    assert film["acquired_at"] == pd.Timestamp("2031-03-09T13:46:12.654321")
    assert (film["rows"], film["columns"], film["size_bytes"]) == (32, 24, len(hospital_film()))
    # dx_writer's spacing at the detector: 0.2 between rows, 0.1 between columns
    assert (film["row_spacing_mm"], film["column_spacing_mm"]) == (0.2, 0.1)
    assert (film["spacing_source"], film["view"], film["plane"]) == ("detector", "AP pelvis", "")
    assert (film["tube_voltage_kv"], film["exposure_mas"], film["source_to_detector_mm"]) == (75, 20, 1150)
    assert film["dose_area_product_dgy_cm2"] == 3.5
    assert (film["manufacturer"], film["model"]) == ("Invented Imaging", "Plate 3")


def test_a_slice(folder):
    cut = find_images(folder).set_index("path").loc["P001/ct/1"]
    assert (cut["plane"], cut["cosines"], cut["spacing_source"]) == (
        "axial",
        "1\\0\\0\\0\\1\\0",
        "reconstruction",
    )
    assert (cut["left_mm"], cut["posterior_mm"], cut["superior_mm"]) == (-10, 20.5, 30)
    assert (cut["slice_thickness_mm"], cut["ctdi_vol_mgy"], cut["modality"]) == (1, 4.5, "CT")


def test_the_table_has_its_columns_and_order(folder):
    images = find_images(folder)
    assert list(images) == list(IMAGE_COLUMNS)
    assert images["path"].tolist() == ["P001/ct/1", "P001/film.dcm", "notes.txt"]
    assert images.isna().sum()["path"] == 0
    assert images["problem"].tolist() == ["", "", "no DICOM file header"]


def test_an_empty_folder_gives_no_rows(tmp_path):
    images = find_images(tmp_path)
    assert (len(images), list(images)) == (0, list(IMAGE_COLUMNS))


@pytest.mark.parametrize("syntax", [ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian])
def test_unusual_encodings_are_read_too(tmp_path, syntax):
    content = film_bytes(
        PIXELS, syntax=syntax, PatientID="P7", StudyInstanceUID="1.2", SeriesInstanceUID="1.3"
    )
    image = find_images(written(tmp_path, {"film": content})).iloc[0]
    assert (image["problem"], image["patient_id"], image["rows"]) == ("", "P7", 32)
    assert image["row_spacing_mm"] == 0.2


# by law


def test_nothing_is_opened_the_second_time(folder, tmp_path, opened):
    first = find_images(folder, index=tmp_path / "index.json")
    assert sorted(opened) == ["1", "film.dcm", "notes.txt"]
    opened.clear()
    second = find_images(folder, index=tmp_path / "index.json")
    assert opened == []
    pd.testing.assert_frame_equal(first, second)


def test_only_what_changed_is_opened(folder, tmp_path, opened):
    index = tmp_path / "index.json"
    find_images(folder, index=index)
    opened.clear()
    written(folder, {"P001/film.dcm": hospital_film(KVP=81), "new.dcm": ct_slice((0, 0, 5))})
    os.unlink(folder / "notes.txt")
    again = find_images(folder, index=index)
    assert set(opened) == {"film.dcm", "new.dcm"}
    assert again.set_index("path").loc["P001/film.dcm", "tube_voltage_kv"] == 81
    pd.testing.assert_frame_equal(again, find_images(folder))


def test_a_file_that_was_only_touched_is_compared_by_its_digest(folder, tmp_path, monkeypatch):
    index = tmp_path / "index.json"
    first = find_images(folder, index=index)
    os.utime(folder / "P001/film.dcm", ns=(1, 1))
    monkeypatch.setattr("cohortlib.dicom.finding.find.header_row", lambda *_: pytest.fail("parsed again"))
    pd.testing.assert_frame_equal(first, find_images(folder, index=index))


def test_a_change_that_keeps_the_size_is_seen(folder, tmp_path):
    index = tmp_path / "index.json"
    find_images(folder, index=index)
    path = folder / "P001/ct/1"
    before = path.stat()
    path.write_bytes(path.read_bytes().replace(b"P001", b"P002"))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 1))
    assert find_images(folder, index=index).set_index("path").loc["P001/ct/1", "patient_id"] == "P002"


@pytest.mark.parametrize("workers", [1, 3])
def test_the_number_of_workers_changes_nothing(tmp_path, workers):
    folder = written(tmp_path, {f"{n // 7}/{n}": ct_slice((0, 0, n)) for n in range(40)})
    places = find_images(folder, workers=workers)["superior_mm"]
    assert sorted(places) == list(range(40))


def test_workers_wait_at_the_same_time(tmp_path, monkeypatch):
    read = header_file._first_bytes

    def slow(path, count):
        time.sleep(0.01)
        return read(path, count)

    monkeypatch.setattr(header_file, "_first_bytes", slow)
    folder = written(tmp_path, {str(n): ct_slice((0, 0, n)) for n in range(48)})
    seconds = []
    for workers in (1, 8):
        start = time.monotonic()
        find_images(folder, workers=workers)
        seconds.append(time.monotonic() - start)
    assert seconds[0] > 0.48
    assert seconds[1] < seconds[0] / 2  # an eighth, were there nothing else to do


def test_an_interrupted_reading_goes_on_from_there(folder, tmp_path, monkeypatch, opened):
    index = tmp_path / "index.json"
    read = header_file.header_row

    def stopped(path, size):
        if path.endswith("notes.txt"):
            raise KeyboardInterrupt
        return read(path, size)

    monkeypatch.setattr("cohortlib.dicom.finding.find._PORTION", 1)
    monkeypatch.setattr("cohortlib.dicom.finding.find.header_row", stopped)
    with pytest.raises(KeyboardInterrupt):
        find_images(folder, index=index, workers=1)
    monkeypatch.undo()
    monkeypatch.setattr(header_file, "_first_bytes", lambda path, _: pytest.fail(path))
    os.unlink(folder / "notes.txt")
    assert len(find_images(folder, index=index)) == 2


def test_paths_do_not_depend_on_where_the_folder_is(folder, tmp_path, monkeypatch):
    first = find_images(folder, index=tmp_path / "index.json")
    shutil.copytree(folder, tmp_path / "elsewhere" / "images")
    monkeypatch.chdir(tmp_path / "elsewhere")
    pd.testing.assert_frame_equal(first, find_images("images"))
    assert str(tmp_path) not in (tmp_path / "index.json").read_text()


def test_the_index_in_the_folder_is_no_image(folder):
    first = find_images(folder, index=folder / "derived.json")
    assert "derived.json" not in first["path"].tolist()
    pd.testing.assert_frame_equal(first, find_images(folder, index=folder / "derived.json"))


# by failure


JUNK = {
    "Thumbs.db": (b"\xd0\xcf\x11\xe0" * 300, "no DICOM file header"),
    "empty.dcm": (b"", "an empty file"),
    "text.dcm": (b"not an image", "no DICOM file header"),
    "zeros": (b"\0" * 5000, "no DICOM file header"),
    "packed.dcm.gz": (gzip.compress(b"x" * 5000, mtime=0), "no DICOM file header"),
    "header only.dcm": (b"\0" * 128 + b"DICM", "no Study Instance UID"),
    "cut in the header.dcm": (hospital_film()[:700], "cut short"),
    "cut in the pixels.dcm": (hospital_film()[:-10], "cut short"),
    "random behind DICM.dcm": (
        b"\0" * 128 + b"DICM" + np.random.default_rng(3).bytes(3000),
        "cannot be read|cut short|cannot be understood|no Study Instance UID",
    ),
    "without series.dcm": (hospital_film(SeriesInstanceUID=None), "no Series Instance UID"),
}


@pytest.mark.parametrize("name", JUNK)
def test_junk_is_named_with_its_reason(tmp_path, name):
    content, reason = JUNK[name]
    images = find_images(written(tmp_path, {name: content}))
    assert images["path"].tolist() == [name]
    assert pd.Series(images["problem"]).str.contains(reason).all(), images["problem"].item()


def test_a_tenth_of_junk_stops_nothing(tmp_path):
    good = {f"series {n // 30}/{n}.dcm": ct_slice((0, 0, n)) for n in range(270)}
    bad = {f"series {n}/junk {n} {name}": content for n in range(3) for name, (content, _) in JUNK.items()}
    images = find_images(written(tmp_path, good | bad))
    assert len(images) == 300
    assert set(images.loc[images["problem"] == "", "path"]) == set(good)
    assert set(images.loc[images["problem"] != "", "path"]) == set(bad)


def test_links_are_reported_and_not_followed(tmp_path):
    outside = written(tmp_path / "outside", {"film.dcm": hospital_film()})
    folder = written(tmp_path / "images", {"film.dcm": hospital_film()})
    (folder / "a file.dcm").symlink_to(outside / "film.dcm")
    (folder / "a folder").symlink_to(outside)
    (folder / "around").symlink_to(folder)
    (folder / "beside.dcm").symlink_to(folder / "film.dcm")
    (folder / "nowhere").symlink_to(tmp_path / "nowhere")
    problems = find_images(folder).set_index("path")["problem"]
    out = "a link that leads out of the folder: not followed"
    within = "a link that leads within the folder, where its target is read: not followed"
    assert problems.to_dict() == {
        "a file.dcm": out,
        "a folder": out,
        "around": within,
        "beside.dcm": within,
        "film.dcm": "",
        "nowhere": out,
    }


def test_what_is_no_regular_file_is_never_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    os.mkdir(tmp_path / "folder.dcm")
    (tmp_path.joinpath(os.fsdecode(b"M\xfcller.dcm"))).write_bytes(hospital_film())
    problems = find_images(tmp_path).set_index("path")["problem"].to_dict()
    assert problems == {
        "pipe": "something that is no regular file",
        "M\\xfcller.dcm": "a file name that is not UTF-8",
    }


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"source": 1}', b'{"files": {}}', b"\xff" * 50, b"[" * 100_000]
)
def test_an_index_that_is_none_is_made_anew(folder, tmp_path, content):
    index = tmp_path / "index.json"
    index.write_bytes(content)
    assert len(find_images(folder, index=index)) == 3
    assert len(find_images(folder, index=index)) == 3


def test_an_index_of_other_types_is_made_anew(folder, tmp_path):
    index = tmp_path / "index.json"
    first = find_images(folder, index=index)
    index.write_text(index.read_text().replace('"rows": [4, 32, null]', '"rows": ["4", 32, null]'))
    pd.testing.assert_frame_equal(first, find_images(folder, index=index))


def test_an_index_that_cannot_be_written(folder, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyError, match="cannot be written"):
        find_images(folder, index=tmp_path / "file" / "index.json")
    (tmp_path / "index.json").mkdir()
    with pytest.raises(StudyError, match="an index that cannot be written"):
        find_images(folder, index=tmp_path / "index.json")


def test_no_such_folder(tmp_path):
    with pytest.raises(StudyError, match="found no folder"):
        find_images(tmp_path / "nothing")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=st.text(max_size=40).map(lambda text: text.encode()).filter(lambda raw: b"\\" not in raw))
def test_hostile_text_never_reaches_a_terminal(tmp_path, value):
    value = value + b" " * (len(value) % 2)
    old = b"LO\x10\x00Invented Imaging"
    content = hospital_film().replace(old, b"LO" + len(value).to_bytes(2, "little") + value)
    row = find_images(written(tmp_path, {"film.dcm": content})).iloc[0]
    assert row["problem"] == ""
    assert row["manufacturer"].isprintable()
