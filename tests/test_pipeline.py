"""The pipeline: films made, measured, kept and measured again only when something changed."""

from __future__ import annotations

import datetime
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.measure.cup_lines import measured_lines
from cohortlib.measure.marked import measurements_from_marks
from cohortlib.pipeline import make_images, measure_study
from cohortlib.pipeline.cache import kept_path, read_kept, write_kept
from cohortlib.pipeline.digests import combined_digest
from cohortlib.pipeline.film import FilmTask, Hip, Mark, marks_of_hip, rows_of_readings
from cohortlib.pipeline.measuring import film_tasks, films_to_measure
from cohortlib.pipeline.scales import film_scales
from cohortlib.pipeline.workers import parallel_results
from cohortlib.study import read_study
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.tables import MEASUREMENT_COLUMNS, ZONE_STATES, Study

ANATOMY = Path(__file__).parents[1] / "synthetic_cohort" / "anatomy"
#: Two hips of one patient, of which the left was operated first.
IMPLANTS = (
    ImplantRecipe("left", "resurfacing", 48, 54, inclination_deg=42, anteversion_deg=16),
    ImplantRecipe("right", "short_stem", 36, 52, inclination_deg=38, anteversion_deg=20),
)
FILM = FilmRecipe(seed=11, implants=IMPLANTS, spacing_mm=0.6, columns=700, rows=575)
HIPS = """\
hip_id,patient_id,side,arm,device,surgery_date,surgeon_id,head_diameter_mm,cup_diameter_mm
H01,P01,left,resurfacing,Cup A,2030-01-10,S1,48,54
H02,P01,right,short_stem,Stem B,2030-06-01,S1,36,52
H03,P03,right,short_stem,Stem B,2030-03-15,S1,36,52
"""
IMAGES = """\
image_id,patient_id,visit_id,kind,view,position,path
I01,P01,week_6,radiograph,AP pelvis,supine,images/I01.dcm
I02,P01,month_12,radiograph,AP pelvis,supine,images/I02.dcm
I03,P03,month_12,radiograph,AP pelvis,supine,images/I03.dcm
"""


