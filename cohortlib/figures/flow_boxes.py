"""Boxes of a flow diagram: what is written in them, how large they are and where they stand [mm]."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import pandas as pd

from cohortlib.figures.millimetres import bar_mm, fitted, line_mm, padding_mm, text_mm
from cohortlib.figures.words import NO_BREAK, counted

#: What became of somebody, as the figure says it.
OUTCOME_TEXT = {
    "outside window": "outside window",
    "after death": "after death",
    "after withdrawal": "after withdrawal",
    "after revision": "after revision",
    "missed": "missed",
    "lost": "lost to follow-up",
    "window open": "may still come",
    "not yet due": "not yet due",
    "death": "died",
    "withdrawal": "withdrew",
    "revision": "revised",
    "hip operated on after the window": "hip operated on later",
    "not operated": "not operated on",
    "analysed": "analysed",
    "not analysed": "not analysed",
}
#: Parts of those who came: they stand with them and do not add to them.
PARTS = ("outside window", "after death", "after withdrawal", "after revision")
#: In place of a count that is left empty because it is small.
NOT_SHOWN = "not shown"
ANALYSED = "Analysed"
#: At most this part of a lane is for those received, where the others stand beside them.
_MAIN_SHARE = 0.6
_SET_IN = 2 * NO_BREAK


class Box(NamedTuple):
    """One box: its place from the upper left corner [mm], its words, and what kind it is.

    kind: "all" for everybody, "arm", "main" for those received, "side" for the others, "label" for the name
    of a visit that stands alone. The body begins beside the header, `body_mm` from the box's edge, or below
    it where that is zero.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    header: str
    body: str
    kind: str
    arm: str = ""
    body_mm: float = 0.0


class _Words(NamedTuple):
    """What a box says; `body_mm` as in `Box`."""

    header: str = ""
    body: str = ""
    body_mm: float = 0.0

    @property
    def height_mm(self) -> float:
        header, body = (text.count("\n") + 1 if text else 0 for text in (self.header, self.body))
        return (max(header, body) if self.body_mm else header + body) * line_mm() + 2 * padding_mm()


def flow_boxes(
    table: pd.DataFrame,
    *,
    labels: Mapping[str, str],
    visit_labels: Mapping[str, str],
    received: str,
    width_mm: float,
    side_by_side: bool,
) -> list[list[Box]]:
    """The boxes of a flow table, row by row, all at the top; `stacked` puts the rows below each other.

    Parameters
    ----------
    table
        As checked by `plot_flow`; every arm in `labels`, every visit in `visit_labels`.
    labels, visit_labels, received
        As in `plot_flow`.
    width_mm
        Of the whole diagram.
    side_by_side
        Whether those who did not come stand in a box beside the others; else below, in the same box.

    Raises
    ------
    StudyError
        If a word does not fit into its box.
    """
    between_mm = 0.25 * line_mm()
    headers = {visit: visit_labels[visit] for visit in table["visit_id"].unique() if visit}
    # Names of visits stand once, at the left, where there is room for them.
    left_mm = (
        max(text_mm(name, bold=True) for name in [*headers.values(), ANALYSED]) + 2 * padding_mm()
        if side_by_side
        else 0.0
    )
    lane_mm = (width_mm - left_mm - (len(labels) - 1) * between_mm) / len(labels)
    main_mm = _main_mm(table, received, lane_mm - between_mm) if side_by_side else lane_mm
    side_x_mm = main_mm + between_mm
    boxes: list[list[Box]] = []
    for _, rows in table.groupby("step", sort=True):
        stage, header = str(rows["stage"].iloc[0]), headers.get(str(rows["visit_id"].iloc[0]), ANALYSED)
        row: list[Box] = []
        if stage == "enrolled":
            row = [_box(_everybody(rows, width_mm, side_by_side), 0.0, width_mm, "all")]
        elif stage != "arm" and side_by_side:
            row = [_box(_words(header, [], left_mm, bar=False), 0.0, left_mm, "label")]
        for place, (arm, label) in enumerate(labels.items()):
            mine, x_mm = rows[rows["arm"] == arm], left_mm + place * (lane_mm + between_mm)
            if mine.empty:
                continue
            if stage == "arm":
                row.append(
                    _box(_of_arm(mine.iloc[0], label, lane_mm, side_by_side), x_mm, lane_mm, "arm", arm)
                )
                continue
            main, side = _outcomes_of(mine, received)
            if not side_by_side:
                row.append(_box(_words(header, main + side, lane_mm), x_mm, lane_mm, "main", arm))
                continue
            row.append(_box(_words("", main, main_mm), x_mm, main_mm, "main", arm))
            if side:
                beside_mm = lane_mm - side_x_mm
                words = _words("", side, beside_mm, bar=False)
                row.append(_box(words, x_mm + side_x_mm, beside_mm, "side", arm))
        boxes.append(_level(row))
    return boxes


