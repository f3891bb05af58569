"""What tables must say of each other: dates, sides, owners, units; each untruth has place, value and remedy.

Two rows of hips.csv can contradict each other about a patient in two ways only: both on one side, or on one
day in two hospitals. Birth year and sex stand in patients.csv once, so they cannot.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortlib.errors import StudyError
from cohortlib.study import check_study, read_study
from cohortlib.study.checks.blood import blood_problems
from cohortlib.study.likely_units import unit_remedy
from cohortlib.tables import DICTIONARY
from cohortlib.tables.laboratory import MOLAR_MASSES_G_PER_MOL

#: Tables that the small study lacks: P01 has a left hip; P02 a left and, from 12 May 2030, a right one.
MORE = {
    "plans": """\
hip_id,planned_on,angle_definition,planned_inclination_deg,planned_anteversion_deg
H01,2030-01-03,radiographic,40,15
H02,,,,
""",
    "images": """\
image_id,patient_id,visit_id,kind,view,position,side,examination,taken_on,path,sha256
I01,P01,week_6,radiograph,AP pelvis,supine,,,,images/I01.dcm,{a}
I02,P01,month_12,radiograph,AP pelvis,standing,,1,2031-01-09,images/I02.dcm,{b}
I03,P02,week_6,radiograph,AP hip,,left,,,images/P02/I03.dcm,{c}
I04,P01,month_12,radiograph,AP pelvis,standing,,2,2031-01-10,images/I04.dcm,
""".format(a="a" * 64, b="b" * 64, c="c" * 64),
    "gradings": """\
image_id,reader_id,repeat,side,zone_system,zone,state,width_mm,marked_at
I01,R1,1,left,cup_3,1,none,,2031-02-01T09:00:00Z
I03,R1,1,left,stem_7,7,complete,1.5,2031-02-01T09:00:00Z
""",
    "blood": """\
patient_id,visit_id,analyte,matrix,value,unit,below_limit,limit
P01,before,cobalt,serum,,ug/L,yes,0.1
P01,month_12,cobalt,serum,1.5,ug/L,no,0.1
P01,month_12,chromium,whole blood,30,nmol/L,no,
""",
    "densitometry": """\
hip_id,visit_id,measured_side,repeat,scan_id,scanned_on,zone_system,zone,bmd_g_cm2,area_cm2,scanner,mode
H01,week_6,operated,1,S1,2030-02-22,stem_7,1,0.8,4,D1,hip 1.0
H01,week_6,other,1,S2,,stem_7,1,0.9,4,D1,hip 1.0
H02,week_6,other,1,S3,,stem_7,1,0.9,4,D1,hip 1.0
""",
    "gait_trials": """\
trial_id,patient_id,visit_id,speed_choice,speed_m_s,walked_on
T1,P01,month_12,self-selected,1.2,2031-01-11
""",
    "grades": """\
image_id,reader_id,repeat,side,scale,part,grade,marked_at
I01,R1,1,left,ossification,whole,0,2031-02-01T09:02:00Z
""",
    "gait_curves": """\
trial_id,side,signal,step,phase,phase_percent,value,unit
T1,left,vertical ground reaction force,1,stance,0,0,N/kg
T1,left,vertical ground reaction force,1,stance,50,9.5,N/kg
""",
    "events": """\
event_id,patient_id,side,event,date,reported_on,resolved_on
E1,P01,left,reoperation,2030-06-01,2030-06-03,2030-06-10
E2,P02,right,revision,2031-03-01,,
E3,P01,,adverse event,2030-07-01,,
E4,P02,,death,2032-05-01,,
""",
    "ct_doses": """\