@pytest.fixture(scope="module")
def film_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Images I01 (left hip operated) and I02 (both), and landmarks.csv where everything truly lies."""
    folder = tmp_path_factory.mktemp("films")
    anatomy = read_anatomy(ANATOMY)
    marks = []
    for image_id, recipe in (("I01", replace(FILM, implants=IMPLANTS[:1])), ("I02", FILM)):
        write_dx(
            folder / f"{image_id}.dcm",
            film_pixels(recipe, anatomy),
            recipe,
            patient_id="P01",
            image_id=image_id,
            study_date=datetime.date(2030, 2, 21),
            seed=1,
        )
        seen = true_landmarks(recipe, anatomy).query(
            "visible and landmark in ('teardrop', 'head_edge', 'cup_rim')"
        )
        marks.append(seen.assign(image_id=image_id, reader_id="R1", repeat=1))
    table = pd.concat(marks).assign(marked_at="2031-10-07T15:00:00Z")
    columns = ["image_id", "reader_id", "repeat", "landmark", "side", "x_px", "y_px", "marked_at"]
    # I03 has marks and no image; its right cup is not marked.
    lone = pd.DataFrame(
        [
            ["I03", "R1", 1, "teardrop", side, x, 300.0, "2031-10-07T15:00:00Z"]
            for side, x in (("left", 400), ("right", 300))
        ],
        columns=columns,
    )
    pd.concat([table[columns], lone]).to_csv(folder / "landmarks.csv", index=False)
    return folder


@pytest.fixture
def film_study(small_study: Path, film_folder: Path) -> Path:
    """A study of its own for each test, with the films of `film_folder`."""
    (small_study / "images").mkdir()
    for name in ("I01.dcm", "I02.dcm"):
        shutil.copy(film_folder / name, small_study / "images" / name)
    tables = small_study / "tables"
    shutil.copy(film_folder / "landmarks.csv", tables / "landmarks.csv")
    (tables / "hips.csv").write_text(HIPS)
    (tables / "images.csv").write_text(IMAGES)
    for name in ("patients", "visits"):
        text = (tables / f"{name}.csv").read_text().splitlines()
        (tables / f"{name}.csv").write_text("\n".join(line for line in text if "P02" not in line) + "\n")
    return small_study


def no_worker(*_: object) -> object:
    raise AssertionError("something was measured that is known")


# --- by hand -----------------------------------------------------------------------------------------


def test_marks_of_a_hip_have_both_teardrops_and_its_own_side():
    marks = [
        Mark("R1", 1, "teardrop", "left", 1, 2),
        Mark("R1", 1, "teardrop", "right", 3, 4),
        Mark("R1", 1, "head_edge", "left", 5, 6),
        Mark("R1", 1, "cup_rim", "right", 7, 8),
    ]
    table = marks_of_hip(marks, "left")
    assert table["landmark"].tolist() == ["teardrop_left", "teardrop_right", "head_edge"]
    assert table["x_px"].tolist() == [1, 3, 5]


def test_every_hip_and_reading_has_a_row_a_quantity_even_without_a_film():
    marks = tuple(
        Mark(reader, repeat, "cup_rim", side, 1, 1)
        for reader, repeat in (("R2", 1), ("R1", 2), ("R1", 1))
        for side in ("left", "right")
    )
    hips = (Hip("H2", "left", 48, 54, True), Hip("H1", "right", 48, None, True))
    rows = rows_of_readings(
        FilmTask("I1", "P1", "week_6", Path(), "a.dcm", hips, marks), "image file missing"
    )
    table = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
    # hips as in the table, readers and repeats sorted
    assert table["hip_id"].tolist() == ["H2"] * 6 + ["H1"] * 6
    assert list(zip(table["reader_id"], table["repeat"], strict=True))[:6:2] == [
        ("R1", 1),
        ("R1", 2),
        ("R2", 1),
    ]
    assert table["quantity"].tolist()[:2] == ["inclination", "anteversion"]
    assert table["value"].isna().all()
    assert set(table["note"]) == {"image file missing"}


def test_a_side_not_yet_operated_has_rows_only_if_its_implant_is_marked():
    marks = (Mark("R1", 1, "cup_rim", "left", 1, 1), Mark("R1", 1, "teardrop", "right", 1, 1))
    before = (Hip("H1", "left", 48, 54, False), Hip("H2", "right", 48, 54, False))
    rows = rows_of_readings(FilmTask("I1", "P1", "before", Path(), "a.dcm", before, marks), "x")
    assert {row[0] for row in rows} == {"H1"}
    later = tuple(hip._replace(operated=True) for hip in before)
    rows = rows_of_readings(FilmTask("I1", "P1", "before", Path(), "a.dcm", later, marks), "x")
    assert {row[0] for row in rows} == {"H1", "H2"}


def test_a_hip_counts_as_operated_from_the_day_of_surgery(film_study):
    operated = {
        (task.image_id, hip.hip_id): hip.operated
        for task in film_tasks(read_study(film_study))
        for hip in task.hips
    }
    assert operated == {
        ("I01", "H01"): True,
        ("I01", "H02"): False,
        ("I02", "H01"): True,
        ("I02", "H02"): True,
        ("I03", "H03"): True,
    }


# --- by law ------------------------------------------------------------------------------------------


@given(st.lists(st.text(max_size=5), max_size=5), st.lists(st.text(max_size=5), max_size=5))
def test_digests_of_texts_differ_unless_the_texts_are_the_same(first, second):
    assert (combined_digest(first) == combined_digest(second)) == (first == second)


@given(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=20))
def test_what_is_kept_comes_back_exactly(tmp_path_factory, value, note):
    path = tmp_path_factory.getbasetemp() / "kept.json"
    row = ["H1", "P1", "week_6", "I1", "R1", 1, "inclination", "", value, "deg", None, "", note]
    try:
        write_kept(path, key="k", image={"size": 1, "mtime_ns": 2, "sha256": "s"}, rows=[row])
    except UnicodeEncodeError:  # half of a pair of UTF-16, which no file can hold
        return
    assert read_kept(path)["rows"] == [row]


@given(st.lists(st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,8}", fullmatch=True), unique=True, max_size=6))
def test_ids_have_files_of_their_own_even_where_case_does_not_count(ids):
    assert len({str(kept_path(Path(), image_id)).lower() for image_id in ids}) == len(ids)


# --- by recovery -------------------------------------------------------------------------------------


def test_cups_are_found_where_they_were_put_and_known_the_second_time(film_study, monkeypatch, capfd):
    study = read_study(film_study)
    assert films_to_measure(study) == ["I01", "I02"]
    table = measure_study(study)
    assert capfd.readouterr() == ("", "")  # a notebook's output must not depend on what was known before
    assert list(table.columns) == list(MEASUREMENT_COLUMNS)
    angles = table[table["quantity"].isin(["inclination", "anteversion"])]
    assert angles["image_id"].tolist() == ["I01"] * 2 + ["I02"] * 4 + ["I03"] * 2
    assert angles["hip_id"].tolist() == ["H01"] * 4 + ["H02"] * 2 + ["H03"] * 2
    both = true_pose(FILM, read_anatomy(ANATOMY))
    for row in angles[angles["image_id"] == "I02"].itertuples():
        side = {"H01": "left", "H02": "right"}[row.hip_id]
        truth = both[(both["side"] == side) & (both["quantity"] == row.quantity)]["value"].item()
        # marks at their true places: what remains is the film's own noise and sampling
        assert row.value == pytest.approx(truth, abs=2.0), f"{side} {row.quantity}"
        assert 0 < row.sd < 1.5

    check_that_marks_have_the_scale_of_their_film(study, table)

    monkeypatch.setattr("cohortlib.pipeline.workers.ProcessPoolExecutor", no_worker)
    again = measure_study(study)
    pd.testing.assert_frame_equal(again, table, check_exact=True)
    os.utime(film_study / "images" / "I01.dcm")
    pd.testing.assert_frame_equal(measure_study(study), table, check_exact=True)
    assert films_to_measure(study) == []

    # a missing file and a missing mark are said, and stop nothing
    lone = table[table["image_id"] == "I03"]
    assert lone["value"].isna().all()
    assert set(lone["note"]) == {"image file missing"}

    check_that_only_what_changed_is_measured_again(film_study)


def check_that_marks_have_the_scale_of_their_film(study: Study, table: pd.DataFrame) -> None:
    """What marks alone tell is the same, whether it comes by way of the films or of a table of scales."""
    from_pixels = table["quantity"].isin(["inclination", "anteversion"])
    from_pixels |= table["quantity"].str.startswith("line_")
    alone = measurements_from_marks(study, scales=film_scales(study, workers=1))
    alone = alone[alone["image_id"] != "I03"]  # its film is missing
    assert len(alone) == 6
    pd.testing.assert_frame_equal(table[~from_pixels].reset_index(drop=True), alone, check_exact=True)
    zones = measured_lines(table)
    assert zones["zone"].tolist() == ["1", "2", "3"] * 3
    assert set(zones["state"]) <= set(ZONE_STATES)
    # pixels of 0.6 mm are too coarse for lines: said, not guessed
    assert zones["note"].str.contains("0.60 mm").all()


def check_that_only_what_changed_is_measured_again(folder: Path) -> None:
    """Each change in turn; nothing is measured, so each stays to be measured."""
    kept = folder / "derived" / "measurements"
    damaged = kept_path(kept, "I02")
    text = damaged.read_bytes()
    for broken in (b"", b"[]", b"[" * 100_000, text[:-40], text.replace(b'"inclination"', b"7")):
        damaged.write_bytes(broken)
        assert films_to_measure(read_study(folder)) == ["I02"]
    damaged.write_bytes(text)

    marks = folder / "tables" / "landmarks.csv"
    original = marks.read_text()
    lines = original.splitlines()
    moved = lines[1].split(",")
    moved[5] = repr(float(moved[5]) + 1)
    marks.write_text("\n".join([lines[0], ",".join(moved), *lines[2:]]) + "\n")
    assert films_to_measure(read_study(folder)) == ["I01"]
    marks.write_text(original)

    hips = folder / "tables" / "hips.csv"
    hips.write_text(HIPS.replace("36,52", "36,54"))
    assert films_to_measure(read_study(folder)) == ["I01", "I02"]
    hips.write_text(HIPS)

    patients = folder / "tables" / "patients.csv"
    original = patients.read_text()
    patients.write_text(original.replace("P01,female", "P01,male"))
    assert films_to_measure(read_study(folder)) == ["I01", "I02"]
    patients.write_text(original)

    film = folder / "images" / "I01.dcm"
    film.write_bytes(film.read_bytes() + b"\0")
    assert films_to_measure(read_study(folder)) == ["I01"]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cohortlib.pipeline.measuring.measuring_source", lambda: "another release")
        assert films_to_measure(read_study(folder)) == ["I01", "I02"]


# --- by failure --------------------------------------------------------------------------------------


def test_a_damaged_film_has_rows_that_say_so_and_the_others_are_measured(film_study):
    film = film_study / "images" / "I01.dcm"
    film.write_bytes(film.read_bytes()[:2000])
    (film_study / "images" / "I02.dcm").unlink()
    (film_study / "images" / "I02.dcm").mkdir()
    table = measure_study(read_study(film_study))
    assert table["value"].isna().all()
    notes = table.groupby("image_id")["note"].unique()
    assert "images/I01.dcm" in notes["I01"][0]
    assert "\n" not in notes["I01"][0]
    assert notes["I02"].tolist() == ["image file missing"]


def test_missing_marks_are_a_note(film_study):
    marks = film_study / "tables" / "landmarks.csv"
    kept = [
        line for line in marks.read_text().splitlines() if "I02" not in line and ",head_edge," not in line
    ]
    marks.write_text("\n".join(kept) + "\n")
    table = measure_study(read_study(film_study), workers=1)
    assert table["image_id"].tolist() == ["I01", "I01", "I03", "I03"]
    assert table["note"].str.contains("'head_edge'").tolist() == [True, True, False, False]


def test_images_are_made_for_an_invented_study_only(small_study):
    with pytest.raises(StudyError, match="Expected the films of the demo study"):
        make_images(small_study)
    text = (small_study / "study.toml").read_text()
    (small_study / "study.toml").write_text(text.replace("synthetic = true", "synthetic = false"))
    with pytest.raises(StudyError, match="not marked as invented"):
        make_images(small_study)
    assert not (small_study / "images").exists()


def test_a_folder_that_cannot_be_written_to_is_said_at_once(film_study):
    (film_study / "derived").write_text("a file where a folder should be")
    with pytest.raises(StudyError, match="cannot be written to"):
        measure_study(read_study(film_study))


def end_the_process(_: int) -> None:
    os._exit(1)


def test_a_worker_that_is_ended_from_outside_is_a_study_error():
    with pytest.raises(StudyError, match="fewer workers"):
        list(parallel_results(end_the_process, [1], workers=1, title="test"))


def refuse(number: int) -> int:
    raise ValueError(f"number {number}")


def test_a_fault_of_the_library_itself_is_not_hidden():
    before = dict(os.environ)
    with pytest.raises(ValueError, match="number 1"):
        list(parallel_results(refuse, [1], workers=1, title="test"))
    assert dict(os.environ) == before


def test_nothing_to_do_starts_no_process(monkeypatch):
    monkeypatch.setattr("cohortlib.pipeline.workers.ProcessPoolExecutor", no_worker)
    assert list(parallel_results(refuse, [], workers=2, title="test")) == []
