"""Boxes of a flow diagram: what is written in them, how large they are and where they stand [mm]."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import matplotlib as mpl
import pandas as pd

from cohortlib.errors import study_error
from cohortlib.figures.style import MM_PER_INCH
from cohortlib.figures.words import NO_BREAK, counted, text_width_pt, wrapped

#: What became of somebody, as the figure says it.
OUTCOME_TEXT = {
    "outside window": "outside window",
    "missed": "missed",
    "lost": "lost to follow-up",
    "window open": "window open",
    "not yet due": "not yet due",
    "death": "died",
    "withdrawal": "withdrew",
    "revision": "revised",
    "hip operated on after the window": "hip operated on later",
    "not operated": "not operated on",
    "analysed": "analysed",
    "not analysed": "not analysed",
}
#: In place of a count that is left empty because it is small.
NOT_SHOWN = "not shown"
ANALYSED = "Analysed"
#: At most this part of a lane is for those received, where the others stand beside them.
_MAIN_SHARE = 0.6
#: Bold letters of the font are about a seventh wider than those a width is measured with.
_BOLD = 1.16


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
) -> tuple[list[Box], float]:
    """The boxes of a flow table, row by row, and the height they need [mm].

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
    gap_mm = (0.4 if side_by_side else 0.9) * line_mm()
    headers = {visit: visit_labels[visit] for visit in table["visit_id"].unique() if visit}
    # Names of visits stand once, at the left, where there is room for them.
    left_mm = max(map(_bold_mm, [*headers.values(), ANALYSED])) + 3 * padding_mm() if side_by_side else 0.0
    lane_mm = (width_mm - left_mm - (len(labels) - 1) * gap_mm) / len(labels)
    main_mm = _main_mm(table, received, lane_mm) if side_by_side else lane_mm
    side_x_mm = main_mm + gap_mm
    boxes: list[Box] = []
    y_mm = 0.0
    for _, rows in table.groupby("step", sort=True):
        stage, header = str(rows["stage"].iloc[0]), headers.get(str(rows["visit_id"].iloc[0]), ANALYSED)
        row: list[Box] = []
        if stage == "enrolled":
            row = [_box(_everybody(rows, width_mm, side_by_side), 0.0, y_mm, width_mm, "all")]
        elif stage != "arm" and side_by_side:
            row = [_box(_words(header, [], left_mm, bar=False), 0.0, y_mm, left_mm, "label")]
        for place, (arm, label) in enumerate(labels.items()):
            mine, x_mm = rows[rows["arm"] == arm], left_mm + place * (lane_mm + gap_mm)
            if mine.empty:
                continue
            if stage == "arm":
                words = _of_arm(mine.iloc[0], label, lane_mm, side_by_side)
                row.append(_box(words, x_mm, y_mm, lane_mm, "arm", arm))
                continue
            main, side = _outcomes_of(mine, received)
            if not side_by_side:
                words = _words(header, main + side, lane_mm)
                row.append(_box(words, x_mm, y_mm, lane_mm, "main", arm))
                continue
            row.append(_box(_words("", main, main_mm), x_mm, y_mm, main_mm, "main", arm))
            if side:
                beside_mm = lane_mm - side_x_mm
                words = _words("", side, beside_mm, bar=False)
                row.append(_box(words, x_mm + side_x_mm, y_mm, beside_mm, "side", arm))
        boxes += row
        y_mm += max(box.height_mm for box in row) + gap_mm
    return boxes, y_mm - gap_mm


def _main_mm(table: pd.DataFrame, received: str, lane_mm: float) -> float:
    """Width of the boxes of those received: as their widest line asks for, within limits."""
    stages = table[table["stage"].isin(["visit", "analysed"])]
    texts = [
        text
        for _, rows in stages.groupby(["step", "arm"], sort=False)
        for text in _outcomes_of(rows, received)[0]
    ]
    widest_pt = max((text_width_pt(text, font_pt=_font_pt()) for text in texts), default=0.0)
    wanted_mm = 1.05 * widest_pt / 72 * MM_PER_INCH + 2 * padding_mm() + bar_mm()
    return min(wanted_mm, _MAIN_SHARE * lane_mm)


def _box(words: _Words, x_mm: float, y_mm: float, width_mm: float, kind: str, arm: str = "") -> Box:
    return Box(x_mm, y_mm, width_mm, words.height_mm, words.header, words.body, kind, arm, words.body_mm)


def line_mm() -> float:
    """Height of a line of text in the look that holds [mm]."""
    return 1.22 * _font_pt() / 72 * MM_PER_INCH


def padding_mm() -> float:
    """Room between a box and its words [mm]."""
    return 0.25 * line_mm()


def bar_mm() -> float:
    """Width of the coloured bar of an arm [mm]."""
    return 0.28 * line_mm()


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
    fits = beside_mm + text_width_pt(text, font_pt=_font_pt()) / 72 * MM_PER_INCH < width_mm - padding_mm()
    return _words(label, [text], width_mm, beside_mm if side_by_side and fits else 0.0)


def _outcomes_of(rows: pd.DataFrame, received: str) -> tuple[list[str], list[str]]:
    """What is said of those received (or analysed), and of the others, in the order of the table."""
    first = rows.iloc[0]
    main = [pair(first) if str(first["stage"]) == "analysed" else f"{pair(first)} {received}"]
    others = rows.iloc[1:]
    nobody = others["n_patients"].eq(0).fillna(False) & others["n_hips"].eq(0).fillna(False)
    others = others[~nobody.astype(bool)]
    inside = others["outcome"] == "outside window"
    main += [_outcome(row) for _, row in others[inside].iterrows()]
    return main, [_outcome(row) for _, row in others[~inside].iterrows()]


def _outcome(row: pd.Series) -> str:
    outcome = str(row["outcome"])
    return f"{pair(row)} {OUTCOME_TEXT.get(outcome, outcome)}"


def _words(
    header: str, texts: list[str], width_mm: float, body_mm: float = 0.0, *, bar: bool = True
) -> _Words:
    """Words in lines that fit a box of that width, with a bar at its left or without."""
    head = _fitted(header, body_mm or width_mm, bold=True, bar=bar) if header else ""
    body = "\n".join(_fitted(text, width_mm - body_mm, bar=bar) for text in texts)
    return _Words(head, body, body_mm)


def _font_pt() -> float:
    return float(mpl.rcParams["font.size"])


def _header_mm(text: str) -> float:
    """From the edge of a box to the words behind its header."""
    return _bold_mm(text) + 4 * padding_mm() + bar_mm()


def _bold_mm(text: str) -> float:
    return 1.04 * _BOLD * text_width_pt(text, font_pt=_font_pt()) / 72 * MM_PER_INCH


def _fitted(text: str, width_mm: float, *, bold: bool = False, bar: bool = True) -> str:
    """The text in lines that fit a box of that width."""
    font_pt = _font_pt()
    room_mm = width_mm - 2 * padding_mm() - (bar_mm() if bar else 0.0)
    room_pt = max(room_mm, 1.0) / MM_PER_INCH * 72 / (_BOLD if bold else 1.0)
    lines = wrapped(text, width_pt=room_pt, font_pt=font_pt)
    widest_pt = max(text_width_pt(line, font_pt=font_pt) for line in lines.split("\n"))
    if widest_pt > room_pt:
        raise study_error(
            column="labels",
            found=text.replace(NO_BREAK, " "),
            expected=f"words that fit a box of {width_mm:.0f} mm",
            remedy="Shorten the label, draw fewer arms, or choose a wider size",
        )
    return lines
