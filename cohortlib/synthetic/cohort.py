"""Invented patients, and the visits they came to.

The tables carry more columns than the data dictionary: those are truth, which only the generator
knows. `study_files` keeps them apart when it writes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from cohortlib.synthetic.streams import random_stream, truncated_normal

N_PATIENTS = 60
N_BILATERAL = 10  # both hips in one session
N_TWO_ARMS = 1  # of the bilateral: one hip in each arm
FIRST_OPERATION, LAST_OPERATION = "2028-09-04", "2030-05-31"
DATA_CUT = "2031-06-30"

#: (mean, SD) of the age at operation, and the share of men; half of the patients in each arm.
ARM_AGE = {"resurfacing": (53.0, 6.0), "short_stem": (61.0, 7.0)}
ARM_MEN = {"resurfacing": 0.85, "short_stem": 0.5}
#: S1 and S2 work in the first centre, S3 in the second; who operates how often in each arm.
SURGEON_SHARE = {"resurfacing": (0.45, 0.25, 0.30), "short_stem": (0.25, 0.40, 0.35)}
SURGEONS = ("S1", "S2", "S3")

#: Visit: (mean, SD) of the day it takes place, counted from the operation.
VISIT_DAY = {
    "before": (-32.0, 12.0),
    "week_6": (42.0, 5.0),
    "month_6": (183.0, 15.0),
    "month_12": (368.0, 20.0),
    "month_24": (733.0, 28.0),
}
MISSED = {"before": 1, "week_6": 1, "month_6": 5, "month_12": 3, "month_24": 2}
#: Visits on a day outside the window of study.toml: how many, and when.
OUTSIDE_WINDOW = {"before": (1, -203), "week_6": (1, 83), "month_6": (1, 259), "month_12": (2, 471)}
#: Patients who leave, with the last day on which they may be seen.
LEAVERS = (("withdrawal", 100), ("withdrawal", 230), ("death", 290))


def patient_table(*, seed: int) -> pd.DataFrame:
    """One row a patient, in the order of operation.

    Returns
    -------
    DataFrame
        patient_id, sex, birth_year, height_cm, mass_kg · truth: arm, surgeon_id, surgery_date,
        natural_head_mm (diameter of the femoral heads), bone_density (1 = usual), n_hips, two_arms,
        last_day [d from operation], left_because.
    """
    arm = random_stream(seed, "arm").permutation(np.repeat(list(ARM_AGE), N_PATIENTS // 2))
    people = pd.DataFrame({"patient_id": numbered_ids("P", N_PATIENTS), "arm": arm})
    people["surgery_date"] = _operation_days(seed)
    people["sex"] = _sexes(arm, seed)
    age = truncated_normal(
        random_stream(seed, "age"), *_by(people["arm"], ARM_AGE).T, size=N_PATIENTS, reach=2
    )
    people["birth_year"] = people["surgery_date"].dt.year - np.rint(age).astype(int)
    surgeon = random_stream(seed, "surgeon")
    people["surgeon_id"] = [surgeon.choice(SURGEONS, p=SURGEON_SHARE[name]) for name in arm]
    people = _with_bodies(people, seed)
    people = _with_two_hips(people, seed)
    return _with_leavers(people, seed)


def _operation_days(seed: int) -> pd.DatetimeIndex:
    workdays = pd.bdate_range(FIRST_OPERATION, LAST_OPERATION)
    workdays = workdays[~workdays.strftime("%m-%d").isin(["12-24", "12-25", "12-26", "12-31", "01-01"])]
    chosen = random_stream(seed, "operation day").choice(len(workdays), N_PATIENTS, replace=False)
    return workdays[np.sort(chosen)]


def _sexes(arm: np.ndarray, seed: int) -> np.ndarray:
    """Exactly the share of men that `ARM_MEN` gives each arm, to the nearest patient."""
    stream = random_stream(seed, "sex")
    sex = np.full(len(arm), "female", dtype=object)
    for name, share in ARM_MEN.items():
        members = np.flatnonzero(arm == name)
        sex[stream.choice(members, round(share * len(members)), replace=False)] = "male"
    return sex


def _with_bodies(people: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Tall people have large bones; `natural_head_mm` sets the scale of the bones and the implants."""
    n = len(people)
    man = people["sex"].eq("male").to_numpy()
    above_cm = np.rint(truncated_normal(random_stream(seed, "height"), 0, 6.5, size=n, reach=2.5))
    height_cm = np.where(man, 178, 165) + above_cm
    body_mass_index = truncated_normal(random_stream(seed, "body mass index"), 27.5, 3.5, size=n)
    own_mm = truncated_normal(random_stream(seed, "natural head"), 0, 1.6, size=n)
    return people.assign(
        height_cm=height_cm.astype(int),
        mass_kg=np.rint(body_mass_index * (height_cm / 100) ** 2).astype(int),
        natural_head_mm=(np.where(man, 48.5, 44.5) + 0.12 * above_cm + own_mm).round(1),
        bone_density=truncated_normal(random_stream(seed, "bone density"), 1.0, 0.1, size=n).round(2),
    )


