"""The one page that leads to everything: what was asked, what was found, every figure and table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from urllib.parse import quote

import pandas as pd

import cohortlib
from cohortlib.report.figures import SavedFigure
from cohortlib.report.markup import Element, element, link, page, text_table
from cohortlib.report.questions import Question
from cohortlib.report.tables import measurement_counts, refusals
from cohortlib.tables import Study

CAUTIONS = (
    "For research. Not a medical device: not for diagnosis, and not for planning an operation.",
    "A flag is a prompt to look at the patient and the film, never a decision.",
    "The local protocol, the ethics approval, radiation rules and the responsible clinician come first.",
    "A value holds with its definition, its method and its measurement error, which stand beside it.",
)
_INVENTED = "Invented study: no patient, film or number in it is real"


class NotebookPage(NamedTuple):
    """A notebook on the page: its question and answer, where its results are, and what went wrong."""

    question: Question
    file: str
    failure: str


def overview_page(
    study: Study,
    measurements: pd.DataFrame,
    notebooks: Sequence[NotebookPage],
    figures: Sequence[SavedFigure],
    *,
    table_file: str,
) -> str:
    """The page; every address in it is relative to the folder it lies in.

    Parameters
    ----------
    study
        For its title and its numbers.
    measurements
        From `measure_study`.
    notebooks, figures
        In the order they are shown; figures lie in the folder `figures`.
    table_file
        The measurements as CSV.
    """
    stamp = [element("span", _INVENTED, class_="stamp")] if study.synthetic else []
    job = (
        f"Where the implants stand and how the patients do: {len(study.patients)} patients with "
        f"{len(study.hips)} study hips, measured on their radiographs and asked about their hips, "
        "from the reader's mark to the figure."
    )
    parts = [
        element("header", stamp, element("h1", study.title), element("p", job, class_="job")),
        _cautions(),
        _counts(study, measurements),
        element("h2", "Questions and answers"),
        element("ol", [_notebook(notebook) for notebook in notebooks], class_="questions"),
        element("h2", "Figures"),
        element("div", [_figure(figure) for figure in figures], class_="figures"),
        element("h2", "Measurements"),
        *_measurements(measurements, table_file),
        element(
            "footer", f"Made with cohortlib {cohortlib.__version__}. Everything on this page lies beside it."
        ),
    ]
    return page(study.title, element("main", parts))


def _cautions() -> Element:
    points = element("ul", [element("li", caution) for caution in CAUTIONS])
    return element("section", element("strong", "Before you use any of this"), points, class_="caution")


def _counts(study: Study, measurements: pd.DataFrame) -> Element:
    counts = measurement_counts(measurements)
    shown = (
        (len(study.patients), "patients in the study"),
        (len(study.hips), "study hips"),
        (counts["films"], "radiographs measured"),
        (counts["readings"], "readings of a hip"),
        (counts["values"], "values given"),
        (counts["refused"], "values refused"),
    )
    return element(
        "ul", [element("li", element("strong", str(n)), what) for n, what in shown], class_="counts"
    )


def _notebook(notebook: NotebookPage) -> Element:
    title = link(notebook.question.title, quote(notebook.file))
    answer = [element("p", notebook.question.answer)] if notebook.question.answer else []
    failure = [element("p", f"Did not run to its end: {notebook.failure}", class_="failed")]
    return element("li", title, answer, failure if notebook.failure else [])


def _figure(figure: SavedFigure) -> Element:
    def address(file: str) -> str:
        return quote(f"figures/{file}")

    image = element("img", src=address(figure.shown), alt=figure.alt_text, loading="lazy")
    picture = element("a", image, href=address(figure.shown))
    files = {**figure.files, "data sheet": f"{figure.name}.json"}
    links = [
        link(ending.upper() if len(ending) < 5 else ending, address(file)) for ending, file in files.items()
    ]
    patients = "1 patient" if figure.n_patients == 1 else f"{figure.n_patients} patients"
    hips = "1 hip" if figure.n_hips == 1 else f"{figure.n_hips} hips"
    caption = element(
        "figcaption",
        element("h3", figure.title),
        element("p", element("span", f"{patients}, {hips}. ", class_="sample"), figure.alt_text),
        element("p", links, class_="files"),
    )
    return element("figure", [picture] if figure.shown else [], caption)


def _measurements(measurements: pd.DataFrame, table_file: str) -> list[Element]:
    reasons = refusals(measurements)
    parts = [
        element(
            "p",
            link("All measurements", quote(table_file)),
            " as a table (CSV): a row for each hip, radiograph, reader, reading and quantity, with its "
            "standard deviation, its method, and the reason where there is no value.",
        )
    ]
    if reasons.empty:
        return [*parts, element("p", "No value was refused.")]
    rows = ([quantity, reason, str(count)] for quantity, reason, count in reasons.to_numpy().tolist())
    return [
        *parts,
        element("h3", "Why values were refused"),
        text_table(["Quantity", "Reason", "Count"], rows),
    ]
