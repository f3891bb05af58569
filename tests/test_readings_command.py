"""`python -m cohortlib readings`: what a person types to take in, list, close and open readings."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pandas as pd
import pytest

from cohortlib.__main__ import main
from cohortlib.commands.worklist import images_to_read
from cohortlib.pipeline.digests import file_digest
from cohortlib.readings import open_readings
from cohortlib.study import read_study
from cohortlib.tables import Study

RULES = '[readings]\nreaders = ["R1", "R2"]\nrepeat_share = 0.5\nwashout_days = 14\nseed = 7\n'


@pytest.fixture
def study(small_study: Path) -> Path:
    """The small study with rules of reading and with files where its images are to be."""
    for path in (small_study / "study.toml", *small_study.glob("tables/*.csv")):
        path.write_text(re.sub(r"203(\d-)", r"202\1", path.read_text()))  # images of the past, to be read now
    toml = small_study / "study.toml"
    toml.write_text(toml.read_text() + RULES)
    for path in read_study(small_study).images["path"]:
        (small_study / path).parent.mkdir(parents=True, exist_ok=True)
        (small_study / path).write_bytes(path.encode())
    return small_study


def readings(folder: Path, *words: str) -> int:
    return main(["readings", str(folder), *words])


# by hand --------------------------------------------------------------------------------------------------


def test_from_a_table_to_unblinded_readings(
    study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert readings(study, "import", "--who", "PI") == 0
    assert capsys.readouterr().out == "landmarks.csv: 3 rows taken in, 0 were there.\n"
    assert readings(study, "worklist", "--who", "PI") == 0
    out = capsys.readouterr().out
    # R1 has read I01 already.
    assert out.splitlines() == [
        "Worklist 1: 2 images for R1, R2.",
        "1 image left out: on a worklist, or read, already.",
    ]
    assert readings(study, "worklist", "--who", "PI") == 1
    assert "Nothing is to be done" in capsys.readouterr().err
    with open_readings(study) as store:
        item = store.next_item("R1")["item_id"].iloc[0]
        image = read_study(study).images.set_index("image_id").loc[store.item_image(item)]
        marks = pd.DataFrame({"landmark": ["teardrop"], "side": ["left"], "x_px": [1.0], "y_px": [2.0]})
        digest = file_digest(study / image["path"])
        store.finish_item(item, reader_id="R1", image_sha256=digest, duration_s=5.0, marks=marks)
    assert readings(study, "progress") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].endswith("readings.sqlite: 3 marks and 0 gradings shown.")
    assert lines[1:3] == [
        "Hidden until the store is unblinded: 1 mark and 0 gradings.",
        lines[2],
    ]
    assert lines[2].startswith("  R1 session 1: 1 of 1 item")
    assert lines[-1] == "Not locked."
    assert readings(study, "lock", "--who", "PI") == 1
    assert "items that are not finished" in capsys.readouterr().err
    assert readings(study, "lock", "--who", "PI", "--accept-unfinished") == 0
    assert capsys.readouterr().out.startswith("Locked by PI on 20")
    assert readings(study, "unblind", "--who", "PI") == 1
    assert "Give --reason" in capsys.readouterr().err
    assert readings(study, "unblind", "--who", "PI", "--reason", "primary analysis") == 0
    assert "6 items of worklists" in capsys.readouterr().out
    assert len(read_study(study).landmarks) == 4
    assert readings(study, "progress") == 0
    assert "Unblinded by PI on" in capsys.readouterr().out


def test_a_worklist_of_some_images(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert readings(study, "worklist", "--who", "PI", "--visit", "week_6", "--view", "AP pelvis") == 1
    assert "at least 2, for one of them to be read again" in capsys.readouterr().err
    assert readings(study, "worklist", "--who", "PI", "--visit", "week_6") == 0
    assert capsys.readouterr().out.startswith("Worklist 1: 2 images")


def test_only_hips_of_the_study_are_to_be_read(study: Path) -> None:
    made = read_study(study, readings=False)
    whole = made.images.assign(side=None)  # films that show both hips
    of_patient = made.hips.groupby("patient_id")["side"].agg("/".join)
    expected = whole["patient_id"].map(of_patient).replace({"left/right": "both", "right/left": "both"})
    assert images_to_read(made, whole)["sides"].tolist() == expected.tolist()
    assert {"both", "left"} <= set(expected), "one patient with both hips, one with the left"
    assert set(images_to_read(made, made.images.assign(side="right"))["sides"]) == {"right"}


def test_columns_of_the_studys_own_are_named(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = study / "tables" / "landmarks.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0] + ",x_hand", *(line + ",right" for line in lines[1:])]) + "\n")
    assert readings(study, "import", "--who", "PI") == 0
    assert "no place for x_hand" in capsys.readouterr().out
    assert readings(study, "import", "--who", "PI") == 0
    assert "0 rows taken in, 3 were there" in capsys.readouterr().out


def test_what_two_grade_differently_goes_to_a_third_who_sees_none_of_it(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert readings(study, "adjudicate", "--who", "PI") == 1
    assert "no adjudicator" in capsys.readouterr().err
    toml = study / "study.toml"
    toml.write_text(
        toml.read_text().replace('readers = ["R1", "R2"]', 'readers = ["R1", "R2"]\nadjudicator = "R3"')
    )
    row = {"side": "left", "repeat": 1, "zone_system": "cup_3", "zone": "1", "width_mm": None}
    about = {"duration_s": 3.0, "image_sha256": "0" * 64}
    rows = [
        {"image_id": image, "reader_id": reader, "state": state, **row, **about}
        for image, reader, state in [
            ("I01", "R1", "none"),
            ("I01", "R2", "complete"),
            ("I02", "R1", "none"),
            ("I02", "R2", "none"),
            ("I02", "R9", "complete"),  # no reader of the study
        ]
    ]
    (study / "tables" / "landmarks.csv").unlink()
    with open_readings(study) as store:
        store.write_gradings(rows)
    assert readings(study, "adjudicate", "--who", "PI") == 0
    assert capsys.readouterr().out == "Worklist 1: 1 of 2 images that two read, gradings, for R3.\n"
    with open_readings(study) as store:
        seen = store.next_item("R3")
        assert seen[["task", "sides", "of"]].to_numpy().tolist() == [["gradings", "left", 1]]
        assert store.item_image(seen["item_id"].iloc[0]) == "I01"
    assert readings(study, "adjudicate", "--who", "PI") == 1
    assert "Nothing is to be done" in capsys.readouterr().err


def test_grades_on_scales_from_a_table_to_a_third_reader(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    toml = study / "study.toml"
    toml.write_text(
        toml.read_text().replace('readers = ["R1", "R2"]', 'readers = ["R1", "R2"]\nadjudicator = "R3"')
    )
    rows = [
        f"I01,{reader},1,left,ossification,whole,{n},2021-02-01T09:00:00Z"
        for reader, n in (("R1", 1), ("R2", 3))
    ]
    path = study / "tables" / "grades.csv"
    path.write_text("\n".join(["image_id,reader_id,repeat,side,scale,part,grade,marked_at", *rows]) + "\n")
    assert readings(study, "import", "--who", "PI") == 0
    assert "grades.csv: 2 rows taken in, 0 were there." in capsys.readouterr().out
    assert readings(study, "worklist", "--who", "PI", "--task", "grades") == 0
    assert capsys.readouterr().out.splitlines()[0] == "Worklist 1: 2 images for R1, R2."
    assert readings(study, "adjudicate", "--who", "PI") == 0
    assert capsys.readouterr().out == "Worklist 2: 1 of 1 image that two read, grades, for R3.\n"
    assert readings(study, "progress") == 0
    assert "3 marks, 0 gradings and 2 grades shown." in capsys.readouterr().out
    assert readings(study, "lock", "--who", "PI", "--accept-unfinished") == 0
    assert "3 marks, 0 gradings and 2 grades." in capsys.readouterr().out


def test_what_two_measure_differently_goes_to_a_third(
    study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    toml = study / "study.toml"
    limit = '[[discrepancies]]\nquantity = "inclination"\nlimit = 5\nunit = "deg"\n'
    toml.write_text(
        toml.read_text().replace('readers = ["R1", "R2"]', 'readers = ["R1", "R2"]\nadjudicator = "R3"')
        + limit
    )
    path = study / "tables" / "landmarks.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines, *(line.replace("R1", "R2") for line in lines[1:])]) + "\n")
    assert readings(study, "import", "--who", "PI") == 0

    def measured(study: Study) -> pd.DataFrame:
        assert set(study.landmarks["reader_id"]) == {"R1", "R2"}
        values = [("I01", "R1", 40.0), ("I01", "R2", 45.5), ("I02", "R1", 40.0), ("I02", "R2", 45.0)]
        table = pd.DataFrame(values, columns=["image_id", "reader_id", "value"])
        about = {
            "hip_id": "H01",
            "patient_id": "P01",
            "visit_id": "week_6",
            "repeat": 1,
            "zone": "",
            "note": "",
        }
        return table.assign(**about, quantity="inclination", unit="deg", sd=None, method="rim")

    monkeypatch.setattr("cohortlib.commands.adjudication.measured_once", measured)
    capsys.readouterr()
    assert readings(study, "adjudicate", "--who", "PI") == 0
    assert capsys.readouterr().out == "Worklist 1: 1 of 2 images that two read, marks, for R3.\n"


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (("import",), "Give --who"),
        (("import", "--who", "a b"), "provenance who"),
        (("progress",), "no such file"),
        (("lock", "--who", "PI"), "no such file"),
        (("unblind", "--who", "PI", "--reason", "x"), "no such file"),
        (("worklist", "--who", "PI", "--visit", "week_7"), "visit_id: found 'week_7'"),
        (("worklist", "--who", "PI", "--view", "AP leg"), "view: found AP leg"),
        (("worklist", "--who", "PI", "--task", "all"), "task: found 'all'"),
        (("adjudicate", "--who", "PI"), "no adjudicator"),
    ],
)
def test_what_cannot_be_done(
    words: tuple[str, ...], match: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert readings(study, *words) == 1
    assert match in capsys.readouterr().err


def test_looking_and_closing_make_no_store(study: Path) -> None:
    for words in (("progress",), ("lock", "--who", "PI")):
        assert readings(study, *words) == 1
    assert not (study / "readings.sqlite").exists()


def test_an_import_that_fails_leaves_no_store(study: Path) -> None:
    path = study / "tables" / "landmarks.csv"
    path.write_text(path.read_text().replace("512.25", "70000"))  # no image is so wide
    assert readings(study, "import", "--who", "PI") == 1
    assert not list(study.glob("*readings*"))
    assert len(read_study(study).landmarks) == 3


def test_rules_and_images_must_be_there(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study / "images" / "I02.dcm").unlink()
    assert readings(study, "worklist", "--who", "PI") == 1
    assert "images/I02.dcm: No such file" in capsys.readouterr().err
    toml = study / "study.toml"
    toml.write_text(toml.read_text().replace("washout_days = 14\n", ""))
    assert readings(study, "worklist", "--who", "PI") == 1
    assert "no washout_days" in capsys.readouterr().err
    with open_readings(study) as store:
        assert store.worklists().empty
        assert datetime.datetime.now(datetime.UTC) > store.events()["stored_at"].iloc[0]
