"""Invented tables to draw, and what every finished figure must keep."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from cohortlib.image import Radiograph

LABELS = {"resurfacing": "Resurfacing", "short_stem": "Short stem"}
SOURCE = "Lewinnek GE et al., J Bone Joint Surg Am 1978;60:217-20; there is no universal safe zone"


def hips(n_patients: int = 30) -> pd.DataFrame:
    """One row a hip; every fifth patient has two."""
    rng = np.random.default_rng(11)
    rows = []
    for number in range(n_patients):
        sides = ["left", "right"] if number % 5 == 0 else ["left"]
        rows += [(f"P{number:02d}", f"P{number:02d}_{side}", str(rng.choice(list(LABELS)))) for side in sides]
    return pd.DataFrame(rows, columns=["patient_id", "hip_id", "arm"])


def measurements(n_patients: int = 30, no_value: tuple[int, ...] = (3, 8)) -> pd.DataFrame:
    """Two rows a hip; the hips at `no_value` have none."""
    rng = np.random.default_rng(12)
    rows = []
    for place, hip in enumerate(hips(n_patients).itertuples()):
        for quantity, mean, sd in (("inclination", 43.0, 6.0), ("anteversion", 17.0, 6.0)):
            refused = place in no_value
            rows.append(
                {
                    "hip_id": hip.hip_id,
                    "patient_id": hip.patient_id,
                    "image_id": f"I_{hip.patient_id}",
                    "quantity": quantity,
                    "value": np.nan if refused else rng.normal(mean, sd),
                    "unit": "deg",
                    "sd": np.nan if refused else rng.uniform(0.8, 2.5),
                    "arm": hip.arm,
                }
            )
    return pd.DataFrame(rows)


def zone() -> pd.DataFrame:
    """A published zone in two threshold rows."""
    return pd.DataFrame(
        {
            "threshold": "cup zone",
            "quantity": ["inclination", "anteversion"],
            "lower": [30.0, 5.0],
            "upper": [50.0, 25.0],
            "unit": "deg",
            "definition": "radiographic",
            "source": SOURCE,
        }
    )


def pairs() -> pd.DataFrame:
    """Two readers; one pair lacks the second."""
    rng = np.random.default_rng(13)
    table = hips()[["patient_id", "hip_id"]].assign(image_id=lambda rows: "I_" + rows["patient_id"])
    truth = rng.normal(17, 6, len(table))
    table["reader A"] = truth + rng.normal(0.5, 1.5, len(table))
    table["reader B"] = truth + rng.normal(0, 1.5, len(table))
    table.loc[4, "reader B"] = np.nan
    return table


def limits(n: int = 35) -> pd.DataFrame:
    """Limits of agreement as a table gives them; the numbers are made up."""
    row = {"bias": 0.5, "sd": 2.1, "lower": -3.6, "upper": 4.6, "bias_ci_low": -0.2, "bias_ci_high": 1.2}
    row |= {"lower_ci_low": -4.8, "lower_ci_high": -2.4, "upper_ci_low": 3.4, "upper_ci_high": 5.8, "n": n}
    return pd.DataFrame([row])


def scores() -> pd.DataFrame:
    """A patient's score beside each hip's angle; one hip has no angle."""
    rng = np.random.default_rng(14)
    table = hips()
    table["inclination"] = rng.normal(43, 6, len(table))
    score = {patient: min(48.0, float(rng.integers(34, 54))) for patient in table["patient_id"].unique()}
    table["score"] = table["patient_id"].map(score)
    table.loc[1, "inclination"] = np.nan
    return table


def fit() -> pd.DataFrame:
    """A fitted line with its band."""
    x = np.linspace(30, 55, 20)
    middle = 43 - 0.05 * (x - 43)
    return pd.DataFrame(
        {"inclination": x, "estimate": middle, "ci_low": middle - 1.5, "ci_high": middle + 1.5}
    )


def estimate() -> pd.DataFrame:
    """The slope as a table of estimates gives it."""
    row = {"estimate": -0.05, "ci_low": -0.26, "ci_high": 0.16, "p_value": 0.6321, "df": 21.43}
    row |= {"n_patients": 30, "n_hips": 35, "unit": "1/deg", "method": "least squares", "note": "exploratory"}
    return pd.DataFrame([row])


def film(spacing_source: str = "detector") -> Radiograph:
    """A bright ball on a dark ground."""
    rng = np.random.default_rng(15)
    y, x = np.mgrid[:240, :300].astype(float)
    pixels = 300.0 + 900.0 * (np.hypot(x - 190, y - 110) < 45) + rng.normal(0, 20, x.shape)
    spacing = None if spacing_source == "none" else (0.5, 0.5)
    return Radiograph(pixels.astype(np.float32), spacing, spacing_source, name="I_P00.dcm")


def ring(x: float, y: float, radius: float) -> np.ndarray:
    """A circle of points (n, 2)."""
    turn = np.linspace(0, 2 * np.pi, 60)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def shapes() -> list[tuple[str, np.ndarray, str]]:
    """A head and a rim."""
    return [("head", ring(190, 110, 45), "head"), ("cup rim", ring(190, 105, 52), "cup")]


def marks() -> pd.DataFrame:
    """Two readers' marks on the edge of the head."""
    rows = [
        {"reader_id": reader, "x_px": x, "y_px": y}
        for reader, off in (("R1", 0.0), ("R2", 2.0))
        for x, y in ring(190 + off, 110, 45)[::10]
    ]
    return pd.DataFrame(rows)


def words(figure: Figure) -> list[Text]:
    """Every piece of text that is seen."""
    figure.draw_without_rendering()
    texts = list(figure.texts)
    for axes in figure.axes:
        texts += [*axes.texts, *(text for legend in _legends(axes) for text in legend.get_texts())]
        if not axes.axison:
            continue
        texts.append(axes.title)
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            texts.append(axis.label)
            texts += [tick.label1 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    return [text for text in texts if text.get_visible() and text.get_text().strip()]


def _legends(axes: Axes) -> list:
    legend = axes.get_legend()
    return [] if legend is None else [legend]


def written(figure: Figure) -> str:
    """All words of a figure, with plain spaces and without line breaks."""
    return " ".join(" ".join(text.get_text() for text in words(figure)).split())


def assert_readable(figure: Figure, *, least_pt: float) -> None:
    """Letters are large enough, none is cut off by the paper, none lies on another, no legend on data."""
    texts = words(figure)
    assert min(text.get_fontsize() for text in texts) >= least_pt
    paper = figure.bbox
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
    for text, box in boxes:
        assert box.x0 >= paper.x0 - 0.5, text
        assert box.y0 >= paper.y0 - 0.5, text
        assert box.x1 <= paper.x1 + 0.5, text
        assert box.y1 <= paper.y1 + 0.5, text
    for (first, one), (second, other) in itertools.combinations(boxes, 2):
        apart = one.x1 <= other.x0 or other.x1 <= one.x0 or one.y1 <= other.y0 or other.y1 <= one.y0
        assert apart, (first, second)
    drawings = [axes for axes in figure.axes if axes.axison]
    for axes in figure.axes:
        for legend in _legends(axes):
            box = legend.get_window_extent()
            assert not any(box.overlaps(drawing.bbox) for drawing in drawings)
