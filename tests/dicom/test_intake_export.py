"""Nothing leaves without a human look: the record of pixel checks, masked bands, and what is refused."""

import datetime
import os
import re

import numpy as np
import pydicom
import pytest
from deidentification_study import Intake, validator_errors
from hospital_files import hospital_film
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.dicom.deidentification.export import export_images
from cohortlib.dicom.deidentification.pixel_checks import FINDINGS, read_pixel_checks, record_pixel_check
from cohortlib.dicom.deidentification.pixels import mask_bands
from cohortlib.errors import StudyError

CLEAR, BAND, ELSEWHERE = FINDINGS


@pytest.fixture
def study(tmp_path):
    intake = Intake(tmp_path, {"1.dcm": hospital_film(image="1"), "2.dcm": hospital_film(image="2")})
    intake.paths = intake.run()["path"].tolist()
    intake.record = intake.study / "pixel_checks.csv"
    intake.target = tmp_path / "for others"
    return intake


def look(study, number, finding=CLEAR, band=0.1):
    return record_pixel_check(
        study.record,
        study.images,
        study.paths[number],
        checked_by="R1",
        finding=finding,
        band_fraction=band if finding == BAND else None,
    )


def export(study):
    return export_images(study.images, study.target, record=study.record)


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# by hand


def test_a_check_says_who_when_and_of_which_file(study):
    before = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    row = look(study, 0).iloc[0]
    when = datetime.datetime.strptime(row["checked_at"], "%Y-%m-%dT%H:%M:%S%z")
    assert before <= when <= datetime.datetime.now(datetime.UTC)
    assert (row["checked_by"], row["path"], row["finding"]) == ("R1", study.paths[0], CLEAR)
    lines = study.record.read_text().splitlines()
    assert lines[0] == "checked_at,checked_by,path,sha256,finding,band_fraction"
    assert re.fullmatch(r"[0-9a-f]{64}", lines[1].split(",")[3])


def test_the_record_only_grows(study):
    look(study, 0, BAND)
    first = study.record.read_bytes()
    look(study, 1)
    look(study, 0)
    assert study.record.read_bytes().startswith(first)
    assert read_pixel_checks(study.record)["finding"].tolist() == [BAND, CLEAR, CLEAR]


def test_checked_images_are_copied_as_they_are(study):
    look(study, 0)
    look(study, 1)
    found = export(study)
    assert files(study.target) == files(study.images)
    assert found["masked"].tolist() == [False, False]
    assert found["checked_by"].tolist() == ["R1", "R1"]


def test_a_masked_image_is_black_above_and_below_and_is_another_image(study):
    look(study, 0)
    look(study, 1, BAND)
    found = export(study).set_index("path")
    assert found.loc[study.paths[0], "masked"].item() is False
    path = study.paths[1]
    assert found.loc[path, "masked"].item() is True
    old, new = pydicom.dcmread(study.images / path), pydicom.dcmread(study.target / path)
    # a tenth of 32 rows is 3.2: four rows at either end
    black = old.pixel_array.min()
    assert (new.pixel_array[:4] == black).all()
    assert (new.pixel_array[-4:] == black).all()
    assert np.array_equal(new.pixel_array[4:-4], old.pixel_array[4:-4])
    assert new.SOPInstanceUID != old.SOPInstanceUID
    assert new.file_meta.MediaStorageSOPInstanceUID == new.SOPInstanceUID
    codes = [item.CodeValue for item in new.DeidentificationMethodCodeSequence]
    assert codes == ["113100", "113107", "113101"]  # DICOM PS3.16 CID 7050
    assert (new.BurnedInAnnotation, new.StudyDate) == ("NO", old.StudyDate)
    assert validator_errors(study.target / path) <= validator_errors(study.images / path)


def test_black_is_the_highest_value_of_monochrome1():
    film = pydicom.Dataset()
    film.PhotometricInterpretation = "MONOCHROME1"
    values = np.array([[1, 2], [3, 4], [5, 6]])
    assert mask_bands(film, values, 0.3).tolist() == [[6, 6], [3, 4], [6, 6]]


