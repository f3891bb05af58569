"""What a person types: python -m cohortlib COMMAND. Each command tells its options with --help."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from cohortlib.commands.image_options import IMAGE_COMMANDS, add_image_options, run_on_images
from cohortlib.commands.readings_options import add_readings_options
from cohortlib.errors import StudyError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and give its exit code: 0 if all is well, 1 if something is wrong, 130 if stopped."""
    chosen, further = _parser().parse_known_args(arguments)
    if further and chosen.command != "lab":
        _parser().error("unknown: " + " ".join(further))
    try:
        return _run(chosen, further)
    except StudyError as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nStopped. What is finished is kept; the same command goes on from there.", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m cohortlib", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    commands.add_parser("demo", help="make the invented study, measure it, run the notebooks, write out/")
    commands.add_parser("test", help="check everything that must hold: format, lint, layers, types, tests")
    commands.add_parser("lab", help="open the notebooks in JupyterLab; its own options may follow")
    new = commands.add_parser("new", help="write an empty study to fill in: definition, tables, dictionary")
    new.add_argument("folder", type=Path, help="a new or empty folder")
    new.add_argument("--title", default="", help="title of the study")
    check = commands.add_parser("check", help="list everything that is wrong in a study folder")
    check.add_argument("folder", type=Path, help="holds study.toml and tables/")
    check.add_argument("--images", action="store_true", help="the image files must be there as well")
    check.add_argument(
        "--html", type=Path, metavar="PAGE", help="write the same as a page, such as check.html"
    )
    add_image_options(commands)
    add_readings_options(commands)
    private = commands.add_parser("private", help="list what would identify a patient, before it is shared")
    private.add_argument("folder", type=Path, help="a study folder or a repository")
    return parser


def _run(chosen: argparse.Namespace, further: list[str]) -> int:
    # Each command imports what it needs: checking a folder should not wait for the notebook tools.
    if chosen.command in IMAGE_COMMANDS:
        return run_on_images(chosen)
    if chosen.command == "check":
        from cohortlib.commands.check import print_problems

        return print_problems(chosen.folder, images=chosen.images, page=chosen.html)
    if chosen.command == "new":
        from cohortlib.commands.new import make_new

        return make_new(chosen.folder, title=chosen.title)
    if chosen.command == "readings":
        from cohortlib.commands.readings import run_readings

        return run_readings(chosen)
    if chosen.command == "private":
        from cohortlib.commands.private import print_private

        return print_private(chosen.folder)
    from cohortlib.commands.project import find_project

    project = find_project()
    if chosen.command == "demo":
        from cohortlib.commands.demo import make_demo

        return make_demo(project)
    if chosen.command == "lab":
        from cohortlib.commands.lab import open_lab

        return open_lab(project, further)
    from cohortlib.commands.proof import check_everything

    return check_everything(project)


if __name__ == "__main__":
    sys.exit(main())
