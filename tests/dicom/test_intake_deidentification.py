"""Identity removed, intervals kept: by PS3.15, by every byte, and by an independent validator."""

import datetime
import importlib.util
import logging
import os
import re
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from deidentification_study import Intake, validator_errors
from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c
from dx_writer import film_bytes
from hospital_files import HOSPITAL_ID, PIXELS, ct_slice, hospital_film, identity
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.uid import JPEGBaseline8Bit, SecondaryCaptureImageStorage

from cohortlib.dicom import find_images, read_radiograph, write_deidentified
from cohortlib.dicom.deidentification.elements import (
    CODED,
    EMPTIED,
    KEPT,
    LOOKUP,
    REMAPPED,
    SHIFTED,
)
from cohortlib.errors import StudyError

DAY = datetime.date(2031, 3, 9)
OUR_OWN = (
    *("PatientID", "PatientName", "PatientIdentityRemoved", "LongitudinalTemporalInformationModified"),
    *("DeidentificationMethod", "DeidentificationMethodCodeSequence", "PixelData"),
    *("CodeValue", "CodingSchemeDesignator", "CodeMeaning"),
)


def elements(dataset):
    """Every element, of sequences too."""
    for element in dataset:
        yield element
        if element.VR == "SQ":
            for item in element.value:
                yield from elements(item)


# by hand


def test_what_becomes_of_a_film(tmp_path):
    new = pydicom.dcmread(Intake(tmp_path, {"film.dcm": hospital_film()}).only())
    assert (new.PatientID, new.PatientName) == ("P001", "P001")
    assert (new.PatientBirthDate, new.PatientSex, new.AccessionNumber, new.StudyTime) == ("", "", "", "")
    assert (new.KVP, new.Exposure, new.DistanceSourceToDetector) == (75, 20, 1150)
    assert (new.Manufacturer, new.ManufacturerModelName) == ("Invented Imaging", "Plate 3")
    assert new.ImagerPixelSpacing == [0.2, 0.1]
    assert new.ViewCodeSequence[0].CodeValue == "399348003"
    assert new.StudyDate == new.SeriesDate == new.AcquisitionDate == new.AcquisitionDateTime
    for keyword in (
        "SeriesDescription",
        "PatientAge",
        "DeviceSerialNumber",
        "AcquisitionTime",
        "PatientComments",
    ):
        assert keyword not in new
    assert all(re.fullmatch(r"2\.25\.[1-9]\d{0,38}", new[keyword].value) for keyword in REMAPPED.values())
    assert new.file_meta.MediaStorageSOPInstanceUID == new.SOPInstanceUID


def test_what_was_done_is_said(tmp_path):
    # DICOM PS3.15 E.1.1 and E.3.6; codes of PS3.16 CID 7050
    new = pydicom.dcmread(Intake(tmp_path, {"film.dcm": hospital_film()}).only())
    assert new.PatientIdentityRemoved == "YES"
    assert new.LongitudinalTemporalInformationModified == "MODIFIED"
    codes = [(item.CodeValue, item.CodingSchemeDesignator) for item in new.DeidentificationMethodCodeSequence]
    assert codes == [("113100", "DCM"), ("113107", "DCM")]


def test_where_images_are_put(tmp_path):
    intake = Intake(tmp_path, {"a/film.dcm": hospital_film(), "b/c.dcm": hospital_film(image="2")})
    found = intake.run()
    assert found["source"].tolist() == ["a/film.dcm", "b/c.dcm"]
    assert found["patient_id"].tolist() == ["P001", "P001"]
    days = {
        re.fullmatch(r"P001/(\d{4}-\d\d-\d\d)/DX_[0-9a-f]{16}/[0-9a-f]{24}\.dcm", path)[1]
        for path in found["path"]
    }
    assert len(days) == 1
    assert days != {"2031-03-09"}
    images = find_images(intake.images)
    assert set(images["path"]) == set(found["path"])
    assert set(images["problem"]) == {""}
    assert images["series_uid"].nunique() == 1


def test_the_pixels_are_the_same(tmp_path):
    intake = Intake(tmp_path, {"film.dcm": hospital_film()})
    before, after = read_radiograph(intake.hospital / "film.dcm"), read_radiograph(intake.only())
    assert np.array_equal(before.pixels, after.pixels)
    assert (before.spacing_mm, before.view, before.note) == (after.spacing_mm, after.view, after.note)


