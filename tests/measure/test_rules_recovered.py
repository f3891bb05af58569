"""What was put into films and lines is found again by the rules: a change of technique, a line that grew."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortlib.measure.comparability import LIMITS, technique_changes
from cohortlib.measure.progression import lucency_progression

VISITS = ("week_6", "month_12", "month_24", "month_60")
LIKE = {"view": "AP pelvis", "position": "supine", "scale_source": "head"}
PLAIN = {"source_to_detector_mm": 1150.0, "beam_left_mm": 0.0, "beam_proximal_mm": 10.0,
         "pelvic_tilt_deg": 2.0, "pelvic_rotation_deg": 0.5, "magnification": 1.15}  # fmt: skip

# by recovery


@pytest.mark.parametrize("changed", [*LIMITS, "position", "view"])
def test_the_one_fact_that_differs_is_the_one_named(changed):
    rng = np.random.default_rng(91)
    rows = []
    for k in range(40):
        for visit in VISITS[:2]:
            # Less than half of each limit: two films that are alike.
            facts = {
                name: value + LIMITS[name].most * rng.uniform(-0.45, 0.45) for name, value in PLAIN.items()
            }
            row = {"image_id": f"I{k}-{visit}", "patient_id": f"P{k}", "visit_id": visit, **LIKE, **facts}
            rows.append(row)
    films = pd.DataFrame(rows)
    odd = films["visit_id"].eq("month_12") & films["patient_id"].isin([f"P{k}" for k in range(0, 40, 4)])
    if changed in LIMITS:
        films.loc[odd, changed] += 2.0 * LIMITS[changed].most
    else:
        films.loc[odd, changed] = {"position": "standing", "view": "AP hip"}[changed]
    found = technique_changes(films, baseline="week_6").set_index("patient_id")
    unlike = set(found.index[found["comparable"] == "no"])
    assert unlike == set(films.loc[odd, "patient_id"])
    assert found.loc[sorted(unlike), "changed"].str.startswith(f"{changed} ").all()
    assert (found["comparable"] != "not known").all()


def test_lines_that_grew_are_found_at_their_visit_and_still_ones_are_not():
    rng = np.random.default_rng(92)
    rows, truth = [], {}
    for k in range(200):
        start = rng.uniform(0.5, 1.0)
        since = int(rng.integers(1, 3)) if k % 2 else 9
        truth[f"H{k}"] = VISITS[since] if since < 9 else ""
        for place, visit in enumerate(VISITS):
            width = start + (1.2 if place >= since else 0.0) + rng.normal(0, 0.1)
            rows.append([f"H{k}", visit, "cup_3", "1", width])
    table = pd.DataFrame(rows, columns=["hip_id", "visit_id", "zone_system", "zone", "width_mm"])
    # The limit is set for the noise put in: 4 standard deviations of a difference.
    found = lucency_progression(table, visits=VISITS, baseline="week_6", width_limit_mm=4 * 0.1 * np.sqrt(2))
    found = found.set_index("hip_id")
    assert found["since"].to_dict() == truth
    assert set(found.loc[found["since"] == "", "result"]) == {"not progressive"}
