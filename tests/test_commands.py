"""The commands, and the files that install the project."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

import pytest
from packaging.specifiers import SpecifierSet

import cohortlib.__main__
from cohortlib.__main__ import main
from cohortlib.commands import proof
from cohortlib.commands.lab import lab_command, write_settings
from cohortlib.commands.project import Project, find_project

ROOT = Path(__file__).parents[1]
INSTALLING = ("Makefile", "constraints.txt", "environment.yml", "pyproject.toml", ".ci/run")


# --- by hand -----------------------------------------------------------------------------------------


def test_a_sound_folder_has_no_problem(small_study, capsys):
    assert main(["check", str(small_study)]) == 0
    assert capsys.readouterr().out == f"{small_study}: nothing wrong found.\n"


def test_problems_are_printed_file_by_file(small_study, capsys):
    hips = small_study / "tables" / "hips.csv"
    hips.write_text(
        hips.read_text().replace("H01,P01,left", "H01,P01,L").replace("H04,P03,right", "H04,P03,L")
    )
    visits = small_study / "tables" / "visits.csv"
    visits.write_text(visits.read_text().replace("2030-01-02", "2.1.2030"))
    assert main(["check", str(small_study)]) == 1
    out = capsys.readouterr().out.splitlines()
    assert out.count("tables/hips.csv: 1 problem") == 1
    assert out.count("tables/visits.csv: 1 problem") == 1
    assert any(line.startswith("  line 2, side: found 'L' (2 rows). Expected") for line in out)
    assert re.fullmatch(r"\d+ problems in \d+ files\.", out[-1])


def test_image_files_are_asked_for_only_if_wanted(small_study, capsys):
    assert main(["check", str(small_study), "--images"]) == 1
    assert "images/I01.dcm" in capsys.readouterr().out


def test_the_project_is_where_the_library_lies():
    project = find_project()
    assert project == Project(ROOT)
    assert (project.study / "study.toml").is_file()


def test_every_step_runs_and_the_failed_ones_are_named(tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(
        proof,
        "TOOLS",
        {name: ("-c", f"print('this is {name}')") for name in proof.TOOLS}
        | {
            "lint": ("-c", "import sys; sys.exit(2)"),
            "notebooks": ("-c", "import sys; sys.exit(len(sys.stdin.read()))"),
        },
    )
    monkeypatch.setattr(proof, "_make_study", lambda project: False)
    assert proof.check_everything(Project(tmp_path)) == 1
    lines = capfd.readouterr().out.splitlines()
    assert [line[4:] for line in lines if line.startswith("--- ")] == [
        "format",
        "lint",
        "layers",
        "types",
        "private",
        "study",
        "notebooks",
        "tests",
    ]
    assert re.fullmatch(r"format +holds \(\d+\.\d s\)", lines[2])
    assert lines[-3] == "this is tests"
    # nobody is at the keyboard: a step that asks gets an empty answer and goes on
    assert re.fullmatch(r"Failed: lint, study \(0 min \d+ s\)", lines[-1])


def test_every_step_of_the_proof_is_a_tool_that_is_installed():
    for arguments in proof.TOOLS.values():
        if arguments[0] == "-m":
            done = subprocess.run(
                [sys.executable, "-m", arguments[1], "--help"], check=True, capture_output=True
            )
            assert done.stdout


def test_the_lab_is_on_this_computer_alone_behind_its_token():
    command = lab_command(Project(ROOT), ["--no-browser"])
    assert command[:3] == [sys.executable, "-m", "jupyterlab"]
    assert command[3].endswith("/notebooks/00_start_here.ipynb")
    assert (ROOT / "notebooks" / "00_start_here.ipynb").is_file()
    assert "--ServerApp.ip=127.0.0.1" in command
    assert command[-1] == "--no-browser"
    assert not re.search(r"token|password|disable|0\.0\.0\.0|allow_origin", " ".join(command[1:]))


def test_the_lab_asks_no_questions_about_news(tmp_path):
    folder = write_settings(Project(tmp_path))
    settings = json.loads((folder / "labconfig" / "page_config.json").read_text())
    assert settings == {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}


# --- by reference ------------------------------------------------------------------------------------


def test_no_direct_dependency_at_run_time_is_copyleft():
    # Source: the licence that each package states of itself (core metadata: License-Expression, License,
    # Classifier).
    project = (ROOT / "pyproject.toml").read_text()
    listed = re.search(r"^dependencies = \[\n(.*?)^\]", project, re.MULTILINE | re.DOTALL)
    assert listed is not None
    names = re.findall(r'"([A-Za-z0-9_.-]+)', listed[1])
    assert len(names) > 10
    for name in names:
        facts = metadata(name)
        fields = [facts.get("License-Expression"), facts.get("License"), *(facts.get_all("Classifier") or [])]
        stated = " ".join(field.splitlines()[0] for field in fields if field)
        assert not re.search(r"\b[AL]?GPL|\bMPL|\bEUPL|General Public|Mozilla", stated), f"{name}: {stated}"


def test_every_pinned_release_runs_on_the_python_of_debian_12():
    # Source: Requires-Python, as each release states it; Debian 12 has 3.11.2 (packages.debian.org, python3).
    checked = 0
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        name, _, pinned = line.partition("==")
        try:
            facts = metadata(name or "#")
        except (PackageNotFoundError, ValueError):  # a comment, or needed on other systems only
            continue
        if facts["Version"] == pinned:
            needed = facts.get("Requires-Python", "")
            assert SpecifierSet(needed).contains("3.11.2"), f"{line} needs Python {needed}"
            checked += 1
    assert checked > 100


# --- by law ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", INSTALLING)
def test_no_file_that_installs_holds_an_address_or_a_place(name):
    assert not re.search(
        r"\w://|index-url|find-links|trusted-host| @ |/home/|/root/|/tmp/", (ROOT / name).read_text()
    )


def test_every_package_is_pinned_to_one_release():
    lines = [line for line in (ROOT / "constraints.txt").read_text().splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+]+", line) for line in lines)
    names = [re.sub(r"[-_.]+", "-", line.split("==")[0]).lower() for line in lines]
    assert len(set(names)) == len(names)
    wanted = re.findall(
        r'^    "([A-Za-z0-9_-]+)(?:[>=]=[^"]*)?",$', (ROOT / "pyproject.toml").read_text(), re.MULTILINE
    )
    wanted = [name.lower().replace("_", "-") for name in wanted if not name.startswith("__")]
    assert {"numpy", "pytest", "ruff"} <= set(wanted)
    assert set(wanted) - set(names) <= {
        "pipeline",
        "quantities",
        "tables",
        "errors",
        "report",
        "commands",
        "readings",
    }


# --- by failure --------------------------------------------------------------------------------------


def test_a_folder_that_is_none_is_a_problem(tmp_path, capsys):
    assert main(["check", str(tmp_path / "nowhere")]) == 1
    assert "no folder" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["unknown"], ["check"], ["demo", "--fast"]])
def test_a_command_that_is_none_says_how(arguments, capsys):
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2
    assert "usage: python -m cohortlib" in capsys.readouterr().err


def test_wrong_data_ends_a_command_with_a_sentence_and_no_traceback(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("cohortlib.commands.project.find_project", lambda: Project(tmp_path))
    assert main(["demo"]) == 1
    err = capsys.readouterr().err
    assert "study.toml" in err or "no folder" in err
    assert "Traceback" not in err


def test_who_stops_a_command_is_told_that_it_goes_on(monkeypatch, capsys):
    def stop(*_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cohortlib.__main__, "_run", stop)
    assert main(["demo"]) == 130
    assert "goes on from there" in capsys.readouterr().err


def test_a_library_without_its_project_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr("cohortlib.__file__", str(tmp_path / "site" / "cohortlib" / "__init__.py"))
    with pytest.raises(cohortlib.__main__.StudyError, match="without the project around it"):
        find_project()
