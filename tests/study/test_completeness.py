"""What was expected of each hip at the data cut, what came, and what is missing."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.study import check_study, completeness, read_study
from cohortlib.study.columns import empty_table
from cohortlib.study.completeness import COMPLETENESS_COLUMNS, STATUSES
from cohortlib.tables import DICTIONARY, Study

DEMO = Path(__file__).parents[2] / "synthetic_cohort"
VISITS = ("before", "week_6", "month_12")


def made(table: str, **columns: list[object]) -> pd.DataFrame:
    """Rows of a table of the dictionary, typed, the columns not named empty."""
    empty = empty_table(DICTIONARY[table])
    rows = pd.DataFrame(columns).reindex(columns=list(empty))
    for name, dtype in empty.dtypes.items():
        values = pd.to_datetime(rows[name]) if str(dtype).startswith("datetime64") else rows[name]
        rows[name] = values.astype(dtype)
    return rows.reset_index(drop=True)


def invented(**tables: pd.DataFrame) -> Study:
    """Three patients operated on 1 January 2030; P3 has two hips; nobody came yet."""
    hips = made(
        "hips",
        hip_id=["H1", "H2", "H3L", "H3R"],
        patient_id=["P1", "P2", "P3", "P3"],
        side=["left", "right", "left", "right"],
        arm=["new", "old", "new", "old"],
        surgery_date=["2030-01-01"] * 4,
    )
    schedule = pd.DataFrame(
        {
            "visit_id": VISITS,
            "label": VISITS,
            "due_days": [-30, 42, 365],
            "earliest_days": [-180, 28, 300],
            "latest_days": [0, 70, 450],
            "examinations": [None, ("radiograph", "score"), ("radiograph", "score")],
        }
    )
    given_tables = {name: empty_table(columns) for name, columns in DICTIONARY.items()}
    given_tables |= {"patients": made("patients", patient_id=["P1", "P2", "P3"]), "hips": hips, **tables}
    return Study(
        folder=Path("."),
        title="",
        comparator="old",
        arms=pd.DataFrame({"arm": ["new", "old"], "label": ["New", "Old"]}),
        schedule=schedule,
        instruments=pd.DataFrame({"instrument": ["score"]}),
        thresholds=pd.DataFrame(),
        endpoint={},
        data_cut=pd.Timestamp("2032-01-01"),
        synthetic=True,
        tables=given_tables,
    )


def visits(*rows: tuple[str, str, str]) -> pd.DataFrame:
    patients, names, dates = zip(*rows, strict=True)
    return made("visits", patient_id=list(patients), visit_id=list(names), date=list(dates))


def events(*rows: tuple[str, str | None, str, str]) -> pd.DataFrame:
    patients, sides, words, dates = zip(*rows, strict=True)
    return made(
        "events",
        event_id=[f"E{number}" for number in range(len(rows))],
        patient_id=list(patients),
        side=list(sides),
        event=list(words),
        date=list(dates),
    )


def row(study: Study, hip: str, visit: str, examination: str = "visit", **options: object) -> pd.Series:
    table = completeness(study, **options)  # type: ignore[arg-type]
    chosen = table[
        (table["hip_id"] == hip) & (table["visit_id"] == visit) & (table["examination"] == examination)
    ]
    assert len(chosen) == 1
    return chosen.iloc[0]


# By hand -------------------------------------------------------------------------------------------


def test_one_row_a_hip_visit_and_examination() -> None:
    table = completeness(invented())
    assert list(table.columns) == list(COMPLETENESS_COLUMNS)
    # Before: the visit and the one instrument, as nothing is named. Later: also a radiograph.
    assert len(table) == 4 * (2 + 3 + 3)
    assert table["hip_id"].unique().tolist() == ["H1", "H2", "H3L", "H3R"]
    at_6_weeks = table[(table["hip_id"] == "H1") & (table["visit_id"] == "week_6")]
    assert at_6_weeks[["examination", "owner"]].to_numpy().tolist() == [
        ["visit", "patient"],
        ["radiograph", "hip"],
        ["score", "patient"],
    ]
    dates = at_6_weeks[["due_date", "window_start", "window_end"]].iloc[0]
    assert [f"{day:%Y-%m-%d}" for day in dates] == ["2030-02-12", "2030-01-29", "2030-03-12"]


@pytest.mark.parametrize(
    ("cut", "status", "due", "overdue"),
    [
        ("2030-01-28", "not yet due", False, False),
        ("2030-02-11", "not yet due", False, False),
        ("2030-02-12", "window open", True, False),
        ("2030-03-12", "window open", True, False),
        ("2030-03-13", "overdue", True, True),
    ],
)
def test_nobody_came(cut: str, status: str, due: bool, overdue: bool) -> None:
    found = row(invented(), "H1", "week_6", data_cut=cut)
    assert (found["status"], found["due"], found["overdue"]) == (status, due, overdue)
    assert found["expected"]
    assert found["in_window"] is pd.NA


@pytest.mark.parametrize(
    ("day", "status"),
    [
        ("2030-01-28", "received outside window"),
        ("2030-01-29", "received in window"),
        ("2030-03-12", "received in window"),
        ("2030-03-13", "received outside window"),
    ],
)
def test_the_window_holds_both_its_ends(day: str, status: str) -> None:
    found = row(invented(visits=visits(("P1", "week_6", day))), "H1", "week_6")
    assert found["status"] == status
    assert found["received_on"] == pd.Timestamp(day)


def test_what_comes_early_is_received_and_not_due() -> None:
    study = invented(visits=visits(("P1", "week_6", "2030-01-30")))
    found = row(study, "H1", "week_6", data_cut="2030-02-01")
    assert (found["received"], found["due"]) == (True, False)


def test_nothing_after_the_cut_is_known_yet() -> None:
    came, died = visits(("P1", "week_6", "2030-02-20")), events(("P2", None, "death", "2030-02-20"))
    study = invented(visits=came, events=died)
    assert row(study, "H1", "week_6", data_cut="2030-02-19")["status"] == "window open"
    assert row(study, "H1", "week_6", data_cut="2030-02-20")["status"] == "received in window"
    assert row(study, "H2", "month_12", data_cut="2030-02-19")["status"] == "not yet due"
    assert row(study, "H2", "month_12", data_cut="2030-02-20")["status"] == "excused"


def test_a_questionnaire_is_the_patient_s_and_counts_when_one_question_was_answered() -> None:
    answers = made(
        "answers",
        patient_id=["P3", "P3", "P1", "P1"],
        visit_id=["week_6"] * 4,
        instrument=["score"] * 4,
        item=[1, 2, 1, 2],
        answer=[3, None, None, None],
    )
    came = visits(("P3", "week_6", "2030-02-12"), ("P1", "week_6", "2030-02-12"))
    study = invented(visits=came, answers=answers)
    assert row(study, "H3L", "week_6", "score")["status"] == "received in window"
    assert row(study, "H3R", "week_6", "score")["status"] == "received in window"
    assert row(study, "H1", "week_6", "score")["status"] == "overdue"
    assert row(study, "H1", "week_6")["status"] == "received in window"


def test_a_film_belongs_to_the_side_it_shows_and_has_a_day_of_its_own() -> None:
    images = made(
        "images",
        image_id=["I1", "I2", "I3"],
        patient_id=["P3", "P3", "P1"],
        visit_id=["week_6", "month_12", "week_6"],
        kind=["radiograph", "radiograph", "CT"],
        side=["left", None, None],
        taken_on=["2030-04-01", None, None],
    )
    came = visits(
        *[("P3", visit, "2030-12-30") for visit in ("week_6", "month_12")], ("P1", "week_6", "2030-02-12")
    )
    study = invented(visits=came, images=images)
    assert row(study, "H3L", "week_6", "radiograph")["status"] == "received outside window"
    assert row(study, "H3L", "week_6", "radiograph")["received_on"] == pd.Timestamp("2030-04-01")
    assert row(study, "H3R", "week_6", "radiograph")["status"] == "overdue"
    assert row(study, "H3L", "month_12", "radiograph")["status"] == "received in window"
    assert row(study, "H3R", "month_12", "radiograph")["status"] == "received in window"
    assert row(study, "H1", "week_6", "radiograph")["status"] == "overdue"  # a CT is no radiograph


def test_of_several_the_one_in_the_window_counts_then_the_nearest() -> None:
    images = made(
        "images",
        image_id=["I1", "I2", "I3", "I4"],
        patient_id=["P1", "P1", "P2", "P2"],
        visit_id=["week_6"] * 4,
        kind=["radiograph"] * 4,
        taken_on=["2030-01-27", "2030-03-10", "2030-01-20", "2030-01-27"],
    )
    study = invented(images=images)
    assert row(study, "H1", "week_6", "radiograph")["received_on"] == pd.Timestamp("2030-03-10")
    assert row(study, "H2", "week_6", "radiograph")["received_on"] == pd.Timestamp("2030-01-27")


def test_blood_gait_and_densitometry_leave_their_own_traces() -> None:
    blood = made("blood", patient_id=["P1"], visit_id=["week_6"], analyte=["cobalt"])
    walked = made("gait_trials", trial_id=["T1"], patient_id=["P2"], visit_id=["week_6"])
    scans = made(
        "densitometry",
        hip_id=["H3L", "H3R"],
        visit_id=["week_6"] * 2,
        measured_side=["operated", "other"],
        scanned_on=["2030-02-13", "2030-02-13"],
    )
    came = visits(("P1", "week_6", "2030-02-12"), ("P2", "week_6", "2030-02-12"))
    study = invented(visits=came, blood=blood, gait_trials=walked, densitometry=scans)
    study.schedule.at[1, "examinations"] = ("blood", "gait", "densitometry")
    table = completeness(study)
    got = table[(table["visit_id"] == "week_6") & table["received"]]
    assert set(zip(got["hip_id"], got["examination"], strict=True)) == {
        ("H1", "visit"),
        ("H2", "visit"),
        ("H1", "blood"),
        ("H2", "gait"),
        ("H3L", "densitometry"),
    }


@pytest.mark.parametrize(
    ("event", "hip", "status", "reason"),
    [
        ("death", "H3L", "excused", "death"),
        ("withdrawal", "H3R", "excused", "withdrawal"),
        ("revision", "H3L", "excused", "revision"),
        ("revision", "H3R", "overdue", ""),
        ("lost", "H3L", "overdue", "lost"),
        ("reoperation", "H3L", "overdue", ""),
        ("adverse event", "H3L", "overdue", ""),
    ],
)
def test_what_excuses_and_what_does_not(event: str, hip: str, status: str, reason: str) -> None:
    side = "left" if event in ("revision", "reoperation") else None
    study = invented(events=events(("P3", side, event, "2030-06-01")))
    found = row(study, hip, "month_12")
    assert (found["status"], found["reason"]) == (status, reason)
    assert found["expected"] == (status != "excused")
    # The visit before the event was missed all the same.
    assert row(study, hip, "week_6")["status"] == "overdue"
    assert row(study, hip, "week_6")["reason"] == ""


def test_the_first_ending_is_the_reason_and_what_came_after_it_says_so() -> None:
    study = invented(
        visits=visits(("P1", "month_12", "2030-12-30")),
        events=events(("P1", None, "death", "2031-06-01"), ("P1", None, "withdrawal", "2030-06-01")),
    )
    assert row(study, "H1", "month_12")["status"] == "received in window"
    assert row(study, "H1", "month_12")["reason"] == "after withdrawal"
    assert row(study, "H1", "month_12", "score")["reason"] == "withdrawal"


def test_an_only_hip_needs_no_side_of_its_revision() -> None:
    study = invented(events=events(("P1", None, "revision", "2030-02-01")))
    assert row(study, "H1", "week_6")["reason"] == "revision"


def test_a_hip_operated_on_later() -> None:
    hips = made(
        "hips",
        hip_id=["H1", "H2"],
        patient_id=["P1", "P1"],
        side=["left", "right"],
        arm=["new", "new"],
        surgery_date=["2030-01-01", "2030-06-01"],
    )
    images = made("images", image_id=["I1"], patient_id=["P1"], visit_id=["week_6"], kind=["radiograph"])
    study = invented(hips=hips, images=images, visits=visits(("P1", "week_6", "2030-02-12")))
    assert row(study, "H1", "week_6", "radiograph")["status"] == "received in window"
    late = row(study, "H2", "week_6", "radiograph")
    assert (late["status"], late["reason"]) == ("excused", "hip operated on after the window")
    # The visit is the patient's: he came.
    assert row(study, "H2", "week_6")["status"] == "received in window"
    assert row(study, "H2", "month_12", "radiograph")["status"] == "overdue"
    early = row(study, "H2", "month_12", data_cut="2030-03-01")
    assert (early["status"], early["reason"]) == ("not yet due", "operated after the data cut")


def test_a_patient_without_an_operation_has_rows_without_a_hip() -> None:
    study = invented(
        patients=made("patients", patient_id=["P1", "P2", "P3", "P4", "P5"]),
        events=events(("P5", None, "withdrawal", "2030-01-05")),
        visits=visits(("P4", "before", "2029-12-01")),
    )
    table = completeness(study)
    waiting = table[table["patient_id"] == "P4"].set_index(["visit_id", "examination"])
    assert waiting["hip_id"].isna().all()
    assert waiting.loc[("before", "visit"), "status"] == "received, window unknown"
    assert waiting.loc[("week_6", "visit"), ["status", "reason"]].tolist() == ["not yet due", "no operation"]
    left = table[table["patient_id"] == "P5"]
    assert set(left["status"]) == {"excused"}
    assert set(left["reason"]) == {"withdrawal"}


def test_events_may_be_absent() -> None:
    study = invented()
    without = {name: table for name, table in study.tables.items() if name in ("patients", "hips", "visits")}
    pd.testing.assert_frame_equal(
        completeness(dataclasses.replace(study, tables=without)), completeness(study)
    )


def test_examinations_are_named_in_the_definition(small_study: Path) -> None:
    path = small_study / "study.toml"
    text = path.read_text()
    assert completeness(read_study(small_study))["examination"].unique().tolist() == [
        "visit",
        "oxford_hip_score",
    ]
    path.write_text(text.replace('label = "6 weeks"', 'label = "6 weeks"\nexaminations = ["radiograph"]'))
    table = completeness(read_study(small_study))
    named = table[table["visit_id"] == "week_6"]
    assert named["examination"].unique().tolist() == ["visit", "radiograph"]
    films = named[named["examination"] == "radiograph"].set_index("hip_id")["status"]
    # I03 shows P02, whose right hip was operated on later; P03 came to no visit at 6 weeks.
    assert films.to_dict() == {
        "H01": "received in window",
        "H02": "received in window",
        "H03": "excused",
        "H04": "overdue",
    }
    path.write_text(text.replace('label = "6 weeks"', 'label = "6 weeks"\nexaminations = []'))
    table = completeness(read_study(small_study))
    assert table.loc[table["visit_id"] == "week_6", "examination"].unique().tolist() == ["visit"]


# By reference: counted another way for the demo study (notebook 00, and its generator) ----------------


def test_visits_of_the_demo() -> None:
    study = read_study(DEMO)
    table = completeness(study)
    seen = table[table["examination"] == "visit"].drop_duplicates(["patient_id", "visit_id"])
    counts = seen.groupby(["visit_id", "status"]).size()
    assert counts["month_12"].to_dict() == {
        "excused": 3,
        "overdue": 3,
        "received in window": 52,
        "received outside window": 2,
    }
    came = study.visits.groupby("visit_id").size()
    assert seen[seen["received"]].groupby("visit_id").size().to_dict() == came.to_dict()
    inside = study.visits.groupby("visit_id")["in_window"].sum()
    assert counts.xs("received in window", level="status").to_dict() == inside.to_dict()


def test_those_who_left_the_demo_are_excused_from_then_on() -> None:
    """Source: truth.csv, which the generator wrote before there were events."""
    truth = pd.read_csv(DEMO / "truth.csv")
    left = truth[truth["quantity"].str.fullmatch("day_of_(withdrawal|death)")]
    table = completeness(read_study(DEMO))
    at_12_months = table[(table["visit_id"] == "month_12") & (table["status"] == "excused")]
    assert set(at_12_months["patient_id"]) == set(left["patient_id"])
    reason = at_12_months.drop_duplicates("patient_id").set_index("patient_id")["reason"]
    assert ("day_of_" + reason).to_dict() == left.set_index("patient_id")["quantity"].to_dict()
    assert not table["reason"].str.startswith("after").any()


def test_films_of_the_demo_are_expected_where_they_were_taken() -> None:
    table = completeness(read_study(DEMO)).query("examination == 'radiograph'")
    assert table["visit_id"].unique().tolist() == ["week_6", "month_12"]
    came = table[table["received"]].groupby("visit_id").size().to_dict()
    # 59 and 54 films, each of one or both hips of a patient.
    assert came == {"week_6": 69, "month_12": 62}


# By law --------------------------------------------------------------------------------------------


def random_study(seed: int) -> Study:
    """Visits, films and events at random, some impossible ones among them."""
    rng = np.random.default_rng(seed)
    days = pd.date_range("2029-06-01", "2031-12-01")
    who = ["P1", "P2", "P3"]
    came = [
        (patient, visit, str(rng.choice(days))[:10])
        for patient in who
        for visit in VISITS
        if rng.random() < 0.6
    ]
    happened = [
        (
            patient,
            str(rng.choice(["left", "right"])),
            str(rng.choice(["death", "withdrawal", "lost", "revision"])),
            str(rng.choice(days))[:10],
        )
        for patient in who
        if rng.random() < 0.5
    ]
    films = [(patient, visit) for patient, visit, _ in came if rng.random() < 0.7]
    images = made(
        "images",
        image_id=[f"I{number}" for number in range(len(films))],
        patient_id=[patient for patient, _ in films],
        visit_id=[visit for _, visit in films],
        kind=["radiograph"] * len(films),
        side=[str(rng.choice(["left", "right"])) if rng.random() < 0.5 else None for _ in films],
    )
    study = invented(images=images, visits=visits(*came)) if came else invented(images=images)
    tables = {**study.tables, "events": events(*happened)} if happened else study.tables
    return dataclasses.replace(study, tables=tables)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.dates(pd.Timestamp("2029-01-01").date(), pd.Timestamp("2032-01-01").date()))
def test_every_row_has_one_status_and_the_flags_follow(seed: int, cut: object) -> None:
    table = completeness(random_study(seed), data_cut=cut)  # type: ignore[arg-type]
    assert len(table) == 32
    assert set(table["status"]) <= set(STATUSES)
    assert (table["received"] == table["status"].str.startswith("received")).all()
    assert (table["expected"] == (table["status"] != "excused")).all()
    assert (table["overdue"] == (table["status"] == "overdue")).all()
    assert (table["overdue"] <= table["due"]).all()
    assert (table["due"] <= table["expected"]).all()
    assert (table["in_window"].notna() == table["received"]).all()
    assert (table["reason"] != "").sum() >= (table["status"] == "excused").sum()
    assert (table.loc[table["received"], "received_on"] <= pd.Timestamp(cut)).all()  # type: ignore[arg-type]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 800), st.integers(0, 200))
def test_a_later_cut_takes_nothing_away(seed: int, day: int, later: int) -> None:
    study, start = random_study(seed), pd.Timestamp("2029-03-01")
    one = completeness(study, data_cut=start + pd.Timedelta(days=day))
    other = completeness(study, data_cut=start + pd.Timedelta(days=day + later))
    assert (one["received"] <= other["received"]).all()
    reached = one["due"] & other["expected"]
    assert (reached <= other["due"]).all()


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(seed: int, random: object) -> None:
    study = random_study(seed)
    mixed = {
        name: table.sample(frac=1, random_state=random.randrange(99)).reset_index(drop=True)  # type: ignore[attr-defined]
        for name, table in study.tables.items()
        if name not in ("patients", "hips")
    }
    shuffled = dataclasses.replace(study, tables={**study.tables, **mixed})
    pd.testing.assert_frame_equal(completeness(shuffled), completeness(study))


# By recovery ---------------------------------------------------------------------------------------


def test_known_fates_are_found_again() -> None:
    rng = np.random.default_rng(8)
    fates = ["in", "early", "late", "missed", "death", "lost"]
    truth, came, happened, surgery = {}, [], [], pd.Timestamp("2030-01-01")
    names = [f"P{number}" for number in range(120)]
    for name in names:
        fate = str(rng.choice(fates))
        truth[name] = fate
        days = {"in": rng.integers(300, 451), "early": rng.integers(100, 300), "late": rng.integers(451, 600)}
        if fate in days:
            came.append((name, "month_12", f"{surgery + pd.Timedelta(days=int(days[fate])):%Y-%m-%d}"))
        elif fate != "missed":
            day = surgery + pd.Timedelta(days=int(rng.integers(80, 451)))
            happened.append((name, None, fate, f"{day:%Y-%m-%d}"))
    study = invented(
        patients=made("patients", patient_id=names),
        hips=made(
            "hips",
            hip_id=[f"{name}L" for name in names],
            patient_id=names,
            side=["left"] * 120,
            arm=["new"] * 120,
            surgery_date=["2030-01-01"] * 120,
        ),
        visits=visits(*came),
        events=events(*happened),
    )
    table = completeness(study)
    at_12_months = table[(table["visit_id"] == "month_12") & (table["examination"] == "visit")]
    words = {
        "in": ("received in window", ""),
        "early": ("received outside window", ""),
        "late": ("received outside window", ""),
        "missed": ("overdue", ""),
        "death": ("excused", "death"),
        "lost": ("overdue", "lost"),
    }
    found = {
        name: (status, reason)
        for name, status, reason in at_12_months[["patient_id", "status", "reason"]].to_numpy()
    }
    assert found == {name: words[fate] for name, fate in truth.items()}


# By failure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cut", "match"),
    [
        ("2032-01-02", r"found '2032-01-02'\. Expected a day up to data_cut in study.toml, 2032-01-01"),
        ("soon", r"data_cut: found 'soon'\. Expected a day such as"),
        ("2031-06-30T12:00", "a day such as"),
        ("2031-06-30T00:00+02:00", "a day such as"),
    ],
)
def test_a_data_cut_that_is_none(cut: str, match: str) -> None:
    with pytest.raises(StudyError, match=match):
        completeness(invented(), data_cut=cut)


def test_no_data_cut_at_all() -> None:
    study = dataclasses.replace(invented(), data_cut=None)
    with pytest.raises(StudyError, match="found no data cut"):
        completeness(study)
    assert len(completeness(study, data_cut="2035-01-01")) == 32


def test_a_revision_of_nobody_knows_which_hip() -> None:
    study = invented(events=events(("P3", None, "revision", "2030-06-01")))
    with pytest.raises(
        StudyError, match=r"events.csv, side: found no side of the revision of P3 on 2030-06-01"
    ):
        completeness(study)


@pytest.mark.parametrize(
    ("line", "found", "expected"),
    [
        ('examinations = ["radiografph"]', "radiografph", "'radiograph'"),
        ('examinations = ["visit"]', "visit", "oxford_hip_score"),
        ('examinations = "radiograph"', "radiograph", "a list of ids, each once"),
        ('examinations = ["radiograph", "radiograph"]', "['radiograph', 'radiograph']", "a list of ids"),
        ("examinations = [1]", "[1]", "a list of ids"),
    ],
)
def test_a_wrong_list_of_examinations(small_study: Path, line: str, found: str, expected: str) -> None:
    path = small_study / "study.toml"
    path.write_text(path.read_text().replace('label = "6 weeks"', f'label = "6 weeks"\n{line}'))
    problems = check_study(small_study)
    assert problems["column"].tolist() == ["[[visits]] examinations"]
    assert problems["found"].tolist() == [found]
    assert expected in problems["expected"].iloc[0] + problems["remedy"].iloc[0]


def test_an_instrument_may_not_be_called_like_another_examination(small_study: Path) -> None:
    for path in (small_study / "study.toml", small_study / "tables/answers.csv"):
        path.write_text(path.read_text().replace("oxford_hip_score", "radiograph"))
    problems = check_study(small_study)
    assert "another name than those of examinations" in problems["expected"].iloc[0]
