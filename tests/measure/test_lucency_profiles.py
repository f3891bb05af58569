"""Mean profiles across an interface, to look at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cohortlib.errors import StudyError
from cohortlib.image import Radiograph
from cohortlib.measure.lucency import PROFILE_COLUMNS, interface_profiles, radiolucent_lines
from cohortlib.synthetic.patch import make_interface_patch

#: Half of the zone has a line of 2 mm, a fifth darker than bone in log exposure; little noise.
PATCH = make_interface_patch(
    seed=4,
    width_mm=2.0,
    extent=0.5,
    noise_sd=0.01,
    texture=0.0,
    metal_radius_mm=27.0,
    size_mm=48.0,
    zone_mm=34.0,
)
FILM = Radiograph(PATCH.pixels.astype(np.float32), (PATCH.spacing_mm,) * 2, "detector", name="patch")
OUTLINE = PATCH.edge_px * PATCH.spacing_mm * [1, -1]
FOUND = interface_profiles(FILM, OUTLINE, {"1": PATCH.zone})


def level(low_mm, high_mm, *, lined):
    rows = FOUND[FOUND["outside_mm"].between(low_mm, high_mm)]
    rows = rows[rows["along_mm"].between(2, 15) if lined else rows["along_mm"].between(19, 32)]
    return rows["exposure"].mean()


# ---- by hand -------------------------------------------------------------------------------------


def test_metal_line_and_bone_have_the_exposure_they_were_made_with():
    assert level(3, 6, lined=True) == pytest.approx(1.0, abs=0.02)
    assert level(0.6, 1.4, lined=True) == pytest.approx(np.exp(0.2), abs=0.05)
    assert level(0.6, 1.4, lined=False) == pytest.approx(1.0, abs=0.03)
    assert level(-1.6, -0.8, lined=False) < 0.35


def test_a_row_a_place_and_a_profile_each_0_6_mm():
    assert tuple(FOUND.columns) == PROFILE_COLUMNS
    assert set(FOUND["zone"]) == {"1"}
    assert not FOUND.duplicated(["zone", "along_mm", "outside_mm"]).any()
    along = np.unique(FOUND["along_mm"])
    assert np.diff(along) == pytest.approx(0.6, abs=0.01)
    assert along[-1] == pytest.approx(34, abs=0.8)


# ---- by law --------------------------------------------------------------------------------------


def test_as_many_profiles_as_the_line_was_measured_from():
    row = radiolucent_lines(FILM, OUTLINE, {"1": PATCH.zone}).iloc[0]
    assert FOUND["along_mm"].nunique() == row["n_profiles"]


# ---- by failure ----------------------------------------------------------------------------------


def test_what_is_not_seen_has_no_profile():
    pixels = FILM.pixels.copy()
    pixels[: len(pixels) // 2] = np.nan
    zones = {"1": PATCH.zone}
    found = interface_profiles(replace(FILM, pixels=pixels), OUTLINE, zones)
    assert 0 < found["along_mm"].nunique() < FOUND["along_mm"].nunique()
    assert found["exposure"].notna().all()


@pytest.mark.parametrize(
    ("change", "outline", "match"),
    [
        ({"spacing_mm": None, "spacing_source": "none"}, OUTLINE, "no scale"),
        ({}, OUTLINE[:3], "at least eight finite points"),
    ],
)
def test_refused_in_words(change, outline, match):
    with pytest.raises(StudyError, match=match):
        interface_profiles(replace(FILM, **change), outline, {"1": PATCH.zone[: len(outline)]})
