"""Notebooks that carry images of patients: in outputs, in attachments, in the state of their controls."""

from __future__ import annotations

import ast
import json
import posixpath
import re
from collections.abc import Callable, Iterator
from typing import Any

from cohortlib.errors import problem

_WIDGET_STATE = "application/vnd.jupyter.widget-state+json"
_TEXT_IN_CODE = re.compile(r"([\"'])(.*?)\1", re.DOTALL)
# The beginning of the disk, of a home folder, of a drive, of a network share, of an address
_ELSEWHERE = re.compile(r"/\w|~\w*/|[A-Za-z]:[/\\]|\\\\\w|\w+://")
_LONGEST_PATH = 200
_IMAGE_IN_MARKUP = re.compile(r"data:image/|<svg|<img|<canvas", re.IGNORECASE)


def notebook_problems(
    data: bytes, *, name: str, path: str, invented: Callable[[str], bool | None]
) -> list[dict[str, Any]]:
    """Problems of a notebook whose file holds images that may be a patient's.

    Parameters
    ----------
    data
        The file as it is.
    name
        For messages.
    path
        Where it lies, to find the studies that it reads.
    invented
        Whether the study at a path, or around it, is marked as invented; None if there is no study.

    Notes
    -----
    Whose images these are is taken from the texts in the notebook's code: one of them at least must lead
    to an invented study, none to another one, and none to another place of the disk or the network.
    Without it nobody can tell, and the images count as a patient's.
    """
    try:
        notebook = json.loads(data)
        cells = list(notebook.get("cells", []))
        found = []
        if "widgets" in notebook.get("metadata", {}):
            found.append(("metadata.widgets", "the state of controls, which holds whole images"))
        state = sum(_WIDGET_STATE in output.get("data", {}) for output in _outputs(cells))
        if state:
            found.append(("outputs", f"the state of controls in {state} outputs"))
        images = sum(_is_image(output) for output in _outputs(cells))
        images += sum(len(cell.get("attachments", {})) for cell in cells)
        if images and not _shows_an_invented_study(cells, path, invented):
            found.append(("outputs", f"{images} images, not known to be of an invented study"))
    except (ValueError, AttributeError, TypeError, RecursionError):
        found = [("", "a notebook that cannot be read")]
    return [
        problem(
            file=name, column=column, found=what,
            expected="no images of patients, and no state of controls",
            remedy="Clear the outputs and the state of controls in the notebook, and save it",
        )
        for column, what in found
    ]  # fmt: skip


def _outputs(cells: list[Any]) -> Iterator[Any]:
    for cell in cells:
        yield from cell.get("outputs", [])


def _is_image(output: Any) -> bool:
    data = output.get("data", {})
    markup = (_text(value) for kind, value in data.items() if kind in ("text/html", "text/markdown"))
    return any(kind.startswith("image/") for kind in data) or any(map(_IMAGE_IN_MARKUP.search, markup))


def _text(value: Any) -> str:
    return "".join(value) if isinstance(value, list) else str(value)


def _shows_an_invented_study(cells: list[Any], path: str, invented: Callable[[str], bool | None]) -> bool:
    texts = {text for cell in cells if cell.get("cell_type") == "code" for text in _texts(cell)}
    folder = posixpath.dirname(path)
    paths = [text for text in texts if text and len(text) <= _LONGEST_PATH and text.isprintable()]
    if any(map(_ELSEWHERE.match, paths)):
        return False
    found = {invented(posixpath.normpath(posixpath.join(folder, text))) for text in paths}
    return True in found and False not in found


def _texts(cell: Any) -> set[str]:
    """The texts in the code of a cell."""
    code = _text(cell.get("source", ""))
    try:
        tree = ast.parse(code)
    except (ValueError, SyntaxError, RecursionError):  # a magic of the notebook, or no Python
        return {text for _, text in _TEXT_IN_CODE.findall(code)}
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
