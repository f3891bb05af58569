"""The demo: the invented study from nothing to one page with its results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from cohortlib.commands.project import Project, timed_step
from cohortlib.commands.study import make_films, make_measurements, make_store
from cohortlib.files import make_folder, write_whole
from cohortlib.pipeline.digests import combined_digest, file_digest
from cohortlib.pipeline.workers import progress_bar
from cohortlib.report.figures import read_figure
from cohortlib.report.notebooks import make_notebook_pages
from cohortlib.report.overview import NotebookPage, overview_page
from cohortlib.report.questions import read_question
from cohortlib.report.record import (
    Made,
    figures_in_order,
    inputs_digest,
    is_made,
    read_record,
    write_record,
)
from cohortlib.report.tables import write_table
from cohortlib.tables import Study


def make_demo(project: Project) -> int:
    """Make films, measurements, notebook pages, figures and the page that links them.

    Returns
    -------
    int
        0, or 1 if a notebook failed; the page is written all the same and says which.
    """
    make_folder(project.figures)
    make_films(project)
    make_store(project)
    study, measurements = make_measurements(project)
    failures, figures = make_pages(project, study)
    page = write_overview(project, study, measurements, failures=failures, figures=figures)
    print(f"\nAll results: {page}\n{page.as_uri()}", flush=True)
    return 1 if failures else 0


def make_pages(project: Project, study: Study) -> tuple[dict[str, str], list[str]]:
    """Execute the notebooks that changed, or whose study or library did.

    Returns
    -------
    failures : dict
        Name of each notebook that failed and why. It is executed again next time.
    figures : list
        Names of the figures that the others saved, in the order of the notebooks.
    """
    folder = make_folder(project.out / "notebooks")
    inputs = inputs_digest(study, project.root)
    keys = {path.stem: combined_digest([inputs, file_digest(path)]) for path in project.notebooks}
    record = {name: made for name, made in read_record(folder / "made.json").items() if name in keys}
    to_do = [
        path
        for path in project.notebooks
        if not is_made(
            record.get(path.stem),
            key=keys[path.stem],
            page=folder / f"{path.stem}.html",
            figures=project.figures,
        )
    ]
    failures: dict[str, str] = {}
    with (
        timed_step("notebooks") as say,
        progress_bar("Running notebooks", len(to_do)) as advance,
    ):

        def finished(path: Path, figures: list[str], failure: str) -> None:
            record.pop(path.stem, None)
            if failure:
                failures[path.stem] = failure
                print(f"{path.name} failed: {failure}", flush=True)
            else:
                record[path.stem] = Made(keys[path.stem], tuple(figures))
            write_record(folder / "made.json", record)
            advance()

        make_notebook_pages(to_do, folder, figures=project.figures, at_once=2, finished=finished)
        say(f"{len(to_do)} executed" if to_do else "nothing to do")
    texts = {path.stem: path.read_text("utf-8") for path in project.notebooks}
    return failures, figures_in_order(record, texts)


def write_overview(
    project: Project,
    study: Study,
    measurements: pd.DataFrame,
    *,
    failures: Mapping[str, str],
    figures: Sequence[str],
) -> Path:
    """Write the measurements as a table and the page that leads to everything; where the page is."""
    write_table(measurements, project.out / "measurements.csv")
    notebooks = [
        NotebookPage(read_question(path), f"notebooks/{path.stem}.html", failures.get(path.stem, ""))
        for path in project.notebooks
    ]
    saved = [figure for name in figures if (figure := read_figure(project.figures, name)) is not None]
    page = project.out / "index.html"
    write_whole(page, overview_page(study, measurements, notebooks, saved, table_file="measurements.csv"))
    return page
