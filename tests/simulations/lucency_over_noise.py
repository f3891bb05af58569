"""Radiolucent lines over noise: how often a line is seen, how often none is invented, how wide the error.

By hand: `python <this file> [patches a level]`. The seed is 2031; the table of a run with the default number
lies beside this file.

Patches of 0.15 mm pixels with a line of 0.5 to 3 mm in six of ten, along 40 to 100 % of the zone, in both
shapes, about straight and round metal, with a contrast of 0.1 to 0.3. Noise of 0.04 is usual at these
pixels; 0.1 is poor and 0.3 extreme.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.synthetic.patch import make_interface_patch

SEED, DEFAULT = 2031, 200
NOISE = (0.02, 0.04, 0.06, 0.08, 0.1, 0.15, 0.3)
KEPT = Path(__file__).with_suffix(".csv")


def one_patch(rng: np.random.Generator, noise_sd: float) -> dict[str, object]:
    """A patch drawn at random, and what was measured of it."""
    width = 0.0 if rng.random() < 0.4 else float(rng.uniform(0.5, 3))
    extent = 1.0 if rng.random() < 0.5 else float(rng.uniform(0.4, 1))
    patch = make_interface_patch(
        seed=int(rng.integers(1_000_000)),
        width_mm=width,
        extent=extent,
        contrast=float(rng.uniform(0.1, 0.3)),
        noise_sd=noise_sd,
        shape=str(rng.choice(["slit", "shell"])),
        metal_radius_mm=[None, 27.0][rng.integers(2)],
        angle_deg=float(rng.uniform(0, 360)),
    )
    film = Radiograph(
        pixels=patch.pixels.astype(np.float32),
        spacing_mm=(patch.spacing_mm, patch.spacing_mm),
        spacing_source="calibrated object",
    )
    found = radiolucent_lines(film, patch.edge_px * patch.spacing_mm * [1, -1], {"1": patch.zone}).iloc[0]
    return {
        "true_mm": width,
        "true_percent": 100 * extent if width else 0.0,
        "state": found["state"],
        "width_mm": found["width_mm"],
        "extent_percent": found["extent_percent"],
    }


def level(noise_sd: float, patches: int) -> dict[str, float]:
    """One row of the table: all patches of one noise."""
    rng = np.random.default_rng([SEED, round(1000 * noise_sd)])
    rows = pd.DataFrame([one_patch(rng, noise_sd) for _ in range(patches)])
    sure = rows[rows["state"] != "not assessable"]
    seen = sure["state"] != "none"
    lined, wide = sure["true_mm"] > 0, sure["true_mm"] >= 1
    error = (sure["width_mm"] - sure["true_mm"])[lined & seen].abs()
    extent = (sure["extent_percent"] - sure["true_percent"])[lined & seen].abs()
    return {
        "noise_sd": noise_sd,
        "patches": patches,
        "not_assessable_percent": 100 * (1 - len(sure) / patches),
        "sensitivity_from_1_mm": float(seen[wide].mean()) if wide.any() else np.nan,
        "specificity": float((~seen)[~lined].mean()) if (~lined).any() else np.nan,
        "median_width_error_mm": float(error.median()),
        "width_error_of_nine_in_ten_mm": float(error.quantile(0.9)),
        "median_extent_error_percent": float(extent.median()),
    }


def main(patches: int) -> None:
    """Print the table; keep it where the number of patches is the default."""
    table = pd.DataFrame([level(noise, patches) for noise in NOISE]).round(3)
    print(table.to_string(index=False))
    if patches == DEFAULT:
        table.to_csv(KEPT, index=False)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)
