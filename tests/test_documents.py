"""README, DEVELOPERS and notebooks say what is there: links, commands, floor plan, map of the notebooks."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from urllib.parse import unquote

import nbformat
import pytest

from cohortlib.__main__ import _parser
from cohortlib.report.questions import plain_words, read_question

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
PAGES = ("README.md", "DEVELOPERS.md", "synthetic_cohort/README.md", "synthetic_cohort/anatomy/README.md")
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Made by a command, so not there in a new copy.
MADE = ("out/", "derived/", "measurements/", "synthetic_cohort/derived/", "synthetic_cohort/images/")
MOST_CELLS = 30
MOST_BYTES = 1_000_000

a_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=[path.stem for path in NOTEBOOKS])


def prose(path: Path) -> str:
    """The Markdown of a page or of a notebook's cells, without what is only shown as code."""
    text = path.read_text("utf-8")
    if path.suffix == ".ipynb":
        cells = nbformat.reads(text, as_version=4).cells
        text = "\n\n".join(cell.source for cell in cells if cell.cell_type == "markdown")
    return re.sub(r"^```.*?^```|`[^`\n]*`", "", text, flags=re.MULTILINE | re.DOTALL)


def anchors(text: str) -> set[str]:
    """The addresses of the headings of a page."""
    headings = re.findall(r"^#+\s+(.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", plain_words(heading).lower()).replace(" ", "-") for heading in headings}


def section(text: str, heading: str) -> str:
    """What stands below a heading, up to the next of its rank."""
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, heading
    return found[1]


def planned() -> tuple[set[str], set[str]]:
    """The names in the floor plan: at the top of the project, and two levels of cohortlib."""
    plan = re.search(r"```\n(.*?)```", section(DEVELOPERS, "Floor plan"), re.DOTALL)
    assert plan
    top, inside, room = set(), set(), ""
    for line in plan[1].splitlines():
        indent, name, meaning = re.fullmatch(r"( *)(\S+)(?: +(.+))?", line).groups()  # type: ignore[union-attr]
        assert meaning or name == "cohortlib/", f"{name} has no meaning beside it"
        if not indent:
            top.add(name)
        elif len(indent) == 2:
            room = name
            inside.add(name)
        else:
            assert len(indent) == 4, f"{name} is indented by {len(indent)}"
            inside.add(room + name)
    return top, inside


# By law: links and names ---------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*(ROOT / page for page in PAGES), *NOTEBOOKS], ids=lambda path: path.name)
def test_every_link_leads_somewhere(path: Path) -> None:
    for address in re.findall(r"\]\(([^)\s]+)\)", prose(path)):
        file, _, heading = unquote(address).partition("#")
        target = path.parent / file if file else path
        assert not file.startswith(("http:", "https:")), "everything a page needs lies beside it"
        assert target.exists(), address
        assert not heading or heading in anchors(prose(target)), address


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_is_named_is_there(page: str) -> None:
    named = re.findall(r"`([\w.]+/[\w./]*)`", (ROOT / page).read_text("utf-8"))
    assert named
    seen_from = (ROOT, ROOT / "cohortlib", ROOT / "synthetic_cohort")
    wrong = [name for name in named if not any((place / name).exists() for place in seen_from)]
    assert not [name for name in wrong if not name.startswith(MADE)]


def test_every_command_that_is_named_is_there() -> None:
    makefile = (ROOT / "Makefile").read_text("utf-8")
    targets = set(re.search(r"^\.PHONY: (.+)$", makefile, re.MULTILINE)[1].split())  # type: ignore[index]
    assert set(re.findall(r"\bmake ([a-z]+)`", README)) == targets
    commands = {name for action in _parser()._subparsers._group_actions for name in action.choices}  # type: ignore[union-attr]
    assert set(re.findall(r"-m cohortlib ([a-z-]+)", README)) == commands
    options = _parser().parse_args(["check", "FOLDER", "--images"])
    assert options.images
    assert set(re.findall(r"-m cohortlib check FOLDER (--\w+)", README)) == {"--images", "--html"}


