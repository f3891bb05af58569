"""The report: notebooks executed, figures found by their sidecars, one page that needs nothing else."""

from __future__ import annotations

import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from cohortlib.report.figures import SavedFigure, read_figure
from cohortlib.report.markup import element, page, text_table
from cohortlib.report.notebooks import make_notebook_pages, notebook_page
from cohortlib.report.overview import CAUTIONS, NotebookPage, overview_page
from cohortlib.report.questions import Question, plain_words, read_question
from cohortlib.report.record import Made, figures_in_order, is_made, read_record, write_record
from cohortlib.report.tables import measurement_counts, refusals, write_table
from cohortlib.study import read_study
from cohortlib.tables import MEASUREMENT_COLUMNS

SIDECAR = {
    "alt_text": "Three dots & a line",
    "n_patients": 1,
    "n_hips": 2,
    "files": {"dots.svg": "", "dots.pdf": ""},
    "data": {"sha256": "d"},
}
#: Letters that a file can hold; a carriage return of a page is read as a line end.
TEXT = st.characters(codec="utf-8", exclude_characters="\r\0")
FINITE = st.floats(allow_nan=False, allow_infinity=False)
HOSTILE = "<script>alert('x')</script> & <b>bold</b>"


def measurement(
    value: float, note: str = "", *, hip: str = "H1", quantity: str = "inclination"
) -> list[object]:
    return [hip, "P1", "week_6", "I1", "R1", 1, quantity, "", value, "deg", 0.5, "method", note]


def measurements(*rows: list[object]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))


def write_notebook(path: Path, *cells: nbformat.NotebookNode) -> Path:
    nbformat.write(new_notebook(cells=list(cells)), path)
    return path


@pytest.fixture
def figure_folder(tmp_path: Path) -> Path:
    (tmp_path / "dots.json").write_text(json.dumps(SIDECAR))
    for name in SIDECAR["files"]:  # type: ignore[attr-defined]
        (tmp_path / name).write_text("")
    return tmp_path


# --- by hand -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("markdown", "words"),
    [
        ("Of **70 hips**, *most* [stand](01.ipynb) in the `zone`.", "Of 70 hips, most stand in the zone."),
        ("n_patients and 3 * 4\nnext line", "n_patients and 3 * 4 next line"),
    ],
)
def test_plain_words(markdown, words):
    assert plain_words(markdown) == words


def test_the_question_is_the_heading_and_the_answer_the_first_paragraph(tmp_path):
    text = "# Where do the *cups* stand?\n\n| a |\n|---|\n\nMost stand\ninside.\n\nMore."
    path = write_notebook(tmp_path / "a.ipynb", new_markdown_cell(text))
    assert read_question(path) == Question("Where do the cups stand?", "Most stand inside.")
    bare = write_notebook(tmp_path / "01_no_heading.ipynb", new_code_cell("1"))
    assert read_question(bare) == Question("01 no heading", "")


def test_counts_and_reasons():
    table = measurements(
        measurement(40.0),
        measurement(np.nan, "too uncertain: 1 SD is 2.3 deg, more than 1.5 deg"),
        measurement(np.nan, "too uncertain: 1 SD is 4.1 deg, more than 1.5 deg", hip="H2"),
        measurement(np.nan, "image file missing", hip="H2", quantity="anteversion"),
    )
    assert measurement_counts(table) == {
        "patients": 1,
        "hips": 1,
        "films": 1,
        "readings": 2,
        "values": 1,
        "refused": 3,
    }
    assert refusals(table).to_numpy().tolist() == [
        ["inclination", "too uncertain: 1 SD is … deg, more than … deg", 2],
        ["anteversion", "image file missing", 1],
    ]
    assert refusals(table.head(1)).empty


def test_a_figure_is_its_sidecar_and_its_files(figure_folder):
    figure = read_figure(figure_folder, "dots")
    files = {"svg": "dots.svg", "pdf": "dots.pdf"}
    assert figure == SavedFigure("dots", "Three dots & a line", 1, 2, files, "d")
    assert (figure.title, figure.shown) == ("Dots", "dots.svg")
    assert figure._replace(name="01_cup-orientation_2").title == "Cup orientation 2"


def test_a_figure_of_two_notebooks_belongs_to_the_one_that_names_it():
    record = {"01": Made("k", ("zone", "agreement")), "02": Made("k", ("agreement", "change"))}
    assert figures_in_order(record, {"01": "zone", "02": "agreement change"}) == [
        "zone",
        "agreement",
        "change",
    ]
    assert figures_in_order(record, {}) == ["zone", "agreement", "change"]
    assert figures_in_order(record, {"01": "agreement"}) == ["zone", "agreement", "change"]


# --- by law ------------------------------------------------------------------------------------------


