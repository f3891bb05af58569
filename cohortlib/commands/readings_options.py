"""What may be typed after `readings`; apart from what it does, so that no other command waits for it."""

from __future__ import annotations

import argparse
from pathlib import Path

_ACTIONS = {
    "import": "take in landmarks, gradings and grades of the tables, with the file that they come from",
    "worklist": "set up who reads which image when, as [readings] of study.toml says",
    "adjudicate": "set up a worklist of what two readers read differently, for the third",
    "progress": "how far every reader is, and whether the readings are locked",
    "lock": "close the readings for good",
    "unblind": "show what was read, after the lock; recorded with its reason",
}


def add_readings_options(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The options of `readings`."""
    parser = commands.add_parser(
        "readings",
        help="the store of what readers marked: " + ", ".join(_ACTIONS),
        description="; ".join(f"{name}: {text}" for name, text in _ACTIONS.items()) + ".",
    )
    parser.add_argument("folder", type=Path, help="the study, with study.toml")
    parser.add_argument("action", choices=list(_ACTIONS), metavar="ACTION", help=", ".join(_ACTIONS))
    parser.add_argument("--who", help="id of the person who does this; needed by all but progress")
    parser.add_argument(
        "--visit", action="append", default=[], help="worklist: images of this visit; may be given again"
    )
    parser.add_argument(
        "--view", action="append", default=[], help="worklist: images of this view, such as AP pelvis"
    )
    parser.add_argument(
        "--task",
        default="marks and gradings",
        help="worklist: what is asked for: marks, gradings (of zones), grades (on scales), or several, "
        'such as "marks and gradings" or "marks, gradings and grades"',
    )
    parser.add_argument(
        "--accept-unfinished", action="store_true", help="lock: although some items were never read"
    )
    parser.add_argument("--reason", help="unblind: why now, such as primary analysis")
