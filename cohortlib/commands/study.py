"""The demo study made ready: its films and their measurements, as far as they are missing."""

from __future__ import annotations

import pandas as pd

from cohortlib.commands.project import Project, timed_step
from cohortlib.pipeline import make_images, measure_study
from cohortlib.pipeline.demo_readings import make_readings
from cohortlib.pipeline.measuring import films_to_measure
from cohortlib.study import read_study
from cohortlib.tables import Study


def make_films(project: Project) -> None:
    """Make the films that are missing or changed, and say how many."""
    with timed_step("films") as say:
        made = make_images(project.study)
        say(f"{made} made" if made else "nothing to do")


def make_store(project: Project) -> None:
    """Let the simulated readers read, where their store is missing or not what it should be."""
    with timed_step("readings") as say:
        made = make_readings(project.study)
        say(f"{made} readings" if made else "nothing to do")


def make_measurements(project: Project) -> tuple[Study, pd.DataFrame]:
    """The study and its measurements; only what is not known is measured."""
    with timed_step("measurements") as say:
        study = read_study(project.study)
        count = len(films_to_measure(study))
        measurements = measure_study(study)
        say(f"{count} films measured" if count else "nothing to do")
    return study, measurements