# by law


@given(
    rows=st.integers(1, 40),
    columns=st.integers(1, 5),
    fraction=st.floats(0.001, 0.499),
    seed=st.integers(0, 9),
)
def test_the_bands_have_at_least_their_part(rows, columns, fraction, seed):
    film = pydicom.Dataset()
    film.PhotometricInterpretation = "MONOCHROME2"
    values = np.random.default_rng(seed).integers(-50, 50, (rows, columns))
    before = values.copy()
    masked = mask_bands(film, values, fraction)
    assert np.array_equal(values, before)
    band = int(np.ceil(rows * fraction))
    assert (masked[:band] == values.min()).all()
    assert (masked[rows - band :] == values.min()).all()
    assert np.array_equal(masked[band : rows - band], values[band : rows - band])


# by failure


def test_an_image_that_nobody_looked_at_does_not_leave(study):
    look(study, 0)
    with pytest.raises(StudyError, match="an image that nobody looked at") as caught:
        export(study)
    assert caught.value.problems["file"].tolist() == [study.paths[1]]
    assert not study.target.exists()


def test_text_in_the_pixels_does_not_leave(study):
    look(study, 0)
    look(study, 1, ELSEWHERE)
    with pytest.raises(StudyError, match=ELSEWHERE):
        export(study)
    assert not study.target.exists()


def test_the_last_look_counts(study):
    look(study, 0)
    look(study, 1)
    look(study, 1, ELSEWHERE)
    with pytest.raises(StudyError, match=ELSEWHERE):
        export(study)
    look(study, 1)
    assert len(export(study)) == 2


def test_a_check_ends_when_the_file_changes(study):
    look(study, 0)
    look(study, 1)
    path = study.images / study.paths[1]
    path.write_bytes(path.read_bytes()[:-2] + b"\0\0")
    with pytest.raises(StudyError, match="an image that nobody looked at"):
        export(study)


def test_a_file_that_changes_during_an_export_does_not_leave(study, monkeypatch):
    look(study, 0)
    look(study, 1)
    path = study.images / study.paths[1]

    def changed(folder):
        path.write_bytes(path.read_bytes()[:-2] + b"\0\0")
        return folder

    monkeypatch.setattr("cohortlib.dicom.deidentification.export.make_folder", changed)
    with pytest.raises(StudyError, match="a file that changed since it was looked at"):
        export(study)
    assert not study.target.exists()


def test_an_original_does_not_leave(study):
    (study.images / "original.dcm").write_bytes(hospital_film(image="3"))
    with pytest.raises(StudyError, match=r"Patient Identity Removed \(0012,0062\) is not YES") as caught:
        export(study)
    assert "Quistorp" not in str(caught.value)


def test_identity_that_came_back_does_not_leave(study):
    path = study.images / study.paths[0]
    film = pydicom.dcmread(path)
    film.PatientBirthDate, film.PatientName = "19481117", "Quistorp^W"
    film.save_as(path)
    with pytest.raises(StudyError, match="a value that identifies") as caught:
        export(study)
    assert caught.value.problems["column"].str.contains("Birth Date|Name").sum() == 2
    assert "Quistorp" not in str(caught.value)


def test_junk_among_the_images_stops_the_export(study):
    (study.images / "notes.txt").write_text("Quistorp")
    with pytest.raises(StudyError, match="no DICOM file header"):
        export(study)


@pytest.mark.parametrize("fraction", [0, -0.1, 0.5, 3, float("nan"), 1e-9, None])
def test_a_mask_has_a_size_and_leaves_something(study, fraction):
    with pytest.raises(StudyError, match=r"band_fraction: found .*Expected a part of the rows between 0 and"):
        look(study, 0, BAND, fraction)
    assert not study.record.exists()