def _with_two_hips(people: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Half of the bilateral patients from each arm; `N_TWO_ARMS` of them get one hip of each design."""
    stream = random_stream(seed, "bilateral")
    chosen = [
        patient
        for name in ARM_AGE
        for patient in stream.choice(people.index[people["arm"] == name], N_BILATERAL // 2, replace=False)
    ]
    both = stream.choice(chosen, N_TWO_ARMS, replace=False)
    return people.assign(n_hips=np.where(people.index.isin(chosen), 2, 1), two_arms=people.index.isin(both))


def _with_leavers(people: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Leavers come from the first two thirds, so that the data cut does not hide that they left."""
    chosen = random_stream(seed, "leavers").choice(2 * N_PATIENTS // 3, len(LEAVERS), replace=False)
    last_day = pd.Series(pd.NA, index=people.index, dtype="Int64")
    because = pd.Series("", index=people.index)
    for row, (reason, day) in zip(chosen, LEAVERS, strict=True):
        last_day[row], because[row] = day, reason
    return people.assign(last_day=last_day, left_because=because)


def visit_table(patients: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """One row a visit that took place before the data cut, in the order of patients and dates.

    Parameters
    ----------
    patients
        From `patient_table`.

    Returns
    -------
    DataFrame
        patient_id, visit_id, date · truth: day [d from operation].
    """
    parts = [_visits_of_one_kind(patients, visit, seed) for visit in VISIT_DAY]
    visits = pd.concat(parts, ignore_index=True)
    seen = visits["date"].le(pd.Timestamp(DATA_CUT)) & visits["day"].le(visits["last_day"].fillna(10_000))
    kept = visits.loc[seen, ["patient_id", "visit_id", "date", "day"]]
    return kept.sort_values(["patient_id", "date"], ignore_index=True)


def _visits_of_one_kind(patients: pd.DataFrame, visit: str, seed: int) -> pd.DataFrame:
    mean, sd = VISIT_DAY[visit]
    day = truncated_normal(random_stream(seed, "visit day", visit), mean, sd, size=len(patients))
    n_outside, outside_day = OUTSIDE_WINDOW.get(visit, (0, 0))
    # Drawn from those who stay and are due before the data cut: the number asked for is the number found.
    due = patients["surgery_date"] + pd.Timedelta(days=mean + 120) <= pd.Timestamp(DATA_CUT)
    drawn = random_stream(seed, "visit kept or not", visit).permutation(
        patients.index[patients["last_day"].isna() & due]
    )
    day[drawn[:n_outside]] = outside_day
    date = patients["surgery_date"].to_numpy() + np.rint(day).astype("timedelta64[D]")
    date = np.busday_offset(date.astype("datetime64[D]"), 0, roll="forward").astype("datetime64[ns]")
    table = patients[["patient_id", "surgery_date", "last_day"]].assign(visit_id=visit, date=date)
    table["day"] = (table["date"] - table["surgery_date"]).dt.days
    return table.drop(list(drawn[n_outside : n_outside + MISSED[visit]]))


def numbered_ids(letter: str, count: int) -> list[str]:
    """The ids P001, P002 … of a letter."""
    return [f"{letter}{number:03d}" for number in range(1, count + 1)]


def _by(arm: pd.Series, facts: dict[str, tuple[float, float]]) -> np.ndarray:
    return np.array([facts[name] for name in arm])
