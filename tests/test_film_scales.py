"""The scale of films, from the head on their pixels."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cohortlib.image import Radiograph
from cohortlib.measure.head_scale import HEAD, scale_of_header
from cohortlib.measure.scale import SCALE_COLUMNS, scales_by_hip
from cohortlib.pipeline.film import FilmTask, Hip, Mark
from cohortlib.pipeline.scales import scale_rows
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe

ANATOMY = Path(__file__).parents[1] / "synthetic_cohort" / "anatomy"


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """Folder, task and recipe of one film with a resurfacing on the left."""
    folder = tmp_path_factory.mktemp("film")
    implant = ImplantRecipe("left", "resurfacing", 48, 54, inclination_deg=42, anteversion_deg=16)
    recipe = FilmRecipe(seed=8, implants=(implant,), spacing_mm=0.35, columns=1200, rows=986)
    anatomy = read_anatomy(ANATOMY)
    write_dx(
        folder / "a.dcm",
        film_pixels(recipe, anatomy),
        recipe,
        patient_id="P1",
        image_id="I1",
        study_date=datetime.date(2031, 1, 1),
        seed=1,
    )
    points = true_landmarks(recipe, anatomy)
    points = points[points["visible"] & points["landmark"].isin(["teardrop", "head_edge", "cup_rim"])]
    marks = tuple(
        Mark("R1", 1, row["landmark"], row["side"], float(row["x_px"]), float(row["y_px"]))
        for row in points.to_dict("records")
        if row["landmark"] == "teardrop" or row["side"] == "left"
    )
    hips = (Hip("H1", "left", 48.0, 54.0, True), Hip("H2", "right", 48.0, 54.0, False))
    depth = true_pose(recipe, anatomy).set_index(["side", "quantity"])["value"]["left", "cup_centre_y"]
    return FilmTask("I1", "P1", "v", folder, "a.dcm", hips, marks), recipe, float(depth)


# by recovery


def test_the_scale_is_that_of_the_depth_of_the_head(film):
    task, recipe, depth_mm = film
    rows = scale_rows(task)
    assert len(rows) == 1, "a side without a head has no scale: a spacing at the detector is none"
    table = pd.DataFrame(rows, columns=list(SCALE_COLUMNS))
    expected = recipe.spacing_mm * depth_mm / recipe.source_to_detector_mm
    np.testing.assert_allclose(table[["x_mm_per_px", "y_mm_per_px"]].to_numpy(), expected, rtol=0.012)
    assert table["source"].tolist() == [HEAD]
    assert scales_by_hip(table)["I1", "left"].relative_sd == pytest.approx(0.012)


# by hand


@pytest.mark.parametrize(
    ("source", "relative"),
    [("calibrated object", 0.05), ("detector", None), ("unknown", None), ("none", None)],
)
def test_only_a_calibrated_header_gives_a_scale(source, relative):
    spacing = None if source == "none" else (0.2, 0.25)
    found = scale_of_header(Radiograph(np.zeros((2, 2), dtype=np.float32), spacing, source))
    assert (found is None) == (relative is None)
    if found is not None:
        assert found == (0.25, 0.2, relative, "header, calibrated object")


def test_before_its_operation_a_hip_has_no_head_of_known_size(film):
    task, *_ = film
    waiting = replace(task, hips=tuple(hip._replace(operated=False) for hip in task.hips))
    assert scale_rows(waiting) == []


# by failure


def test_a_film_that_is_not_there_or_none_has_no_scale(film, tmp_path):
    task, *_ = film
    (tmp_path / "a.dcm").write_bytes(b"no film")
    assert scale_rows(replace(task, folder=tmp_path)) == []