class Reader(HTMLParser):
    """What a browser finds: tags with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


@given(st.text(TEXT, max_size=20))
def test_no_text_becomes_markup(text):
    found = Reader(page("t", element("p", text, title=text)).split("<body>\n")[1])
    assert found.tags == ["p"]
    assert found.attributes == [("title", text)]
    assert found.text.removesuffix("\n\n\n") == text


@given(st.lists(st.tuples(st.text(TEXT, max_size=10), FINITE), min_size=1, max_size=4))
def test_no_text_of_a_table_runs_and_every_number_comes_back(tmp_path_factory, rows):
    path = tmp_path_factory.getbasetemp() / "table.csv"
    write_table(pd.DataFrame(rows, columns=["text", "number"]).astype({"text": "str"}), path)
    with path.open(newline="", encoding="utf-8") as file:
        cells = list(csv.reader(file))[1:]
    assert [float(number) for _, number in cells] == [number for _, number in rows]
    for (shown, _), (text, _) in zip(cells, rows, strict=True):
        assert shown in (text, f"'{text}")
        assert not shown.startswith(("=", "+", "@", "\t", "\n"))


# --- by recovery -------------------------------------------------------------------------------------


def test_notebooks_are_executed_side_by_side_and_left_as_they_are(tmp_path):
    figures, folder = tmp_path / "figures", tmp_path / "pages"
    figures.mkdir()
    folder.mkdir()
    good = write_notebook(
        tmp_path / "01_good.ipynb",
        new_markdown_cell("# What is six times seven?\n\nSee [the other](02_bad.ipynb)."),
        new_code_cell("from pathlib import Path\nPath('figures/dots.json').write_text('{}')\n6 * 7"),
    )
    bad = write_notebook(tmp_path / "02_bad.ipynb", new_code_cell("print('so far')\n1 / 0"))
    before = good.read_bytes()
    done = {}
    make_notebook_pages(
        [good, bad],
        folder,
        figures=figures,
        at_once=2,
        finished=lambda path, saved, failure: done.update({path.stem: (saved, failure)}),
    )
    assert done["01_good"] == (["dots"], "")
    assert done["02_bad"][1] == "ZeroDivisionError: division by zero"
    assert good.read_bytes() == before
    shown = (folder / "01_good.html").read_text("utf-8")
    assert "<title>What is six times seven?</title>" in shown
    assert ">42<" in shown
    assert 'href="02_bad.html"' in shown
    assert "so far" in (folder / "02_bad.html").read_text("utf-8")


def test_the_page_shows_everything_and_asks_for_nothing(small_study, figure_folder):
    study = read_study(small_study)
    figure = read_figure(figure_folder, "dots")._replace(alt_text=HOSTILE)
    shown = overview_page(
        study,
        measurements(measurement(40.0), measurement(np.nan, HOSTILE)),
        [NotebookPage(Question("Where?", HOSTILE), "notebooks/01 a.html", HOSTILE)],
        [figure],
        table_file="measurements.csv",
    )
    for text in (
        study.title,
        "Invented study",
        "1 patient, 2 hips",
        'href="notebooks/01%20a.html"',
        *CAUTIONS,
    ):
        assert text in shown
    for file in ("figures/dots.svg", "figures/dots.pdf", "figures/dots.json", "measurements.csv"):
        assert f'href="{file}"' in shown
    assert not {"script", "b"} & set(Reader(shown).tags)
    assert "default-src 'none'" in shown
    assert not re.search(r"(src|href)=\"(https?:)?//", shown)


# --- by failure --------------------------------------------------------------------------------------


def test_a_notebook_page_holds_no_control_and_no_outside_address():
    output = nbformat.v4.new_output(
        "display_data",
        {"application/vnd.jupyter.widget-view+json": {"model_id": "a"}, "text/plain": "IntSlider()"},
    )
    notebook = new_notebook(cells=[new_code_cell("slider", outputs=[output])])
    notebook.metadata["widgets"] = {"application/vnd.jupyter.widget-state+json": {"state": {}}}
    shown = notebook_page(notebook, "t")
    assert "A control stands here" in shown
    assert "<script" not in shown
    assert not re.search(r"(src|href)=\"(https?:)?//", shown)


@pytest.mark.parametrize(
    "sidecar",
    [
        "",
        "[]",
        "{}",
        json.dumps({**SIDECAR, "n_hips": "many"}),
        json.dumps({**SIDECAR, "files": {"missing.svg": ""}}),
        json.dumps({**SIDECAR, "files": {"../dots.svg": ""}}),
        json.dumps({**SIDECAR, "files": None}),
    ],
)
def test_a_sidecar_that_is_none_is_no_figure(figure_folder, sidecar):
    (figure_folder / "dots.json").write_text(sidecar)
    assert read_figure(figure_folder, "dots") is None


@pytest.mark.parametrize("content", ["", "[]", '{"01": 3}', '{"01": ["k", 3]}'])
def test_a_record_that_is_none_is_empty(tmp_path, content):
    path = tmp_path / "made.json"
    path.write_text(content)
    assert read_record(path) == {}


def test_a_notebook_is_made_again_if_its_page_or_a_figure_is_gone(figure_folder):
    made, shown = Made("k", ("dots",)), figure_folder / "01.html"
    write_record(figure_folder / "made.json", {"01": made})
    assert read_record(figure_folder / "made.json") == {"01": made}

    def holds(key: str) -> bool:
        return is_made(made, key=key, page=shown, figures=figure_folder)

    assert not holds("k")
    shown.write_text("")
    assert holds("k")
    assert not holds("other")
    assert not is_made(None, key="k", page=shown, figures=figure_folder)
    (figure_folder / "dots.svg").unlink()
    assert not holds("k")


def test_numbers_of_a_table_stand_to_the_right():
    cells = [cell.get("class") for cell in text_table(["a"], [["12.5"], ["a 12"], ["−3"]]).iter("td")]
    assert cells == ["number", "text", "number"]
