"""Radiolucent lines as a study gets them, from readers' marks to states of zones, on two invented studies.

By hand: `python <this file> [seed …]`; it makes the films of two studies and measures them, in about ten
minutes. The counts of zones lie beside this file. Nothing was chosen on these two.

Every reading is measured as `measure_study` does it: cups by their fit, stems by the outline that is followed
from the marks. A zone counts once for each reading.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from cohortlib.measure.line_rows import measured_lines
from cohortlib.pipeline import measure_study
from cohortlib.study import read_study
from cohortlib.synthetic.study_files import make_study, write_film

KEPT = Path(__file__).with_suffix(".csv")
SEEDS = (7121, 7122)
ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
KEYS = ["image_id", "hip_id", "zone_system", "zone"]


def zones_of_study(seed: int) -> pd.DataFrame:
    """One row a reading and zone: what was measured beside the truth."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        shutil.copytree(ANATOMY, folder / "anatomy")
        shutil.copy(ANATOMY.parent / "study.toml", folder)
        make_study(folder, seed=seed)
        study = read_study(folder)
        for image_id in study.images["image_id"]:
            write_film(folder, image_id, seed=seed)
        found = measured_lines(measure_study(study))
        truth = pd.read_csv(folder / "truth.csv", dtype={"zone": str})
    lines = truth[truth["quantity"].str.startswith("line_width_") & truth["zone"].notna()]
    lines = lines.assign(zone_system=lines["quantity"].str.removeprefix("line_width_"))
    true = lines.rename(columns={"value": "true_mm"})[[*KEYS, "true_mm"]]
    found = found.merge(true, on=KEYS, how="left", validate="many_to_one")
    return found.assign(seed=seed)


def counts(zones: pd.DataFrame) -> pd.DataFrame:
    """One row a system of zones and kind of zone: how many are seen, not assessable; the error of widths."""
    kind = np.select(
        [zones["true_mm"] >= 1, zones["true_mm"] > 0], ["line of 1 mm or more", "thinner line"], "no line"
    )
    error = (zones["width_mm"] - zones["true_mm"]).abs()
    table = zones.assign(kind=kind, error=error, line=zones["state"].isin(["incomplete", "complete"]))
    groups = table.groupby(["zone_system", "kind"])
    return pd.DataFrame(
        {
            "zones": groups.size(),
            "line": groups["line"].sum(),
            "none": groups["state"].agg(lambda state: (state == "none").sum()),
            "not_assessable": groups["state"].agg(lambda state: (state == "not assessable").sum()),
            "median_width_error_mm": groups["error"].median().round(3),
        }
    ).reset_index()


def main() -> None:
    """Print the counts, and keep those of the two studies."""
    seeds = [int(seed) for seed in sys.argv[1:]] or list(SEEDS)
    table = counts(pd.concat([zones_of_study(seed) for seed in seeds]))
    print(table.to_string(index=False))
    if seeds == list(SEEDS):
        table.to_csv(KEPT, index=False)


if __name__ == "__main__":
    main()