def test_a_band_is_of_text_at_the_top_or_bottom_alone(study):
    with pytest.raises(StudyError, match=r"band_fraction: found '0\.2'"):
        record_pixel_check(
            study.record, study.images, study.paths[0], checked_by="R1", finding=CLEAR, band_fraction=0.2
        )


def test_what_hides_in_a_file_that_says_it_is_clean_does_not_leave(study):
    # identity "removed" elsewhere: by hand, with a name in the preamble, behind the image, in an element
    path = study.images / study.paths[0]
    clean = path.read_bytes()
    film = pydicom.dcmread(path)
    film.ImageComments = "Quistorp"
    film.save_as(path)
    for content in (path.read_bytes(), b"Quistorp".ljust(128, b"\0") + clean[128:], clean + b"Quistorp"):
        path.write_bytes(content)
        look(study, 0)
        look(study, 1)
        with pytest.raises(StudyError, match=r"more in it than its image|unknown meaning") as caught:
            export(study)
        assert "Quistorp" not in str(caught.value)
    path.write_bytes(clean)
    look(study, 0)
    assert len(export(study)) == 2


def test_a_name_in_a_sequence_does_not_leave(study):
    path = study.images / study.paths[0]
    film, item = pydicom.dcmread(path), pydicom.Dataset()
    item.PersonName = "Quistorp^W"
    film.ViewCodeSequence[0].ViewModifierCodeSequence = [item]
    film.save_as(path)
    look(study, 0)
    look(study, 1)
    with pytest.raises(StudyError, match=r"Person Name \(0040,A123\): found a value that identifies"):
        export(study)


def test_a_stop_in_the_middle_leaves_no_part_of_an_export(study, monkeypatch):
    look(study, 0)
    look(study, 1)
    replace, count = os.replace, iter(range(9))

    def stopped(*paths):
        if next(count) == 1:
            raise KeyboardInterrupt
        replace(*paths)

    monkeypatch.setattr(os, "replace", stopped)
    before = sorted(study.target.parent.rglob("*"))
    with pytest.raises(KeyboardInterrupt):
        export(study)
    monkeypatch.undo()
    assert sorted(study.target.parent.rglob("*")) == before
    assert len(export(study)) == 2


def test_where_an_export_may_go(study, tmp_path):
    study.target = study.images / "within"
    with pytest.raises(StudyError, match="one folder within the other"):
        export(study)
    study.target = tmp_path / "full"
    study.target.mkdir()
    (study.target / "x").write_text("")
    with pytest.raises(StudyError, match="a place where something lies"):
        export(study)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"finding": "looks fine"}, "found looks fine. Expected nothing burned in or"),
        ({"checked_by": "=R1"}, "found '=R1'"),
        ({"checked_by": "R1\nR2"}, "checked_by"),
        ({"path": "nothing.dcm"}, "an image below the folder"),
        ({"path": "../hospital/1.dcm"}, "an image below the folder"),
        ({"path": ""}, "an image below the folder"),
    ],
)
def test_a_wrong_check_is_not_recorded(study, change, match):
    good = {"path": study.paths[0], "checked_by": "R1", "finding": CLEAR} | change
    path = good.pop("path")
    with pytest.raises(StudyError, match=match):
        record_pixel_check(study.record, study.images, path, **good)
    assert not study.record.exists()


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[:-5],
        lambda text: text.replace("R1", "R 1"),
        lambda text: text.replace("checked_by", "who"),
        lambda text: text + "another line\n",
        lambda text: text + text.splitlines()[1][:30] + "\n",
    ],
)
def test_a_damaged_record_is_refused_and_not_added_to(study, damage):
    look(study, 0)
    study.record.write_text(damage(study.record.read_text()))
    before = study.record.read_bytes()
    with pytest.raises(StudyError, match="Restore the record"):
        look(study, 1)
    with pytest.raises(StudyError, match="Restore the record"):
        export(study)
    assert study.record.read_bytes() == before
