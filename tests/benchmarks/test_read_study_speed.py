"""How long a million answers take to be read and checked, beside bare `pandas.read_csv` in the same run.

Not part of `make test`; run by `make benchmark`. 5,000 hips, 20,000 visits and images, 1,000,000 answers
from a seed; the files are in the cache of the system. The table shows times of this process. The limits
are held by processes of their own, a kind of reading each, by turns, the best of all rounds; each has
read a small study before, so that what Python loads and prepares once is not counted.

Memory is what the process grows by at its peak in its first reading (resident, as Linux counts it),
against two measures of the frames that `read_csv` makes of the same files: their deep memory as pandas
counts it, and what a process grows by that makes them.
"""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from large_study_files import write_large_study
from pytest_benchmark.fixture import BenchmarkFixture

from cohortlib.study import check_study, read_study

#: 5,000 hips and 1,000,000 answers.
PATIENTS = 4000
#: Reading with all checks may take so many times as long as `read_csv`, and so many times the frames.
MOST_TIMES, MOST_FRAMES = 3, 3
PROCESSES, ROUNDS = 3, 5

pytestmark = pytest.mark.benchmark(group="a million answers")


def bare(folder: Path) -> list[pd.DataFrame]:
    return [pd.read_csv(path) for path in sorted((folder / "tables").iterdir())]


READINGS: dict[str, Callable[[Path], Any]] = {"bare": bare, "check": check_study, "read": read_study}


def resident_bytes(line: str) -> int:
    """A line of what Linux says of this process: VmRSS now, VmHWM at the peak."""
    for text in Path("/proc/self/status").read_text().splitlines():
        if text.startswith(line):
            return int(text.split()[1]) * 1024
    raise OSError(f"no {line} here")


def measured(kind: str, small: Path, large: Path) -> dict[str, Any]:
    """Seconds of each round, growth at the peak of the first, and deep memory of the frames."""
    for reading in READINGS.values():
        reading(small)
    gc.collect()
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins here
    before, seconds, made = resident_bytes("VmRSS:"), [], None
    growth = 0
    for _ in range(ROUNDS):
        made = None
        gc.collect()
        start = time.perf_counter()
        made = READINGS[kind](large)
        seconds.append(time.perf_counter() - start)
        growth = growth or resident_bytes("VmHWM:") - before
    frames = made if kind == "bare" else made.tables.values() if kind == "read" else []
    deep = sum(int(frame.memory_usage(deep=True).sum()) for frame in frames)
    return {"seconds": seconds, "growth": growth, "deep": deep}


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    small, large = tmp_path_factory.mktemp("small"), tmp_path_factory.mktemp("large")
    write_large_study(small, patients=8, seed=1)
    write_large_study(large, patients=PATIENTS, seed=2)
    return small, large


@pytest.fixture(scope="module")
def own_processes(folders: tuple[Path, Path]) -> dict[str, dict[str, float]]:
    found: dict[str, list[dict[str, Any]]] = {kind: [] for kind in READINGS}
    for _ in range(PROCESSES):
        for kind, runs in found.items():
            command = [sys.executable, __file__, kind, *map(str, folders)]
            runs.append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
    return {
        kind: {
            "seconds": min(min(run["seconds"]) for run in runs),
            "growth": max(run["growth"] for run in runs),
            "deep": runs[0]["deep"],
        }
        for kind, runs in found.items()
    }


def test_1_bare_read_csv(benchmark: BenchmarkFixture, folders: tuple[Path, Path]) -> None:
    frames = benchmark.pedantic(bare, (folders[1],), rounds=ROUNDS, warmup_rounds=1)
    assert max(map(len, frames)) == 250 * PATIENTS


def test_2_check_study(
    benchmark: BenchmarkFixture, folders: tuple[Path, Path], own_processes: dict[str, dict[str, float]]
) -> None:
    problems = benchmark.pedantic(check_study, (folders[1],), rounds=ROUNDS, warmup_rounds=1)
    assert problems.empty
    within_limits(benchmark, own_processes, "check")


def test_3_read_study(
    benchmark: BenchmarkFixture, folders: tuple[Path, Path], own_processes: dict[str, dict[str, float]]
) -> None:
    study = benchmark.pedantic(read_study, (folders[1],), rounds=ROUNDS, warmup_rounds=1)
    assert len(study.answers) == 250 * PATIENTS
    assert len(study.hips) == PATIENTS * 5 // 4
    within_limits(benchmark, own_processes, "read")


def within_limits(benchmark: BenchmarkFixture, found: dict[str, dict[str, float]], kind: str) -> None:
    of_kind, of_bare = found[kind], found["bare"]
    ratios = {
        "times the seconds of read_csv": of_kind["seconds"] / of_bare["seconds"],
        "times the deep memory of its frames": of_kind["growth"] / of_bare["deep"],
        "times the growth of its process": of_kind["growth"] / of_bare["growth"],
    }
    benchmark.extra_info.update(ratios)
    print(f"\n{kind}_study: {ratios}")
    assert ratios["times the seconds of read_csv"] <= MOST_TIMES
    assert ratios["times the deep memory of its frames"] <= MOST_FRAMES
    assert ratios["times the growth of its process"] <= MOST_FRAMES


if __name__ == "__main__":
    print(json.dumps(measured(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))))