def test_pixels_that_were_compressed_with_loss_still_say_so(tmp_path):
    # DICOM PS3.3, C.7.6.1.1.5: once an image was compressed with loss, it is so for ever
    stream, grey = BytesIO(), (PIXELS // 16).astype(np.uint8)
    Image.fromarray(grey).save(stream, "JPEG", quality=90)
    content = hospital_film(
        pixels=grey, BitsStored=8, syntax=JPEGBaseline8Bit, encoded=stream.getvalue(), private=False
    )
    new = pydicom.dcmread(Intake(tmp_path, {"film.dcm": content}).only())
    assert (new.LossyImageCompression, new.file_meta.TransferSyntaxUID.is_compressed) == ("01", False)


def test_signed_ct_values_stay(tmp_path):
    values = np.arange(-100, 140, dtype=np.int16).reshape(12, 20)
    content = film_bytes(
        values, SOPClassUID="1.2.840.10008.5.1.4.1.1.2", BitsStored=12, **{**identity(DAY), "Modality": "CT"}
    )
    new = pydicom.dcmread(Intake(tmp_path, {"slice": content}).only())
    assert np.array_equal(new.pixel_array, values)


# by reference: PS3.15 table E.1-1 as dicom-anonymizer 2.1.0 has it (edition 2026c)

VALUES = {
    "DA": "20310309", "DT": "20310309134501.5+0100", "TM": "134501.5", "AS": "081Y", "UI": "1.2.3.4.5.66",
    "PN": "Quistorp^W", "DS": "47.1112", "IS": "471112", "CS": "QUISTORP", "AE": "QUISTORP",
    "UR": "https://quistorp.example/x", "US": 47111, "UL": 471112, "FL": 471.5, "FD": 471.5, "SS": 4711,
    "AT": 0x00100010,
}  # fmt: skip
BYTES = ("OB", "OW", "UN", "OB or OW")


def valued(vr):
    """A value of the VR that can be found again; of sequences an item with a name."""
    if vr == "SQ":
        item = Dataset()
        item.PersonName = item.TextValue = "Quistorp^W"
        return [item]
    return b"Quistorp" if vr in BYTES else VALUES.get(vr, "Quistorp 4711")


def profile_tags():
    """Every tag of the table that the dictionary knows; of repeating groups the first."""
    for group, element, *_ in dicomfields_2026c.ALL_TAGS:
        tag = pydicom.tag.Tag(group, element)
        if pydicom.datadict.dictionary_has_tag(tag) and tag.group > 2:
            vr = pydicom.datadict.dictionary_VR(tag)
            yield tag, {"OB or OW": "OB", "US or SS": "US", "UN": "LO"}.get(vr, vr)


def test_the_profile_and_the_allow_list_share_nothing():
    named = {int(tag) for tag, _ in profile_tags()}
    assert len(named) > 550
    for kept in (KEPT, CODED, LOOKUP):
        assert not named & set(kept)
        assert 0 not in kept


def test_no_attribute_of_the_profile_keeps_its_value(tmp_path):
    film = pydicom.dcmread(BytesIO(hospital_film(private=False)))
    originals = {}
    for tag, vr in profile_tags():
        if tag not in film:
            film.add_new(tag, vr, valued(vr))
        originals[tag] = film[tag].value
    stream = BytesIO()
    pydicom.dcmwrite(stream, film, enforce_file_format=True)
    new = pydicom.dcmread(Intake(tmp_path, {"film.dcm": stream.getvalue()}).only())
    kept = [
        str(tag)
        for tag, value in originals.items()
        if tag in new and new[tag].value and new[tag].value == value
    ]
    assert kept == []
    assert len(originals) > 550
    left = {element.keyword for element in elements(new)}
    allowed = {*KEPT.values(), *REMAPPED.values(), *SHIFTED.values(), *EMPTIED.values(), *CODED.values()}
    assert left <= allowed | {*OUR_OWN}


@pytest.mark.parametrize(
    "content",
    [
        hospital_film(),
        hospital_film(private=False, PatientSex=None, AcquisitionContextSequence=[]),
        ct_slice((1, 2, 3), **{**identity(DAY), "Modality": "CT"}),
    ],
    ids=["film", "without sex", "slice"],
)
def test_an_independent_validator_finds_no_new_error(tmp_path, content):
    intake = Intake(tmp_path, {"image.dcm": content})
    assert validator_errors(intake.only()) <= validator_errors(intake.hospital / "image.dcm")


def test_the_films_of_the_demo_stay_without_error(tmp_path):
    from cohortlib.synthetic.dx import write_dx
    from cohortlib.synthetic.recipe import FilmRecipe

    recipe = FilmRecipe(seed=1, implants=())
    pixels = np.zeros((recipe.rows, recipe.columns), np.uint16)
    path = write_dx(
        tmp_path / "x.dcm", pixels, recipe, patient_id="H-1", image_id="I1", study_date=DAY, seed=1
    )
    new = Intake(tmp_path, {"film.dcm": path.read_bytes()}, {"H-1": "P001"}).only()
    assert validator_errors(new) == set()


def test_a_real_film_with_identifying_text(tmp_path):
    # deid-data 0.0.20 (MIT): a digital X-ray of an animal, named and numbered
    found = importlib.util.find_spec("deid_data")
    if found is None:
        pytest.skip("deid-data is not installed")
    path = Path(found.submodule_search_locations[0]) / "data" / "animals" / "cat.dcm"
    original = pydicom.dcmread(path)
    intake = Intake(tmp_path, {"film.dcm": path.read_bytes()}, {str(original.PatientID): "P001"})
    new = intake.only()
    content = new.read_bytes().lower()
    stays = {*KEPT.values(), "CodeValue", "CodingSchemeDesignator", "CodeMeaning"}
    for element in elements(original):
        if element.VR in ("PN", "DA", "UI", "LO", "SH") and element.keyword not in stays:
            for part in re.split(r"[\^\\ ,]", str(element.value).lower()):
                if len(part) > 4 and not part.startswith("1.2.840.10008."):
                    assert part.encode() not in content, element
    assert np.array_equal(pydicom.dcmread(new).pixel_array, original.pixel_array)
    assert validator_errors(new) <= validator_errors(path)


# by law


def test_every_interval_of_a_patient_survives(tmp_path):
    first = datetime.date(2030, 2, 27)
    days = [first + datetime.timedelta(days=step) for step in (0, 1, 2, 45, 366, 731, 3000)]
    files = {f"{n}.dcm": hospital_film(day, ContentDate=None) for n, day in enumerate(days)}
    intake = Intake(tmp_path, files)
    found = intake.run().sort_values("source")
    moved = []
    for path, day in zip(found["path"], days, strict=True):
        new = pydicom.dcmread(intake.images / path)
        dates = {
            element.value[:8] for element in elements(new) if element.VR in ("DA", "DT") and element.value
        }
        assert len(dates) == 1
        assert not any(element.VR == "TM" and element.value for element in elements(new))
        moved.append(datetime.datetime.strptime(dates.pop(), "%Y%m%d").date())
        assert moved[-1] != day
    assert [day - days[0] for day in days] == [day - moved[0] for day in moved]
    assert {(day - new).days for day, new in zip(days, moved, strict=True)} <= set(range(100, 3650))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    days=st.lists(st.dates(datetime.date(1950, 1, 1), datetime.date(2060, 12, 31)), min_size=2, max_size=5),
    data=st.data(),
)
def test_intervals_within_and_between_files(tmp_path_factory, days, data):
    keywords = ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate")
    files, originals = {}, []
    for number, day in enumerate(days):
        dates = [day, *(data.draw(st.sampled_from(days)) for _ in keywords[1:])]
        originals += dates
        header = {keyword: date.strftime("%Y%m%d") for keyword, date in zip(keywords, dates, strict=True)}
        files[f"{number}.dcm"] = hospital_film(day, image=number, private=False, **header)
    intake = Intake(tmp_path_factory.mktemp("intervals"), files)
    moved = []
    for path in intake.run().sort_values("source")["path"]:
        new = pydicom.dcmread(intake.images / path)
        moved += [datetime.datetime.strptime(new[keyword].value, "%Y%m%d").date() for keyword in keywords]
    assert len({old - new for old, new in zip(originals, moved, strict=True)}) == 1


