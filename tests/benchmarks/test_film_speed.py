"""How long a whole film with two hips takes, everything measured, beside the bare pixels read by pydicom.

Not part of `make test`; run by `make benchmark`. Seconds are those of the processor, on one core and in one
thread as in the workers of `measure_study`, so that neither other programs nor threads that wait count. A
film is to take no more than one; the ratio to the first row differs less between computers.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Iterator
from pathlib import Path

import pydicom
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from threadpoolctl import threadpool_limits

from cohortlib.dicom import read_radiograph
from cohortlib.measure.marked_hip import COUNTS, OF_THE_MIDDLE
from cohortlib.pipeline.film import FilmTask, Hip, Mark, film_rows, hip_scale
from cohortlib.synthetic.anatomy import read_anatomy
from cohortlib.synthetic.dx import write_dx
from cohortlib.synthetic.film import film_pixels, true_landmarks
from cohortlib.synthetic.recipe import FilmRecipe, ImplantRecipe

ANATOMY = Path(__file__).parents[2] / "synthetic_cohort" / "anatomy"
FILM = FilmRecipe(
    seed=6,
    implants=(
        ImplantRecipe("left", "resurfacing", 48, 54, inclination_deg=42, anteversion_deg=18),
        ImplantRecipe("right", "short_stem", 36, 52, inclination_deg=38, anteversion_deg=22),
    ),
)
HIPS = (Hip("H1", "left", 48.0, 54.0, True), Hip("H2", "right", 36.0, 52.0, True))
ROUNDS, MOST_SECONDS = 5, 1.0

pytestmark = pytest.mark.benchmark(group="one whole film, two hips", timer=time.process_time)


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def task(tmp_path_factory: pytest.TempPathFactory) -> FilmTask:
    """One film in one reading, every landmark marked, six on the edge of each head."""
    folder, anatomy = tmp_path_factory.mktemp("film"), read_anatomy(ANATOMY)
    day = datetime.date(2030, 2, 21)
    pixels = film_pixels(FILM, anatomy)
    write_dx(folder / "film.dcm", pixels, FILM, patient_id="P1", image_id="I1", study_date=day, seed=1)
    seen = true_landmarks(FILM, anatomy).query("visible")
    seen = seen[seen["landmark"].isin(COUNTS)]
    seen = seen[~(seen["landmark"].isin(OF_THE_MIDDLE) & (seen["side"] == "right"))]
    edges = seen[seen["landmark"].isin(["head_edge", "cup_rim"])]
    few = [rows.iloc[:: max(1, len(rows) // 6)] for _, rows in edges.groupby(["landmark", "side"])]
    marks = tuple(
        Mark("R1", 1, row["landmark"], row["side"], row["x_px"], row["y_px"])
        for rows in (seen.drop(edges.index), *few)
        for row in rows.to_dict("records")
    )
    return FilmTask("I1", "P1", "week_6", folder, "film.dcm", HIPS, marks, "female")


def test_1_bare_pixels_by_pydicom(benchmark: BenchmarkFixture, task: FilmTask) -> None:
    path = task.folder / task.path
    pixels = benchmark.pedantic(lambda: pydicom.dcmread(path).pixel_array, rounds=ROUNDS, warmup_rounds=1)
    assert pixels.shape == (FILM.rows, FILM.columns)


def test_2_read_and_find_both_scales(benchmark: BenchmarkFixture, task: FilmTask) -> None:
    def scales() -> list[object]:
        film = read_radiograph(task.folder / task.path)
        return [hip_scale(film, task, hip) for hip in HIPS]

    assert None not in benchmark.pedantic(scales, rounds=ROUNDS, warmup_rounds=1)


def test_3_everything_of_both_hips(benchmark: BenchmarkFixture, task: FilmTask) -> None:
    rows = benchmark.pedantic(film_rows, (task,), rounds=ROUNDS, warmup_rounds=1)
    assert len({(row[0], row[6]) for row in rows if row[8] is not None}) >= 26
    assert benchmark.stats.stats.median <= MOST_SECONDS
