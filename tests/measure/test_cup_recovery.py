"""Every film of the demo study after the operation, measured from seeds with a 1.5 mm click error.

Run with `-s` to see the figures.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cohortlib.dicom import read_radiograph
from cohortlib.measure.cup import cup_on_film
from cohortlib.pipeline import make_images
from cohortlib.study import read_study

STUDY = Path(__file__).parents[2] / "synthetic_cohort"
CLICK_SD_MM = 1.5
N_HEAD, N_RIM = 6, 6


def seeds(places: pd.DataFrame, side: str, rng: np.random.Generator, spacing_mm: float) -> pd.DataFrame:
    """Marks of one reading: visible places of the truth, each with an independent click error."""
    seen = places[places["visible"].astype(bool) & (places["side"] == side)]
    rim = seen[seen["landmark"] == "cup_rim"]
    xy = rim[["x_px", "y_px"]].to_numpy()
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    ends = list(np.unravel_index(apart.argmax(), apart.shape))
    others = [k for k in range(len(rim)) if k not in ends]
    chosen = ends + list(rng.choice(others, min(N_RIM - 2, len(others)), replace=False))
    head = seen[seen["landmark"] == "head_edge"]
    head = head.iloc[np.linspace(0, len(head) - 1, N_HEAD).astype(int)]
    teardrops = places[places["landmark"] == "teardrop"]
    teardrops = teardrops.assign(landmark="teardrop_" + teardrops["side"])
    marks = pd.concat([teardrops, head, rim.iloc[chosen]])[["landmark", "x_px", "y_px"]]
    marks[["x_px", "y_px"]] += rng.normal(0, CLICK_SD_MM / spacing_mm, (len(marks), 2))
    return marks.reset_index(drop=True)


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    make_images(STUDY)
    study = read_study(STUDY)
    places = pd.read_csv(STUDY / "truth_landmarks.csv")
    truth = pd.read_csv(STUDY / "truth.csv").set_index(["image_id", "hip_id", "quantity"])["value"]
    rng = np.random.default_rng(2024)
    films = study.images[study.images["visit_id"] != "before"]
    rows = []
    for image in films.itertuples():
        film = read_radiograph(study.folder / image.path)
        own = places[places["image_id"] == image.image_id]
        for hip in study.hips[study.hips["patient_id"] == image.patient_id].itertuples():
            measured = cup_on_film(
                film,
                seeds(own, hip.side, rng, film.spacing_mm[0]),
                side=hip.side,
                head_diameter_mm=hip.head_diameter_mm,
                cup_diameter_mm=hip.cup_diameter_mm,
            )
            measured["true"] = [truth[image.image_id, hip.hip_id, q] for q in measured["quantity"]]
            rows.append(measured.assign(image_id=image.image_id, hip_id=hip.hip_id, arm=hip.arm))
    table = pd.concat(rows, ignore_index=True)
    table["error"] = table["value"] - table["true"]
    print()
    for (quantity, arm), part in table.groupby(["quantity", "arm"]):
        size = part["error"].abs()
        print(
            f"{quantity:12s} {arm:12s} films x hips {len(part):3d}  no value {size.isna().sum():2d}  "
            f"median error {size.median():.2f}  largest {size.max():.2f} deg  "
            f"spread of error / sd {(part['error'] / part['sd']).std():.2f}"
        )
    for quantity, part in table.groupby("quantity"):
        size = part["error"].abs()
        print(f"{quantity:12s} all: median error {size.median():.3f}, largest {size.max():.2f} deg")
    return table


@pytest.mark.parametrize(("quantity", "most"), [("inclination", 0.5), ("anteversion", 1.0)])
def test_median_error(found, quantity, most):
    rows = found[found["quantity"] == quantity]
    assert rows["error"].abs().median() <= most


def test_no_film_is_silently_wrong(found):
    assert found["error"].abs().max() <= 3.0


def test_what_has_no_value_says_why(found):
    without = found[found["value"].isna()]
    assert (without["note"] != "").all()
    # The films are ordinary ones: few may be refused.
    assert len(without) <= 0.1 * len(found)


@pytest.mark.parametrize("quantity", ["inclination", "anteversion"])
def test_the_stated_standard_deviation_is_honest(found, quantity):
    """Errors are about as large as stated: the ratio's spread is near one, and few exceed three."""
    rows = found[(found["quantity"] == quantity) & found["value"].notna()]
    ratio = rows["error"] / rows["sd"]
    assert 0.4 < ratio.std() < 1.5
    assert (ratio.abs() > 3).mean() < 0.03