def test_patients_are_moved_by_different_days(tmp_path):
    patients = {f"H-{n}-{n}": f"P{n:03d}" for n in range(20)}
    files = {f"{n}.dcm": hospital_film(hospital_id=number) for n, number in enumerate(patients)}
    found = Intake(tmp_path, files, patients).run()
    assert found["problem"].tolist() == [""] * 20
    assert found["path"].str.split("/").str[1].nunique() > 15


def test_the_same_file_gives_the_same_bytes(tmp_path):
    intake = Intake(tmp_path, {"film.dcm": hospital_film(), "slice": ct_slice((0, 0, 1), **identity(DAY))})
    first = intake.run()
    times = {path: (intake.images / path).stat().st_mtime_ns for path in first["path"]}
    assert intake.run().equals(first)
    assert times == {path: (intake.images / path).stat().st_mtime_ns for path in first["path"]}
    for path in first["path"]:
        (intake.images / path).unlink()
    assert intake.run().equals(first)


def test_uids_stay_consistent_and_another_key_gives_others(tmp_path):
    files = {"1.dcm": hospital_film(image="1"), "2.dcm": hospital_film(image="2")}
    new = [pydicom.dcmread(p) for p in Intake(tmp_path / "one", files).images.parent.glob("x")]
    intakes = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir(exist_ok=True)
        intake = Intake(tmp_path / name, files)
        intakes.append([pydicom.dcmread(intake.images / path) for path in intake.run()["path"]])
    (one, two), (other, _) = intakes
    assert new == []
    assert one.StudyInstanceUID == two.StudyInstanceUID
    assert one.SOPInstanceUID != two.SOPInstanceUID
    assert one.StudyInstanceUID != other.StudyInstanceUID