patient_id,visit_id,acquisition,body_part,ctdi_vol_mgy,phantom,dlp_mgy_cm
P01,month_12,1,pelvis,10,32 cm,250
""",
}


@pytest.fixture
def full_study(small_study: Path) -> Path:
    for table, text in MORE.items():
        (small_study / f"tables/{table}.csv").write_text(text)
    return small_study


def spoil(folder: Path, table: str, old: str, new: str) -> None:
    path = folder / f"tables/{table}.csv"
    text = path.read_text()
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {table}"
    path.write_text(text.replace(old, new))


def put_patients(folder: Path, number: int) -> None:
    """So many more patients with a hip each, and their visits before and a year after."""
    for table, rows in (
        ("patients", "Q{0},male,1970,,\n"),
        ("hips", "HQ{0},Q{0},left,short_stem,Stem B,2030-01-10,,36,\n"),
        ("visits", "Q{0},before,2030-01-02\nQ{0},month_12,2031-01-10\n"),
    ):
        path = folder / f"tables/{table}.csv"
        path.write_text(path.read_text() + "".join(rows.format(patient) for patient in range(number)))


# By hand -------------------------------------------------------------------------------------------


def test_a_study_with_every_table_is_sound(full_study: Path) -> None:
    assert check_study(full_study).empty
    study = read_study(full_study)
    assert all(len(study.tables[name]) for name in DICTIONARY)
    assert study.gait_trials["speed_m_s"].tolist() == [1.2]
    assert study.gait_curves["value"].tolist() == [0, 9.5]


def test_a_visit_outside_its_window_is_kept_and_said_so(full_study: Path) -> None:
    spoil(full_study, "visits", "P01,week_6,2030-02-21", "P01,week_6,2030-03-22")  # day 71 of 28 to 70
    visits = read_study(full_study).visits
    assert visits.loc[1, "days"] == 71
    assert visits["in_window"].tolist() == [True, False, True, True, True, True, False]


def test_a_result_below_the_limit_has_no_value(full_study: Path) -> None:
    blood = read_study(full_study).blood
    assert blood["value"].isna().tolist() == [True, False, False]


def test_a_control_before_its_own_operation_is_one(full_study: Path) -> None:
    """P02's right hip was the control of the left one on 15 March 2030: it was operated on in May."""
    assert read_study(full_study).densitometry["measured_side"].tolist() == ["operated", "other", "other"]


# By reference: units -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "column", "value", "said"),
    [
        # The metre, the gram and the others by their prefixes; inch and pound by the international
        # agreement of 1959 (25.4 mm, 0.45359237 kg), both as in UCUM (ucum.org), table of customary units.
        ("patients", "height_cm", 1.72, "1.72 m are 172 cm: if the column is in m, convert all of it to cm"),
        ("patients", "height_cm", 1720, "1720 mm are 172 cm"),
        ("patients", "height_cm", 68, "68 [in_i] are 172.7 cm"),
        ("patients", "mass_kg", 70500, "70500 g are 70.5 kg"),
        ("patients", "mass_kg", 280, "280 [lb_av] are 127 kg"),
        ("hips", "head_diameter_mm", 4.8, "4.8 cm are 48 mm"),
        ("hips", "head_diameter_mm", 480, "A decimal mark may be missing (48)"),
        ("plans", "planned_inclination_deg", 705, "A decimal mark may be missing (70.5)"),
        ("densitometry", "bmd_g_cm2", 812, "812 mg/cm2 are 0.812 g/cm2"),
        ("densitometry", "area_cm2", 450, "450 mm2 are 4.5 cm2"),
        ("gait_trials", "speed_m_s", 5.4, "5.4 km/h are 1.5 m/s"),
        ("ct_doses", "tube_voltage_kv", 120000, "120000 V are 120 kV"),
        ("ct_doses", "ctdi_vol_mgy", 10000, "10000 uGy are 10 mGy"),
        ("patients", "birth_year", 54, "Write the year with four digits"),
        ("patients", "mass_kg", -70, ""),
    ],
)
def test_the_unit_that_was_probably_meant(table: str, column: str, value: float, said: str) -> None:
    assert unit_remedy(value, DICTIONARY[table][column]).startswith(said)
    assert bool(said) == bool(unit_remedy(value, DICTIONARY[table][column]))


@pytest.mark.parametrize(
    ("analyte", "value", "unit", "said"),
    [
        # Molar masses: IUPAC abridged standard atomic weights 2021 (Co 58.933, Cr 51.996), so that
        # 1 ug/L of cobalt is 16.97 nmol/L, and 1 ug/L of chromium 19.23.
        ("cobalt", 20000, "nmol/L", r"20000 pmol/L are 20 nmol/L: look"),
        ("cobalt", 1500, "ug/L", r"1500 ng/L are 1\.5 ug/L, and 1500 nmol/L are 88\.4 ug/L"),
        ("chromium", 1923.2, "ug/L", r"1923\.2 ng/L are 1\.923 ug/L, and 1923\.2 nmol/L are 100 ug/L"),
        ("titanium", 90000, "ug/L", r"90000 ng/L are 90 ug/L: look"),
    ],
)
def test_the_unit_of_a_metal_that_was_probably_meant(
    full_study: Path, analyte: str, value: float, unit: str, said: str
) -> None:
    row = f"P01,month_12,{analyte},serum,{value},{unit},no,\n"
    text = MORE["blood"].splitlines(keepends=True)[0]
    (full_study / "tables/blood.csv").write_text(text + row)
    with pytest.raises(
        StudyError, match=rf"blood\.csv line 2, value: found {value} {unit} {analyte}.*{said}"
    ):
        read_study(full_study)


