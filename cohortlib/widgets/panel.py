"""The frame of a panel: controls in lines, a row of numbers, a picture, and a sentence instead."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from html import escape

import ipywidgets
from matplotlib.figure import Figure

from cohortlib.errors import StudyError


def arranged(
    controls: Mapping[str, ipywidgets.ValueWidget], words: Mapping[str, str], *, lines: Sequence[int]
) -> ipywidgets.VBox:
    """The controls in lines, each with a word before it that says what it chooses.

    Parameters
    ----------
    controls, words
        By the same names, in the same order.
    lines
        How many controls stand in each line.
    """
    pieces = []
    for name, control in controls.items():
        # Space for the word, so that a narrow cell breaks the line between two choices, not within one.
        word = ipywidgets.Label(words[name], layout=ipywidgets.Layout(margin="2px 8px 2px 0"))
        control.layout.width = "auto"
        pieces.append(
            ipywidgets.HBox(
                [word, control], layout=ipywidgets.Layout(margin="0 20px 0 0", align_items="center")
            )
        )
    wrap = ipywidgets.Layout(flex_flow="row wrap", align_items="center")
    ends = [sum(lines[: number + 1]) for number in range(len(lines))]
    return ipywidgets.VBox(
        [
            ipywidgets.HBox(pieces[end - count : end], layout=wrap)
            for end, count in zip(ends, lines, strict=True)
        ]
    )


def picture_of(figure: Figure) -> bytes:
    """The figure as PNG at its own resolution."""
    with io.BytesIO() as buffer:
        figure.savefig(buffer, format="png", dpi=figure.dpi)
        return buffer.getvalue()


def nothing_html(error: StudyError) -> str:
    """Why there is nothing to draw, and what to choose instead; a sentence a problem."""
    sentences = [f"{row['found']}. {row['remedy']}." for row in error.problems.to_dict("records")]
    return "".join(f"<p><b>Nothing to draw:</b> {escape(text)}</p>" for text in sentences)


def row_html(cells: Mapping[str, str]) -> str:
    """A table of one row: heading to text."""
    style = "style='padding:2px 16px 2px 0;text-align:left;vertical-align:top'"
    head = "".join(f"<th {style}>{escape(name)}</th>" for name in cells)
    body = "".join(f"<td {style}>{escape(text)}</td>" for text in cells.values())
    return f"<table style='line-height:1.5'><tr>{head}</tr><tr>{body}</tr></table>"
