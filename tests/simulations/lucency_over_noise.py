"""Radiolucent lines over noise: how often a line is seen, how often none is invented, how wide the error.

By hand: `python <this file> [patches a level]`. The seed is 2031; the table of a run with the default number
lies beside this file.

Patches of 0.15 mm pixels, zones of 34 mm. Half of them have no line; the others one of 0.5 to 3 mm along 40
to 100 % of the zone, in both shapes, with and without a bright margin, about straight and round metal, with a
contrast of 0.1 to 0.3 and a blur of 0.12 to 0.25 mm. Noise of 0.04 is usual at these pixels; 0.1 is poor and
0.3 extreme.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.synthetic.patch import make_interface_patch

SEED, DEFAULT = 2031, 400
NOISE = (0.02, 0.04, 0.06, 0.08, 0.1, 0.15, 0.2, 0.3, 0.5)
KEPT = Path(__file__).with_suffix(".csv")


def one_patch(rng: np.random.Generator, noise_sd: float) -> dict[str, object]:
    """A patch drawn at random, and what was measured of it."""
    width = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.5, 3))
    extent = 1.0 if rng.random() < 0.4 else float(rng.uniform(0.4, 1))
    facts = {
        "extent": extent,
        "start": float(rng.uniform(0, 1 - extent)),
        "contrast": float(rng.uniform(0.1, 0.3)),
        "shape": str(rng.choice(["slit", "shell"])),
        "metal_radius_mm": [None, 27.0][rng.integers(2)],
        "angle_deg": float(rng.uniform(0, 360)),
        "blur_mm": float(rng.uniform(0.12, 0.25)),
        "sclerosis_mm": float(rng.choice([0.0, 0.5])),
    }
    patch = make_interface_patch(
        seed=int(rng.integers(1_000_000)),
        width_mm=width,
        noise_sd=noise_sd,
        size_mm=48.0,
        zone_mm=34.0,
        **facts,
    )
    film = Radiograph(
        pixels=patch.pixels.astype(np.float32),
        spacing_mm=(patch.spacing_mm, patch.spacing_mm),
        spacing_source="detector",
    )
    found = radiolucent_lines(film, patch.edge_px * patch.spacing_mm * [1, -1], {"1": patch.zone}).iloc[0]
    return {
        **facts,
        "true_mm": width,
        "true_percent": 100 * extent if width else 0.0,
        **found[["state", "width_mm", "sd", "extent_percent", "clarity", "method"]].to_dict(),
    }


def patches(noise_sd: float, count: int) -> pd.DataFrame:
    """One row a patch of one noise."""
    rng = np.random.default_rng([SEED, round(1000 * noise_sd)])
    return pd.DataFrame([one_patch(rng, noise_sd) for _ in range(count)])


def level(rows: pd.DataFrame) -> dict[str, float]:
    """What all patches of one noise say together."""
    sure = rows[rows["state"] != "not assessable"]
    seen = sure["state"] != "none"
    lined, wide = sure["true_mm"] > 0, sure["true_mm"] >= 1
    found = sure[lined & seen]
    error = found["width_mm"] - found["true_mm"]
    extent = (found["extent_percent"] - found["true_percent"]).abs()
    return {
        "patches": len(rows),
        "not_assessable_percent": 100 * (1 - len(sure) / len(rows)),
        "assessed_from_1_mm": int(wide.sum()),
        "assessed_without_line": int((~lined).sum()),
        "sensitivity_from_1_mm": float(seen[wide].mean()),
        "sensitivity_below_1_mm": float(seen[lined & ~wide].mean()),
        "specificity": float((~seen)[~lined].mean()),
        "median_width_error_mm": float(error.abs().median()),
        "width_error_of_nine_in_ten_mm": float(error.abs().quantile(0.9)),
        "width_error_over_sd": float(np.sqrt(((error / found["sd"]) ** 2).mean())),
        "median_extent_error_percent": float(extent.median()),
    }


def table(count: int) -> pd.DataFrame:
    """One row a noise."""
    return pd.DataFrame([{"noise_sd": noise} | level(patches(noise, count)) for noise in NOISE]).round(3)


def main(count: int) -> None:
    """Print the table; keep it where the number of patches is the default."""
    made = table(count)
    print(made.T.to_string(header=False))
    usual = patches(0.04, count)
    usual["width"] = pd.cut(usual["true_mm"], [0, 1, 2, 3])
    by = ["shape", "metal_radius_mm", "width"]
    usual["error"] = (usual["width_mm"] - usual["true_mm"]).abs()
    lined = usual[usual["true_mm"] > 0].fillna({"metal_radius_mm": np.inf})
    print("\nusual noise: median width error [mm] by shape, radius of the metal, and width")
    print(lined.groupby(by, observed=True)["error"].agg(["count", "median"]).round(3).to_string())
    if count == DEFAULT:
        made.to_csv(KEPT, index=False)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)