def stacked(rows: list[list[Box]], *, gap_mm: float) -> tuple[list[Box], float]:
    """All boxes in their places, the rows below each other, and the height of the diagram [mm]."""
    boxes: list[Box] = []
    y_mm = 0.0
    for row in rows:
        boxes += [box._replace(y_mm=y_mm) for box in row]
        y_mm += max(box.height_mm for box in row) + gap_mm
    return boxes, y_mm - gap_mm


def _level(row: list[Box]) -> list[Box]:
    """Boxes of one kind in a row end on one line."""
    height_mm = {box.kind: max(one.height_mm for one in row if one.kind == box.kind) for box in row}
    return [box._replace(height_mm=height_mm[box.kind]) for box in row]


def _main_mm(table: pd.DataFrame, received: str, room_mm: float) -> float:
    """Width of the boxes of those received: as their words ask for, and a part of what both boxes leave."""
    stages = table[table["stage"].isin(["visit", "analysed"])]
    texts = [_outcomes_of(rows, received) for _, rows in stages.groupby(["step", "arm"], sort=False)]
    main_mm, side_mm = (
        max((text_mm(text) for both in texts for text in both[place]), default=0.0) + 2 * padding_mm()
        for place in (0, 1)
    )
    spare_mm = max(0.0, room_mm - main_mm - bar_mm() - side_mm)
    return min(main_mm + bar_mm() + min(0.5 * spare_mm, 4 * padding_mm()), _MAIN_SHARE * room_mm)


def _box(words: _Words, x_mm: float, width_mm: float, kind: str, arm: str = "") -> Box:
    return Box(x_mm, 0.0, width_mm, words.height_mm, words.header, words.body, kind, arm, words.body_mm)


def pair(row: pd.Series) -> str:
    """Patients and hips of a row: `28 / 32`."""
    counts = [NOT_SHOWN if pd.isna(row[name]) else f"{int(row[name])}" for name in ("n_patients", "n_hips")]
    text = NOT_SHOWN if counts == [NOT_SHOWN] * 2 else " / ".join(counts)
    return text.replace(" ", NO_BREAK)


def _in_words(row: pd.Series) -> str:
    if pd.isna(row["n_patients"]) or pd.isna(row["n_hips"]):
        return f"{pair(row)} (patients / hips)"
    texts = counted(int(row["n_patients"]), "patient"), counted(int(row["n_hips"]), "hip")
    return ", ".join(text.replace(" ", NO_BREAK) for text in texts)


def _everybody(rows: pd.DataFrame, width_mm: float, side_by_side: bool) -> _Words:
    enrolled = rows["outcome"] == "enrolled"
    texts = [_in_words(rows[enrolled].iloc[0]), *(_outcome(row) for _, row in rows[~enrolled].iterrows())]
    return _words("Enrolled", texts, width_mm, _header_mm("Enrolled") if side_by_side else 0.0)


def _of_arm(row: pd.Series, label: str, width_mm: float, side_by_side: bool) -> _Words:
    text, beside_mm = _in_words(row), _header_mm(label)
    fits = beside_mm + text_mm(text) < width_mm - padding_mm()
    return _words(label, [text], width_mm, beside_mm if side_by_side and fits else 0.0)


def _outcomes_of(rows: pd.DataFrame, received: str) -> tuple[list[str], list[str]]:
    """What is said of those received (or analysed), and of the others, in the order of the table."""
    first = rows.iloc[0]
    main = [pair(first) if str(first["stage"]) == "analysed" else f"{pair(first)} {received}"]
    others = rows.iloc[1:]
    nobody = others["n_patients"].eq(0).fillna(False) & others["n_hips"].eq(0).fillna(False)
    others = others[~nobody.astype(bool)]
    inside = others["outcome"].isin(PARTS)
    main += [_outcome(row) for _, row in others[inside].iterrows()]
    return main, [_outcome(row) for _, row in others[~inside].iterrows()]


def _outcome(row: pd.Series) -> str:
    outcome = str(row["outcome"])
    return f"{pair(row)} {OUTCOME_TEXT.get(outcome, outcome)}"


def _words(
    header: str, texts: list[str], width_mm: float, body_mm: float = 0.0, *, bar: bool = True
) -> _Words:
    """Words in lines that fit a box of that width, with a bar at its left or without."""
    edges_mm = 2 * padding_mm() + (bar_mm() if bar else 0.0)
    top = fitted(header, (body_mm or width_mm) - edges_mm, bold=True, of_what="a box")
    lines = [
        line
        for text in texts
        for line in fitted(text, width_mm - body_mm - edges_mm, set_in=_SET_IN, of_what="a box")
    ]
    head, body = "\n".join(top), "\n".join(lines)
    return _Words(head, body, body_mm)


def _header_mm(text: str) -> float:
    """From the edge of a box to the words behind its header."""
    return text_mm(text, bold=True) + 4 * padding_mm() + bar_mm()