# By law --------------------------------------------------------------------------------------------


@given(
    st.sampled_from(sorted(MOLAR_MASSES_G_PER_MOL)), st.floats(1, 4e4), st.sampled_from(["ug/L", "nmol/L"])
)
def test_a_concentration_is_too_high_in_both_units_or_in_none(analyte: str, value: float, unit: str) -> None:
    mass_g_per_mol = MOLAR_MASSES_G_PER_MOL[analyte]
    factor = 1000 / mass_g_per_mol if unit == "ug/L" else mass_g_per_mol / 1000
    other = "nmol/L" if unit == "ug/L" else "ug/L"
    found = []
    for number, name in ((value, unit), (value * factor, other)):
        row = {"patient_id": ["P"], "analyte": [analyte], "matrix": ["serum"], "unit": [name]}
        text = pd.DataFrame({**row, "below_limit": ["no"]}).astype("category")
        found.append(len(blood_problems(text.assign(value=number, limit=np.nan))))
    in_ug = value if unit == "ug/L" else value * factor
    if abs(in_ug - 1000) > 1e-6:
        assert found == [int(in_ug > 1000)] * 2


# By recovery: one untruth put in a study of many patients is found where it was put ------------------


@pytest.mark.parametrize("seed", range(3))
def test_one_swapped_date_among_many_is_found(small_study: Path, seed: int) -> None:
    put_patients(small_study, 200)
    number = int(np.random.default_rng(seed).integers(0, 200))
    spoil(small_study, "visits", f"Q{number},month_12,2031-01-10", f"Q{number},month_12,2030-01-01")
    problems = check_study(small_study)
    assert set(problems["line"]) == {10 + 2 * number}
    assert set(problems["found"]) == {"2030-01-01"}
    assert problems["expected"].str.contains(rf"\bQ{number}\b").all()


# By failure ----------------------------------------------------------------------------------------