# by failure


REFUSED = {
    "unknown patient": (
        hospital_film(hospital_id="KH-9"),
        r"Patient ID \(0010,0020\): found a patient whom the key",
    ),
    "no patient": (hospital_film(PatientID=None), "found no patient"),
    "report": (hospital_film(SOPClassUID="1.2.840.10008.5.1.4.1.1.88.11"), "SOP Class UID"),
    "colour": (hospital_film(PhotometricInterpretation="RGB", SamplesPerPixel=3), "a grey image"),
    "film of several frames": (hospital_film(NumberOfFrames=2), "a single film"),
    "screenshot in colour": (
        hospital_film(SOPClassUID=SecondaryCaptureImageStorage, PhotometricInterpretation="PALETTE COLOR"),
        "a grey image",
    ),
    "cut": (hospital_film()[:-200], "bytes for 32 rows|cut short"),
    "junk": (b"junk", "no DICOM file header"),
    "no number": (
        hospital_film(SeriesInstanceUID=None),
        r"Series Instance UID \(0020,000E\): found no value; expected the number of the image",
    ),
    "no pixels": (hospital_film(without=("PixelData",)), "cannot be read"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_refused_is_listed_and_not_written(tmp_path, name):
    content, reason = REFUSED[name]
    intake = Intake(tmp_path, {"wrong.dcm": content, "film.dcm": hospital_film()})
    found = intake.run().set_index("source")
    assert found["path"].ne("").to_dict() == {"film.dcm": True, "wrong.dcm": False}
    assert re.search(reason, found.loc["wrong.dcm", "problem"]), found.loc["wrong.dcm", "problem"]
    assert HOSPITAL_ID not in found.loc["wrong.dcm", "problem"]
    assert "Quistorp" not in found.loc["wrong.dcm", "problem"]
    assert len(list(intake.images.rglob("*.dcm"))) == 1
    assert (intake.hospital / "wrong.dcm").read_bytes() == content


def test_nothing_of_the_original_is_logged_or_noted(tmp_path, caplog, recwarn):
    caplog.set_level(logging.DEBUG)
    wrong = hospital_film(private=False).replace(b"20310309", b"Quistorp").replace(b"1.2.826.0", b"Quistorp.")
    files = {"film.dcm": wrong, "cut.dcm": wrong[:900], "sound.dcm": hospital_film(image="2")}
    found = Intake(tmp_path, files).run()
    said = found.drop(columns="source").to_string() + caplog.text + "".join(str(w.message) for w in recwarn)
    assert "Quistorp" not in said
    assert HOSPITAL_ID not in said
    assert found.set_index("source").loc["sound.dcm", "problem"] == ""


def test_a_stop_in_the_middle_leaves_no_half_file(tmp_path, monkeypatch):
    intake = Intake(tmp_path, {f"{n}.dcm": hospital_film(image=n) for n in range(4)})
    replace, count = os.replace, iter(range(9))

    def stopped(*paths):
        if next(count) == 2:
            raise KeyboardInterrupt
        replace(*paths)

    monkeypatch.setattr(os, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        intake.run()
    monkeypatch.undo()
    assert sum(path.is_file() for path in intake.images.rglob("*")) == 2
    assert intake.run()["problem"].tolist() == [""] * 4


@pytest.mark.parametrize(
    ("source", "target"),
    [("hospital", "hospital/new"), ("hospital", "hospital"), ("hospital", "."), ("no", "images")],
)
def test_originals_and_images_are_kept_apart(tmp_path, source, target):
    intake = Intake(tmp_path, {"film.dcm": hospital_film()})
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(StudyError, match=r"source, target_folder: found (one folder within|no such)"):
        write_deidentified(tmp_path / source, tmp_path / target, key=intake.key)
    assert sorted(tmp_path.rglob("*")) == before


def test_another_image_under_the_same_name_stays(tmp_path):
    intake = Intake(tmp_path, {"film.dcm": hospital_film()})
    path = intake.only()
    path.write_bytes(b"something else")
    found = intake.run()
    assert "another file at its place" in found["problem"].item()
    assert path.read_bytes() == b"something else"


def test_a_link_in_the_study_leads_nowhere(tmp_path):
    intake = Intake(tmp_path, {"film.dcm": hospital_film()})
    (tmp_path / "outside").mkdir()
    intake.images.mkdir()
    (intake.images / "P001").symlink_to(tmp_path / "outside")
    assert "a link that leads out of the folder" in intake.run()["problem"].item()
    assert list((tmp_path / "outside").rglob("*")) == []
