"""A whole film turned, mirrored, in other pixels, black for white: every quantity stays within its error."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.ndimage import rotate

from cohortlib.dicom import read_radiograph
from cohortlib.image import Radiograph
from cohortlib.measure.cup_lines import measured_lines
from cohortlib.measure.marked_hip import COUNTS, OF_THE_MIDDLE
from cohortlib.pipeline.film import FilmTask, Hip, Mark, rows_of_readings
from cohortlib.quantities import QUANTITIES
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks, true_pose
from cohortlib.synthetic.lucent_line import LucentLine
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe
from cohortlib.tables import MEASUREMENT_COLUMNS

ANATOMY = Path(__file__).parents[1] / "synthetic_cohort" / "anatomy"
#: A line that everybody sees beside the left cup.
LINE = LucentLine("cup", 1, 2.0, extent=0.8)
IMPLANTS = (
    ImplantRecipe("left", "resurfacing", 48, 54, inclination_deg=42, anteversion_deg=18, lines=(LINE,)),
    ImplantRecipe("right", "short_stem", 36, 52, inclination_deg=38, anteversion_deg=22),
)
FILM = FilmRecipe(seed=31, implants=IMPLANTS, side_marker=False)
HIPS = (Hip("H1", "left", 48.0, 54.0, True), Hip("H2", "right", 36.0, 52.0, True))
OTHER = {"left": "right", "right": "left"}
TURN_DEG = 5.0


def film_on_disk(folder: Path, recipe: FilmRecipe, name: str) -> Radiograph:
    path = write_dx(
        folder / name,
        film_pixels(recipe, read_anatomy(ANATOMY)),
        recipe,
        patient_id="P1",
        image_id="I1",
        study_date=datetime.date(2031, 1, 1),
        seed=1,
    )
    return read_radiograph(path)


def marks_of(recipe: FilmRecipe) -> pd.DataFrame:
    """Marks where everything truly lies, a few of each edge."""
    marks = true_landmarks(recipe, read_anatomy(ANATOMY)).query("visible")
    marks = marks[marks["landmark"].isin(COUNTS)]
    marks = marks[~(marks["landmark"].isin(OF_THE_MIDDLE) & (marks["side"] == "right"))]  # once a film
    edges = marks["landmark"] == "head_edge"
    return pd.concat([marks[~edges], marks[edges].iloc[::4]])


def measured(film: Radiograph, marks: pd.DataFrame, hips: tuple[Hip, ...] = HIPS) -> pd.DataFrame:
    rows = marks[["landmark", "side", "x_px", "y_px"]].itertuples(index=False)
    placed = tuple(Mark("R1", 1, str(name), str(side), float(x), float(y)) for name, side, x, y in rows)
    task = FilmTask("I1", "P1", "v", Path(), "a.dcm", hips, placed, "female")
    table = pd.DataFrame(rows_of_readings(task, film), columns=list(MEASUREMENT_COLUMNS))
    return table.astype({"value": float, "sd": float})


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    """The film, its marks and what is measured of it."""
    folder = tmp_path_factory.mktemp("films")
    film, marks = film_on_disk(folder, FILM, "a.dcm"), marks_of(FILM)
    return folder, film, marks, measured(film, marks)


def check_the_same(table: pd.DataFrame, first: pd.DataFrame, *, share: float = 1.0) -> None:
    """Same rows; numbers apart by no more than a share of the standard deviation of one of them."""
    check_the_same_lines(*(measured_lines(one).set_index(["hip_id", "zone"]) for one in (table, first)))
    table, first = (one[~one["quantity"].str.startswith("line_")].reset_index() for one in (table, first))
    assert table["quantity"].tolist() == first["quantity"].tolist()
    assert table["value"].isna().tolist() == first["value"].isna().tolist()
    known = first["value"].notna() & first["sd"].notna()
    off = (table["value"] - first["value"]).abs()[known] / first["sd"][known]
    worst = first.loc[off.idxmax(), ["hip_id", "quantity"]].tolist()
    assert off.max() <= share, f"{worst}: {off.max():.2f} standard deviations"


def check_the_same_lines(table: pd.DataFrame, first: pd.DataFrame) -> None:
    """Same zones; lines that both films allow to measure are alike. Whether one does is a matter of noise."""
    assert table.index.tolist() == first.index.tolist()
    both = table["width_mm"].notna() & first["width_mm"].notna()
    assert ((table["width_mm"] - first["width_mm"]).abs()[both] < 0.2).all()
    assert ((table["extent_percent"] - first["extent_percent"]).abs()[both] < 10).all()
    known = (table["state"] != "not assessable") & (first["state"] != "not assessable")
    assert ((table["state"] == "none") == (first["state"] == "none"))[known].all()


# by hand


def test_a_film_gives_all_that_it_can(scene):
    *_, table = scene
    angles = {"inclination", "anteversion"}
    found = set(table.loc[table["value"].notna(), "quantity"])
    marked = {
        name
        for name, quantity in QUANTITIES.items()
        if quantity.marks and quantity.zones == "" and "notch_edge" not in quantity.marks
    }
    assert found >= marked | angles
    assert table.duplicated(["hip_id", "quantity", "zone"]).sum() == 0
    assert (table["unit"] == table["quantity"].map(lambda name: QUANTITIES[name].unit)).all()


# by law


def test_a_mirrored_film_is_that_of_the_other_sides(scene):
    _, film, marks, first = scene
    width = film.pixels.shape[1]
    beam = film.beam_centre_px and (width - 1 - film.beam_centre_px[0], film.beam_centre_px[1])
    mirrored = replace(film, pixels=film.pixels[:, ::-1].copy(), beam_centre_px=beam)
    moved = marks.assign(x_px=width - 1 - marks["x_px"], side=marks["side"].map(OTHER))
    hips = tuple(hip._replace(side=OTHER[hip.side]) for hip in HIPS)
    check_the_same(measured(mirrored, moved, hips), first)


def test_a_turned_film_gives_the_same(scene):
    _, film, marks, first = scene
    grey = rotate(film.pixels, TURN_DEG, reshape=False, order=3, mode="nearest")
    middle = (np.array(film.pixels.shape[::-1]) - 1) / 2
    c, s = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    turn = np.array([[c, -s], [s, c]])  # anticlockwise as seen, y down
    places = (marks[["x_px", "y_px"]].to_numpy() - middle) @ turn + middle
    turned = replace(film, pixels=grey.astype(np.float32))
    assert turned.beam_centre_px == pytest.approx(tuple(middle), abs=0.6), "the beam stays in the middle"
    check_the_same(measured(turned, marks.assign(x_px=places[:, 0], y_px=places[:, 1])), first)


def test_other_pixels_give_the_same(scene):
    """Other pixels have other noise, which is part of the error: three films, each quantity on their mean."""
    folder, _, _, first = scene
    coarser = [replace(FILM, seed=seed, spacing_mm=0.4, columns=1050, rows=862) for seed in (31, 32, 33)]
    tables = [
        measured(film_on_disk(folder, recipe, f"coarser_{recipe.seed}.dcm"), marks_of(recipe))
        for recipe in coarser
    ]
    check_the_same(tables[0].assign(value=sum(table["value"] for table in tables) / len(tables)), first)
    for table in tables:
        check_the_same(table, first, share=2.0)


def test_black_for_white_is_the_same_film(scene):
    folder, _, marks, first = scene
    film = film_on_disk(folder, replace(FILM, photometric="MONOCHROME1"), "inverted.dcm")
    check_the_same(measured(film, marks), first, share=0.02)


# by recovery


def test_true_places_give_the_true_quantities(scene):
    *_, table = scene
    truth = true_pose(FILM, read_anatomy(ANATOMY)).set_index(["side", "quantity"])["value"]
    found = table.set_index(["hip_id", "quantity"])
    for hip in HIPS:
        for name in ("inclination", "anteversion"):
            row = found.loc[(hip.hip_id, name)]
            assert row["value"] == pytest.approx(truth[hip.side, name], abs=3 * row["sd"] + 0.1)
        row = found.loc[(hip.hip_id, "stem_shaft_angle")]
        expected = truth[hip.side, "stem_shaft_angle_on_film"]
        assert row["value"] == pytest.approx(expected, abs=0.5)
    row = found.loc[("H1", "neck_head_ratio")]
    assert row["value"] == pytest.approx(truth["left", "neck_head_ratio"], abs=0.02)