UNTRUE = [
    # table, what stands there, what is put there, what is said: place, value, expected, remedy
    # Dates in order.
    (
        "hips",
        "2030-01-10",
        "1975-01-10",
        r"hips\.csv line 2, surgery_date: found '1975-01-10'.*at least 10 years .*P01.*birth_year",
    ),
    (
        "hips",
        "2030-01-10",
        "2090-01-10",
        r"surgery_date: found '2090-01-10'.*data_cut in study\.toml, 2032-12-31.*move data_cut",
    ),
    (
        "visits",
        "P01,week_6,2030-02-21",
        "P01,week_6,2031-01-10",
        r"line 4, date: found '2031-01-10'.*after visit week_6 of P01, 2031-01-10.*Correct the dates",
    ),
    (
        "visits",
        "P01,week_6,2030-02-21",
        "P01,week_6,2029-02-21",
        r"line 3, date: found '2029-02-21'.*from the operation on \(P01: 2030-01-10\) at visit week_6",
    ),
    (
        "visits",
        "P02,before,2030-01-20",
        "P02,before,2030-02-02",
        r"line 5, date: found '2030-02-02'.*up to the operation \(P02: 2030-02-01\)",
    ),
    (
        "plans",
        "2030-01-03",
        "2030-01-11",
        r"plans\.csv line 2, planned_on: found '2030-01-11'.*up to the operation \(H01: 2030-01-10\)",
    ),
    (
        "patients",
        "P01,female,1970,165,70.5",
        "P01,female,1915,165,70.5",
        r"surgery_date: found '2030-01-10'.*at most 110 years .*P01",
    ),
    (
        "images",
        "2031-01-09",
        "2029-01-09",
        r"images\.csv line 3, taken_on: found '2029-01-09'.*from the operation on.*month_12",
    ),
    (
        "densitometry",
        "2030-02-22",
        "2029-02-22",
        r"densitometry\.csv line 2, scanned_on: found '2029-02-22'.*from the operation on \(P01",
    ),
    (
        "gait_trials",
        "2031-01-11",
        "2029-01-11",
        r"gait_trials\.csv line 2, walked_on: found '2029-01-11'.*from the operation on",
    ),
    ("gait_trials", "2031-01-11", "2033-01-11", r"walked_on: found '2033-01-11'.*data_cut"),
    (
        "landmarks",
        "2031-02-01T09:01:00Z",
        "2030-02-19T09:01:00Z",
        r"landmarks\.csv line 4, marked_at: found '2030-02-19'"
        r".*after the image was taken \(I01: 2030-02-21\)",
    ),
    (
        "gradings",
        "1.5,2031-02-01",
        "1.5,2030-02-01",
        r"gradings\.csv line 3, marked_at: found '2030-02-01'.*I03: 2030-03-15",
    ),
    (
        "events",
        "2030-06-03",
        "2030-05-31",
        r"events\.csv line 2, reported_on: found '2030-05-31'.*from that of the event on \(E1\)",
    ),
    (
        "events",
        "2030-06-10",
        "2030-05-31",
        r"line 2, resolved_on: found '2030-05-31'.*\(E1\)\. Correct the dates",
    ),
    (
        "events",
        "left,reoperation,2030-06-01",
        "left,reoperation,2030-01-01",
        r"line 2, date: found '2030-01-01'.*from the operation on \(P01: 2030-01-10\)",
    ),
    (
        "events",
        "right,revision,2031-03-01",
        "right,revision,2030-03-01",
        r"line 3, date: found '2030-03-01'.*\(P02: 2030-05-12\)",
    ),
    # After a death.
    (
        "events",
        "2032-05-01",
        "2030-03-01",
        r"visits\.csv line 6, date: found '2030-03-15'"
        r".*no date after the death of P02, 2030-03-01.*or the death in tables/events",
    ),
    (
        "events",
        "2032-05-01",
        "2030-03-01",
        r"hips\.csv line 4, surgery_date: found '2030-05-12'.*no date after the death of P02",
    ),
    (
        "events",
        "2032-05-01",
        "2030-03-01",
        r"events\.csv line 3, date: found '2031-03-01'.*no date after the death of P02",
    ),
    (
        "events",
        "E4,P02,,death,2032-05-01",
        "E4,P01,,death,2030-02-21",
        r"densitometry\.csv line 2, scanned_on: found '2030-02-22'.*after the death of P01.*the hip_id",
    ),
    (
        "events",
        "E4,P02,,death,2032-05-01",
        "E4,P01,,death,2030-02-21",
        r"images\.csv line 3, taken_on: found '2031-01-09'.*after the death of P01",
    ),
    (
        "events",
        "E4,P02,,death,2032-05-01",
        "E4,P01,,death,2030-02-21",
        r"gait_trials\.csv line 2, walked_on: found '2031-01-11'.*after the death",
    ),
    (
        "events",
        "E3,P01,,adverse event,2030-07-01",
        "E3,P02,,death,2032-07-01",
        r"line 5, event: found 'P02'\. Expected one death of a patient",
    ),
    # Both hips of a patient, and whose side it is.
    (
        "hips",
        "H03,P02,right",
        "H03,P02,left",
        r"line 4, patient_id, side: found P02, left\. Expected each patient_id with side once\. Delete",
    ),
    (
        "events",
        "E2,P02,right",
        "E2,P02,",
        r"line 3, side: found revision of P02\. Expected left or right, for a patient with two",
    ),
    (
        "events",
        "E1,P01,left",
        "E1,P01,right",
        r"line 2, side: found 'right'.*a side with a hip in tables/hips\.csv \(P01\)",
    ),
    (
        "images",
        "AP hip,,left",
        "AP hip,,right",
        r"gradings\.csv line 3, side: found 'left'.*the side of the image .*\(I03\)",
    ),
    (
        "images",
        "I03,P02,week_6,radiograph,AP hip,,left",
        "I03,P01,week_6,radiograph,AP hip,,right",
        r"images\.csv line 4, side: found 'right'.*\(P01\)\. Correct the side or the patient_id",
    ),
    (
        "landmarks",
        "head_edge,left",
        "head_edge,right",
        r"landmarks\.csv line 4, side: found 'right'.*\(P01\).*only teardrop and lesser trochanter",
    ),
    (
        "gradings",
        "I01,R1,1,left",
        "I01,R1,1,right",
        r"gradings\.csv line 2, side: found 'right'.*\(P01\).*nothing is graded",
    ),
    (
        "densitometry",
        "H01,week_6,other,1,S2,,",
        "H01,week_6,operated,2,S1,,",
        r"line 3, scan_id: found 'S1'.*one hip, visit, side and repeat for a scan \(H01, week_6, operated, 1",
    ),
    (
        "densitometry",
        "H02,week_6,other,1,S3,,",
        "H02,week_6,other,1,S3,2030-06-01,",
        r"line 4, measured_side: found 'H02'.*not operated on, for a control \(H03 was",
    ),
    # Whose image, which file.
    (
        "images",
        "c" * 64,
        "a" * 64,
        r"images\.csv line 4, sha256: found 'I03'"
        r".*each file once, and not of two patients \(P01 in line 2\)\. Look at both",
    ),
    (
        "images",
        "b" * 64,
        "a" * 64,
        r"images\.csv line 3, sha256: found 'I02'.*each file once, and not twice \(P01 in line 2\)",
    ),
    (
        "images",
        "images/P02/I03.dcm",
        "images/I01.dcm",
        r"line 4, path: found 'I03'.*each path once, and not of two patients \(P01 in line 2\)",
    ),
    (
        "images",
        "c" * 64,
        "C" * 64,
        r"line 4, sha256: found C+… \(64 letters\).*64 digits from 0 to f.*small letters",
    ),
    (
        "images",
        "standing,,1,2031-01-09",
        "standing,,2,2031-01-09",
        r"line 3, examination: found 'I02'\. Expected a first examination",
    ),
    (
        "images",
        "I01,P01,week_6,radiograph,AP pelvis",
        "I01,P01,week_6,radiograph,",
        r"line 2, view: found 'I01'\. Expected a view of every radiograph",
    ),
    # What happened at a visit that did not take place, or on a trial that is none.
    (
        "blood",
        "P01,before",
        "P03,week_6",
        r"blood\.csv line 2, patient_id, visit_id: found P03, week_6.*Add the visit with its date",
    ),
    (
        "densitometry",
        "H02,week_6",
        "H02,month_12",
        r"densitometry\.csv line 4, hip_id, visit_id: found H02, month_12.*a visit of tables/visits",
    ),
    ("ct_doses", "P01,month_12", "P02,month_12", r"ct_doses\.csv line 2, .*found P02, month_12"),
    (
        "gait_curves",
        "T1,left,vertical ground reaction force,1,stance,50",
        "T2,left,vertical ground reaction force,1,stance,50",
        r"gait_curves\.csv line 3, trial_id: found 'T2'.*a trial of tables/gait_trials\.csv",
    ),
    (
        "gait_curves",
        "stance,50",
        "stance,0",
        r"gait_curves\.csv line 3, trial_id, side, signal, step, phase,"
        r" phase_percent: found T1, left.*once.*line 2\)",
    ),
    # Values that cannot be, in their unit.
    (
        "patients",
        "165,70.5",
        "1.65,70.5",
        r"line 2, height_cm: found '1\.65'.*from 120 to 220 cm\. 1\.65 m are 165 cm: if the column is in m",
    ),
    (
        "patients",
        "165,70.5",
        "195,31",
        r"line 2, height_cm, mass_kg: found 31 kg with 195 cm.*from 11 to 75 kg/m2",
    ),
    (
        "gradings",
        "none,,",
        "none,0.5,",
        r"gradings\.csv line 2, width_mm: found 0\.5 mm, none\. Expected no width",
    ),
    (
        "gradings",
        "stem_7,7",
        "stem_7,8",
        r"gradings\.csv line 3, zone: found '8'.*a zone of stem_7: '1', .*'7'",
    ),
    (
        "densitometry",
        "other,1,S2,,stem_7,1",
        "other,1,S2,,cup_3,4",
        r"densitometry\.csv line 3, zone: found '4'.*a zone of cup_3: '1', '2' or '3'",
    ),
    (
        "plans",
        "radiographic,40",
        ",40",
        r"plans\.csv line 2, angle_definition: found 'H01'.*radiographic, operative or anatomical",
    ),
    (
        "ct_doses",
        "32 cm,250",
        "32 cm,2.5",
        r"ct_doses\.csv line 2, dlp_mgy_cm, ctdi_vol_mgy: found 2\.5 mGy\.cm with 10"
        r" mGy.*0\.5 to 220 cm.*mGy\.m",
    ),
    (
        "gait_curves",
        "9.5,N/kg",
        "9.5,deg",
        r"gait_curves\.csv line 3, unit: found 'deg'.*vertical ground reaction force: 'N', 'N/kg' or '1'",
    ),
    # Blood.
    (
        "blood",
        "cobalt,serum,1.5",
        "cobalt,whole blood,1.5",
        r"blood\.csv line 3, matrix: found P01, cobalt: whole blood.*one matrix "
        r".*\(serum in an earlier row\).*never put together",
    ),
    (
        "blood",
        "serum,,ug/L,yes,0.1",
        "serum,0.05,ug/L,yes,0.1",
        r"line 2, value: found P01, cobalt\. Expected an empty cell .*neither the limit nor half of it",
    ),
    (
        "blood",
        "serum,,ug/L,yes,0.1",
        "serum,,ug/L,yes,",
        r"line 2, limit: found P01, cobalt.*Ask the laboratory",
    ),
    (
        "blood",
        "serum,,ug/L,yes,0.1",
        "serum,,ug/L,no,0.1",
        r"line 2, value: found P01, cobalt\. Expected a value, unless",
    ),
    (
        "blood",
        "1.5,ug/L,no,0.1",
        "0.05,ug/L,no,0.1",
        r"line 3, value: found P01, cobalt\. Expected a value from the limit on",
    ),
    (
        "blood",
        "serum,,ug/L,yes,0.1",
        "serum,<0.1,ug/L,yes,0.1",
        r"line 2, value: found '<0\.1'.*Leave the value empty, write yes in below_limit and 0\.1 in limit",
    ),
]


