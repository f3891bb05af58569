"""What was made of each notebook and from what, so that only what changed is made again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from cohortlib.files import write_whole
from cohortlib.pipeline.digests import combined_digest, file_digest, source_digest
from cohortlib.report.figures import read_figure
from cohortlib.tables import Study


class Made(NamedTuple):
    """What a notebook was executed from, as a digest, and the names of the figures it saved."""

    key: str
    figures: tuple[str, ...]


def read_record(path: Path) -> dict[str, Made]:
    """The record by name of the notebook; empty if there is none that can be used."""
    try:
        content = json.loads(path.read_bytes())
        return {name: Made(str(key), tuple(map(str, figures))) for name, (key, figures) in content.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def write_record(path: Path, record: Mapping[str, Made]) -> None:
    """Write the record as text, notebooks in order."""
    write_whole(path, json.dumps(dict(sorted(record.items())), indent=1) + "\n")


def inputs_digest(study: Study, root: Path) -> str:
    """What every notebook depends on besides itself: the library, the pins, the study's files and images."""
    files = [root / "constraints.txt", study.folder / "study.toml", *study.folder.glob("tables/*.csv")]
    images = [study.folder / path for path in study.images["path"]]
    states = [f"{path} {_size_and_date(path)}" for path in images]
    digests = [f"{path.name} {file_digest(path)}" for path in sorted(files) if path.is_file()]
    readings = str(study.readings_state.get("sha256", ""))
    return combined_digest([source_digest(""), *digests, *states, readings])


def is_made(made: Made | None, *, key: str, page: Path, figures: Path) -> bool:
    """Whether a notebook was executed from `key`, and its page and figures are still there."""
    if made is None or made.key != key or not page.is_file():
        return False
    return all(read_figure(figures, name) is not None for name in made.figures)


def figures_in_order(record: Mapping[str, Made], texts: Mapping[str, str]) -> list[str]:
    """Names of all figures, those of the first notebook first, each once.

    Parameters
    ----------
    record
        By name of the notebook.
    texts
        What stands in each notebook: two that ran side by side may both have a figure on record, and
        it belongs to the one that names it.
    """
    listed: dict[str, str] = {}
    for notebook in sorted(record):
        for name in record[notebook].figures:
            named_before = name in listed and name in texts.get(listed[name], "")
            if name not in listed or (name in texts.get(notebook, "") and not named_before):
                listed[name] = notebook
    return sorted(listed, key=lambda name: (listed[name], record[listed[name]].figures.index(name)))


def _size_and_date(path: Path) -> str:
    return f"{path.stat().st_size} {path.stat().st_mtime_ns}" if path.is_file() else "missing"
