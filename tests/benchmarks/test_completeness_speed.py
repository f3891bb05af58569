"""How long completeness, its summary and the flow of five thousand hips take: the demo many times over.

Not part of `make test`; run by `make benchmark`.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pandas as pd
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from cohortlib.stats.completeness import completeness_summary
from cohortlib.stats.flow import flow_table
from cohortlib.study import completeness, read_study
from cohortlib.tables import Study

TIMES = 72
MOST_S = 1.0
IDS = ("patient_id", "hip_id", "image_id", "event_id")


@pytest.fixture(scope="module")
def study() -> Study:
    demo = read_study(Path(__file__).parents[2] / "synthetic_cohort")
    tables = {
        name: pd.concat([numbered(table, number) for number in range(TIMES)], ignore_index=True)
        for name, table in demo.tables.items()
    }
    return dataclasses.replace(demo, tables=tables)


def numbered(table: pd.DataFrame, number: int) -> pd.DataFrame:
    return table.assign(**{name: table[name] + f"_{number}" for name in IDS if name in table})


def test_completeness_of_five_thousand_hips(benchmark: BenchmarkFixture, study: Study) -> None:
    rows = benchmark(completeness, study)
    assert rows["hip_id"].nunique() == 70 * TIMES >= 5000
    assert benchmark.stats.stats.median < MOST_S


def test_their_summary_and_flow(benchmark: BenchmarkFixture, study: Study) -> None:
    rows = completeness(study)
    benchmark(lambda: (completeness_summary(rows), flow_table(rows)))
    assert benchmark.stats.stats.median < MOST_S