@pytest.mark.parametrize(("table", "old", "new", "match"), UNTRUE)
def test_an_untruth(full_study: Path, table: str, old: str, new: str, match: str) -> None:
    spoil(full_study, table, old, new)
    before = {path: path.read_bytes() for path in full_study.rglob("*.*")}
    with pytest.raises(StudyError) as caught:
        read_study(full_study)
    assert re.search(match, str(caught.value)), str(caught.value)
    assert {path: path.read_bytes() for path in full_study.rglob("*.*")} == before


def test_both_hips_on_one_day_in_two_hospitals(full_study: Path) -> None:
    path = full_study / "tables/hips.csv"
    lines = path.read_text().replace("2030-05-12", "2030-02-01").splitlines()
    centres = ["centre_id", "C1", "C1", "C2", "C1"]
    path.write_text("\n".join(f"{line},{centre}" for line, centre in zip(lines, centres, strict=True)))
    match = r"hips\.csv line 4, centre_id: found P02 on 2030-02-01 in C2.*\(C1 in an earlier row\)"
    with pytest.raises(StudyError, match=match):
        read_study(full_study)


def test_a_file_of_answers_in_the_wrong_direction(full_study: Path) -> None:
    """One in twenty is worse after a hip replacement; a file the other way round has nearly all worse."""
    put_patients(full_study, 20)
    rows = ["patient_id,visit_id,instrument,item,answer"]
    for patient in range(20):
        before, after = (1, 4) if patient else (4, 1)
        rows += [
            f"Q{patient},before,oxford_hip_score,1,{before}",
            f"Q{patient},month_12,oxford_hip_score,1,{after}",
        ]
    path = full_study / "tables/answers.csv"
    path.write_text("\n".join(rows))
    assert check_study(full_study).empty
    path.write_text(
        "\n".join(re.sub(r"[14]$", lambda end: {"1": "4", "4": "1"}[end[0]], row) for row in rows)
    )
    match = (
        r"answers\.csv, answer: found 19 of 20 patients worse after surgery.*\(40 rows\).*compare some rows"
    )
    with pytest.raises(StudyError, match=match):
        read_study(full_study)
    text = (full_study / "study.toml").read_text()
    (full_study / "study.toml").write_text(text.replace("high is good", "low is good"))
    assert check_study(full_study).empty


def test_a_broken_cell_is_not_called_untrue_as_well(full_study: Path) -> None:
    """An unreadable date is one problem: nothing is said of what depends on it."""
    spoil(full_study, "hips", "2030-01-10", "tomorrow")
    problems = check_study(full_study)
    assert problems[["file", "line", "found"]].to_numpy().tolist() == [["tables/hips.csv", 2, "tomorrow"]]
