"""How long one radiograph takes, beside the bare pixels read by pydicom in the same run.

Not part of `make test`; run by `make benchmark`. The number in brackets is the ratio to the fastest
row, the bare pixels: it differs less between computers than the seconds do.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import pandas as pd
import pydicom
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from cohortlib.dicom import read_radiograph
from cohortlib.measure.cup import cup_on_film
from cohortlib.synthetic.anatomy import Anatomy, read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe

ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
IMPLANT = ImplantRecipe("left", "short_stem", 36, 52, inclination_deg=42, anteversion_deg=16)
FILM = FilmRecipe(seed=5, implants=(IMPLANT,))
ROUNDS = 5

pytestmark = pytest.mark.benchmark(group="one radiograph")


@pytest.fixture(scope="module")
def anatomy() -> Anatomy:
    return read_anatomy(ANATOMY)


@pytest.fixture(scope="module")
def film(anatomy: Anatomy, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("film") / "film.dcm"
    day = datetime.date(2030, 2, 21)
    return write_dx(
        path, film_pixels(FILM, anatomy), FILM, patient_id="P1", image_id="I1", study_date=day, seed=1
    )


@pytest.fixture(scope="module")
def marks(anatomy: Anatomy) -> pd.DataFrame:
    """Six points on the head, all that is seen of the rim, both teardrops."""
    seen = true_landmarks(FILM, anatomy).query("visible")
    teardrops = seen[seen["landmark"] == "teardrop"]
    teardrops = teardrops.assign(landmark="teardrop_" + teardrops["side"])
    head, rim = (seen[seen["landmark"] == name] for name in ("head_edge", "cup_rim"))
    return pd.concat([teardrops, head.iloc[:: max(1, len(head) // 6)], rim])


def measured(path: Path, marks: pd.DataFrame) -> pd.DataFrame:
    return cup_on_film(
        read_radiograph(path),
        marks,
        side=IMPLANT.side,
        head_diameter_mm=IMPLANT.head_diameter_mm,
        cup_diameter_mm=IMPLANT.cup_diameter_mm,
    )


def test_1_bare_pixels_by_pydicom(benchmark: BenchmarkFixture, film: Path) -> None:
    pixels = benchmark.pedantic(lambda: pydicom.dcmread(film).pixel_array, rounds=ROUNDS, warmup_rounds=1)
    assert pixels.shape == (FILM.rows, FILM.columns)


def test_2_read_radiograph(benchmark: BenchmarkFixture, film: Path) -> None:
    radiograph = benchmark.pedantic(read_radiograph, (film,), rounds=ROUNDS, warmup_rounds=1)
    assert radiograph.pixels.shape == (FILM.rows, FILM.columns)


def test_3_read_and_fit_one_cup(benchmark: BenchmarkFixture, film: Path, marks: pd.DataFrame) -> None:
    table = benchmark.pedantic(measured, (film, marks), rounds=ROUNDS, warmup_rounds=1)
    assert table["value"].notna().all()


def test_4_make_an_invented_film(benchmark: BenchmarkFixture, anatomy: Anatomy) -> None:
    pixels = benchmark.pedantic(film_pixels, (FILM, anatomy), rounds=ROUNDS, warmup_rounds=1)
    assert pixels.shape == (FILM.rows, FILM.columns)
