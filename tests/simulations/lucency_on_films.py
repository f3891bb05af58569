"""Radiolucent lines on whole films of invented studies: seen or not, how wide, zone by zone.

By hand: `python <this file>`; it makes every film of two studies after an operation, in about eight minutes.
The rows of the zones that have a line, or are said to have one, lie beside this file, and the counts of all.
The limits of `lucency.rows` were set on studies of the seeds 6101 to 6105, these two were not looked at.

Outlines and zones are the true ones: what a reader's marks add is not in here. True widths are those in the
patient times the magnification of the cup's centre.
"""

from __future__ import annotations

from pathlib import Path
from time import process_time

import numpy as np
import pandas as pd

from cohortlib.image import Radiograph
from cohortlib.measure.lucency import radiolucent_lines
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.exposure import LARGEST
from cohortlib.synthetic.film import film_pixels
from cohortlib.synthetic.lucent_line import ZONE_SYSTEM
from cohortlib.synthetic.study_files import film_recipes
from cohortlib.synthetic.true_outlines import true_outlines

KEPT = Path(__file__).with_suffix(".csv")
COUNTS = KEPT.with_name("lucency_on_films_counts.csv")
SEEDS = (7101, 7102)
ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"


def film_rows(image_id: str, recipe, anatomy) -> tuple[pd.DataFrame, float]:
    """One row a zone, truth beside what was measured; and the processor time of measuring [s]."""
    pixels = film_pixels(recipe, anatomy).astype(np.float32)
    if (recipe.photometric == "MONOCHROME1") != recipe.inverted:
        pixels = LARGEST - pixels
    film = Radiograph(pixels, (recipe.spacing_mm,) * 2, "detector")
    own = {implant.side: implant for implant in recipe.implants}
    rows, spent = [], 0.0
    for outline in true_outlines(recipe, anatomy):
        begin = process_time()
        found = radiolucent_lines(film, film.mm(outline.edge_px), outline.zones)
        spent += process_time() - begin
        name = "cup" if outline.zone_system == ZONE_SYSTEM["cup"] else "stem"
        true = {str(line.zone): line for line in own[outline.side].lines if line.interface == name}
        lines = [true.get(number) for number in found["zone"]]
        found.insert(0, "image_id", image_id)
        found.insert(1, "side", outline.side)
        found.insert(2, "zone_system", outline.zone_system)
        found["true_mm"] = [outline.magnification * line.width_mm if line else 0.0 for line in lines]
        found["true_percent"] = [100 * line.extent if line else 0.0 for line in lines]
        rows.append(found)
    return pd.concat(rows, ignore_index=True), spent


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a zone system."""

    def of(part: pd.DataFrame) -> pd.Series:
        known = part["state"] != "not assessable"
        seen, lined, wide = known & (part["state"] != "none"), part["true_mm"] > 0, part["true_mm"] >= 1
        both = part[seen & lined]
        return pd.Series(
            {
                "zones": len(part),
                "not_assessable": int((~known).sum()),
                "lines_from_1_mm": int(wide.sum()),
                "of_these_seen": int((seen & wide).sum()),
                "not_assessable_of_these": int((~known & wide).sum()),
                "thinner_lines": int((lined & ~wide).sum()),
                "of_thinner_seen": int((seen & lined & ~wide).sum()),
                "without_line": int((~lined).sum()),
                "of_these_none": int((known & ~seen & ~lined).sum()),
                "of_these_lines": int((seen & ~lined).sum()),
                "median_width_error_mm": (both["width_mm"] - both["true_mm"]).abs().median().round(3),
                "median_extent_error_percent": (both["extent_percent"] - both["true_percent"]).abs().median(),
            }
        )

    groups = [*rows.groupby("zone_system"), ("all", rows)]
    return pd.DataFrame({name: of(part) for name, part in groups})


def main() -> None:
    """Print what comes of it, and keep the rows."""
    anatomy, parts, spent = read_anatomy(ANATOMY), [], []
    for seed in SEEDS:
        films = film_recipes(seed=seed)
        films = films[films["recipe"].map(lambda recipe: len(recipe.implants) > 0)]
        for image_id, recipe in zip(films["image_id"], films["recipe"], strict=True):
            rows, seconds = film_rows(image_id, recipe, anatomy)
            rows.insert(0, "seed", seed)
            parts.append(rows)
            spent.append(seconds)
    rows = pd.concat(parts, ignore_index=True).round(3)
    counts = summary(rows)
    print(counts.to_string())
    print(f"{np.mean(spent):.2f} s of processor time a film")
    counts.to_csv(COUNTS, index_label="count")
    claimed = rows["state"].isin(["incomplete", "complete"])
    rows[claimed | (rows["true_mm"] > 0)].to_csv(KEPT, index=False)


if __name__ == "__main__":
    main()
