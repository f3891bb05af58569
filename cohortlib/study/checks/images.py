"""Images against patients and sides, marks and grades against their images, and files that stand twice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from cohortlib.study.checks.coded import joined, texts, words
from cohortlib.study.grouping import file_name, grouped_problems
from cohortlib.study.sources.places import Place
from cohortlib.study.timeline import looked_up

#: What readers say of images.
_READ = ("landmarks", "gradings", "grades")
#: Views of one hip.
_OF_ONE_HIP = ("AP hip", "lateral hip")
#: Marks that belong to every pelvis, with a study hip or without.
_OF_EVERY_PELVIS = ("teardrop", "lesser_trochanter")


def image_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Radiographs without a view, views of a side without a study hip, a second examination alone."""
    images = tables["images"]
    if images.empty:
        return []
    problems = grouped_problems(
        texts(images["image_id"])[(images["kind"] == "radiograph") & images["view"].isna()],
        file=file_name("images"),
        column="view",
        expected="a view of every radiograph",
        remedy="Fill in the cell",
    )
    one = images[images["view"].isin(_OF_ONE_HIP)].dropna(subset=["patient_id", "side"])
    wrong = one[~_has_hip(one["patient_id"], one["side"], tables["hips"])]
    problems += grouped_problems(
        texts(wrong["side"]),
        file=file_name("images"),
        column="side",
        expected=joined(f"a side with a hip in {file_name('hips')} (", wrong["patient_id"], ")"),
        remedy="Correct the side or the patient_id",
    )
    keys = ["patient_id", "visit_id", "kind"]
    second = images[images["examination"] == 2].dropna(subset=keys)
    if second.empty:
        return problems
    have = _tuples(images[(images["examination"] != 2) | images["examination"].isna()], keys)
    pairs = zip(*(texts(second[key]) for key in keys), strict=True)
    alone = second[[pair not in have for pair in pairs]]
    return problems + grouped_problems(
        texts(alone["image_id"]),
        file=file_name("images"),
        column="examination",
        expected="a first examination of the same patient, visit and kind",
        remedy="Add the first examination, or correct the number",
    )


def mark_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Marks and grades of a side that the image does not show, or of an implant that is not there."""
    images = tables["images"].dropna(subset=["image_id", "patient_id"]).drop_duplicates("image_id")
    by_id = images.set_index(texts(images["image_id"]))
    problems: list[dict[str, Any]] = []
    for table in _READ:
        rows = tables[table].dropna(subset=["image_id", "side"])
        if rows.empty:
            continue
        image = texts(rows["image_id"])
        shown = looked_up(image, by_id["side"].astype("str"))
        other = shown.notna() & (shown != texts(rows["side"]))
        problems += grouped_problems(
            texts(rows["side"])[other],
            file=file_name(table),
            column="side",
            expected=joined(f"the side of the image in {file_name('images')} (", image[other], ")"),
            remedy="Correct the side here or there",
        )
        patient = looked_up(image, by_id["patient_id"].astype("str"))
        of_implant = patient.notna() & ~other
        if table == "landmarks":
            of_implant &= rows["landmark"].notna() & ~rows["landmark"].isin(_OF_EVERY_PELVIS)
        rows, patient = rows[of_implant], patient[of_implant]
        wrong = ~_has_hip(patient, rows["side"], tables["hips"])
        what = (
            "only teardrop and lesser trochanter are marked" if table == "landmarks" else "nothing is graded"
        )
        problems += grouped_problems(
            texts(rows["side"])[wrong],
            file=file_name(table),
            column="side",
            expected=joined(f"a side with a hip in {file_name('hips')} (", patient[wrong], ")"),
            remedy=f"Correct the side or the image; {what} on a side without a study hip",
        )
    return problems


def reading_day_problems(tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Marks and grades that are older than the image they are of."""
    if all(tables[table].empty for table in _READ):
        return []
    images = (
        tables["images"].dropna(subset=["image_id", "patient_id", "visit_id"]).drop_duplicates("image_id")
    )
    visits = tables["visits"].dropna(subset=["patient_id", "visit_id"])
    visits = visits.drop_duplicates(["patient_id", "visit_id"])
    came = visits.set_index(words(visits, ["patient_id", "visit_id"]))["date"]
    day = images["taken_on"].fillna(looked_up(words(images, ["patient_id", "visit_id"]), came))
    taken = day.set_axis(texts(images["image_id"]))
    problems: list[dict[str, Any]] = []
    for table in _READ:
        rows = tables[table].dropna(subset=["image_id", "marked_at"])
        if rows.empty:
            continue
        day = looked_up(rows["image_id"], taken)
        # The clock of the reader is in UTC, the day of the image is the hospital's.
        early = rows["marked_at"].dt.tz_localize(None) < day - pd.Timedelta(days=1)
        problems += grouped_problems(
            texts(rows["marked_at"].dt.tz_localize(None))[early],
            file=file_name(table),
            column="marked_at",
            expected=joined(
                "a time after the image was taken (", rows["image_id"][early], ": ", day[early], ")"
            ),
            remedy="Correct the time, the image_id, or the day of the image or its visit",
        )
    return problems


def file_problems(images: pd.DataFrame, place: Place) -> list[dict[str, Any]]:
    """The same file, by its digest or its path, in two rows: worst under two patients.

    Parameters
    ----------
    images
        Typed table, index = line.
    place
        Where its rows stand.
    """
    problems: list[dict[str, Any]] = []
    for column, word in (("sha256", "file"), ("path", "path")):
        known = images.dropna(subset=[column, "patient_id"])
        again = known[known[column].duplicated()]
        if again.empty:
            continue
        first = known.drop_duplicates(column)
        first = first.set_index(texts(first[column])).assign(row=first.index)
        which = texts(again[column])
        before, patient = looked_up(which, first["row"]), looked_up(which, texts(first["patient_id"]))
        two = patient != texts(again["patient_id"])
        lines = pd.Series([place.words(int(row)) for row in before], index=again.index, dtype="str")
        for rows, owners in ((two, "of two patients"), (~two, "twice")):
            problems += grouped_problems(
                texts(again["image_id"])[rows],
                file=file_name("images"),
                column=column,
                expected=joined(
                    f"each {word} once, and not {owners} (", patient[rows], " in ", lines[rows], ")"
                ),
                remedy="Look at both images and correct the row that has the other's file",
            )
    return problems


def _has_hip(patient: pd.Series, side: pd.Series, hips: pd.DataFrame) -> pd.Series:
    known = _tuples(hips, ["patient_id", "side"])
    pairs = zip(texts(patient), texts(side), strict=True)
    return pd.Series([pair in known for pair in pairs], index=patient.index, dtype=bool)


def _tuples(table: pd.DataFrame, columns: list[str]) -> set[tuple[Any, ...]]:
    whole = table[columns].dropna().drop_duplicates()
    return set(zip(*(texts(whole[name]) for name in columns), strict=True))