def test_the_install_line_is_that_of_the_makefile() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
    assert 'pip install -c constraints.txt -e ".[dev]"' in README
    assert "dev" in extras
    assert (ROOT / "constraints.txt").is_file()
    environment = (ROOT / "environment.yml").read_text("utf-8")
    name = re.search(r"^name: (\w+)$", environment, re.MULTILINE)[1]  # type: ignore[index]
    assert f"conda activate {name}" in README


def test_every_time_was_measured() -> None:
    assert "MEASURE_ME" not in README + DEVELOPERS


# By law: DEVELOPERS --------------------------------------------------------------------------------


def test_the_floor_plan_is_the_house() -> None:
    def shown(path: Path) -> str:
        name = path.relative_to(ROOT / "cohortlib").as_posix()
        return f"{name}/" if path.is_dir() else name

    house = [path for pattern in ("*", "*/*") for path in (ROOT / "cohortlib").glob(pattern)]
    left_out = ("__init__.py", "__pycache__")
    built = {shown(path) for path in house if path.name not in left_out and path.parent.name not in left_out}
    top, inside = planned()
    assert inside - built == set(), "in the plan, not in the folder"
    assert built - inside == set(), "in the folder, not in the plan"
    assert all((ROOT / name).exists() for name in top)


def test_every_layer_is_told() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    layers = project["tool"]["importlinter"]["contracts"][0]["layers"]
    text = section(DEVELOPERS, "Who may import whom")
    places = [re.findall(r"\w+", layer) for layer in layers]
    for name in (name for place in places for name in place):
        assert f"`{name}`" in text, name


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = {re.match(r"[\w-]+", requirement)[0] for requirement in wanted}  # type: ignore[index]
    table = section(DEVELOPERS, "Dependencies")
    cells = re.findall(r"^\| ([\w, -]+) \| .+ \|$", table, re.MULTILINE)
    reasons = {name for cell in cells for name in cell.split(", ")} - {"package", "for development"}
    assert reasons == names


def test_every_change_says_whether_numbers_change() -> None:
    entries = re.findall(r"^- (.+)$", section(DEVELOPERS, "Changes"), re.MULTILINE)
    assert entries
    for entry in entries:
        assert re.match(r"\d+\.\d+\.\d+\. \*\*numbers (change|unchanged)\*\*: ", entry), entry


# By law: notebooks ---------------------------------------------------------------------------------


def test_the_map_lists_every_notebook_with_its_question() -> None:
    rows = re.findall(r"^\| \[(\w+)\]\(notebooks/(\w+)\.ipynb\) \| (.+) \|$", README, re.MULTILINE)
    assert [name for name, _, _ in rows] == [file for _, file, _ in rows]
    assert {file: question for _, file, question in rows} == {
        path.stem: read_question(path).title for path in NOTEBOOKS
    }
    assert [file for _, file, _ in rows] == [path.stem for path in NOTEBOOKS]


@a_notebook
def test_a_notebook_asks_answers_and_ends_as_all_do(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    question = read_question(path)
    assert question.title.endswith("?")
    assert question.answer
    last = [cell.source for cell in cells if cell.cell_type == "markdown"][-1]
    assert "## What we saw" in "".join(cell.source for cell in cells[-3:])
    assert "## Try next" in last
    code = [cell.source for cell in cells if cell.cell_type == "code"]
    assert 'study = read_study("../synthetic_cohort")' in code[0]
    assert "assert " in code[-1]


@a_notebook
def test_a_notebook_keeps_its_outputs_and_nothing_else(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert len(notebook.cells) <= MOST_CELLS
    assert path.stat().st_size < MOST_BYTES
    assert "widgets" not in notebook.metadata
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1)), "run from top to bottom"
    assert any(cell.outputs for cell in code)
    for cell in code:
        assert not cell.source.rstrip().endswith(";")
        assert not any(output.get("name") == "stderr" for output in cell.outputs)
        assert "sys.path" not in cell.source
