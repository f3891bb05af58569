"""Numbers, units and notes as they are written in a figure."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from cohortlib.figures.style import FONT

#: A space at which a line is not broken.
NO_BREAK = "\u00a0"
#: UCUM code to what a reader expects; a code not listed is written as it stands.
UNIT_TEXT = {
    "deg": "°",
    "{score}": "points",
    "{pixel}": "px",
    "ug/L": "µg/L",
    "g/cm2": "g/cm²",
    "a": "years",
    "d": "days",
    "1": "",
    "1/deg": "per degree",
    "{score}/deg": "points per degree",
    "{score}/%": "points per percent",
}


def unit_text(unit: str) -> str:
    """A UCUM unit as written in a figure: `deg` becomes °, `mm` stays mm."""
    return UNIT_TEXT.get(unit, unit)


def with_unit(label: str, unit: str) -> str:
    """An axis label with its unit in brackets: `Inclination (°)`."""
    text = unit_text(unit)
    return f"{label} ({text})" if text else label


def counted(count: int, singular: str, plural: str = "") -> str:
    """A count with its noun: `1 hip`, `2 hips`."""
    return f"{count} {singular}" if count == 1 else f"{count} {plural or singular + 's'}"


def decimals_for(values: Iterable[float]) -> int:
    """How many decimals show the spread of the values to about two figures."""
    known = [value for value in values if math.isfinite(value)]
    span = max(known) - min(known) if known else 0.0
    if span <= 0:
        span = max((abs(value) for value in known), default=1.0) or 1.0
    return min(6, max(0, 1 - math.floor(math.log10(span))))


def number(value: float, *, decimals: int) -> str:
    """A number with a true minus sign, and no minus before a zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def interval(low: float, high: float, *, decimals: int) -> str:
    """Two bounds: `−1.2 to 3.4`."""
    return f"{number(low, decimals=decimals)} to {number(high, decimals=decimals)}"


def p_text(p_value: float) -> str:
    """A p value: three decimals, `p < 0.001` below that."""
    text = "p < 0.001" if p_value < 0.001 else f"p = {p_value:.3f}"
    return text.replace(" ", NO_BREAK)


def percent_text(share: float) -> str:
    """A share as percent: 0.95 is `95 %`, on one line."""
    return f"{100 * share:g}{NO_BREAK}%"


def text_width_pt(text: str, *, font_pt: float) -> float:
    """Width of a line of text in the figures' font [pt]."""
    if not text.strip():
        return 0.0
    outline = TextPath((0, 0), text, size=font_pt, prop=FontProperties(family=FONT))
    return float(np.ptp(outline.vertices[:, 0]))


def wrapped(text: str, *, width_pt: float, font_pt: float) -> str:
    """The text broken at spaces into lines that fit a width; what a no-break space joins stays together."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}" if line else word
            # Letters fitted to pixels run up to a twenty-fifth wider than their outlines.
            if line and 1.04 * text_width_pt(longer, font_pt=font_pt) > width_pt:
                lines.append(line)
                line = word
            else:
                line = longer
        lines.append(line)
    return "\n".join(lines)
