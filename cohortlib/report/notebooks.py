"""Notebooks executed side by side, and a page of each with its results."""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError
from nbconvert import HTMLExporter
from traitlets.config import Config

from cohortlib.files import write_whole
from cohortlib.report.figures import sidecar_dates
from cohortlib.report.markup import page
from cohortlib.report.questions import read_question

#: Longer than any cell of a notebook may take [s].
LONGEST_CELL_S = 900
_CONTROL = "application/vnd.jupyter.widget-view+json"
_CONTROL_NOTE = '<p class="control">A control stands here when the notebook is open in JupyterLab.</p>'


def make_notebook_pages(
    paths: Sequence[Path],
    folder: Path,
    *,
    figures: Path,
    at_once: int,
    finished: Callable[[Path, list[str], str], None],
) -> None:
    """Execute notebooks and write a page of each; the notebooks themselves stay as they are.

    Parameters
    ----------
    paths
        Notebooks; each runs in its own folder.
    folder
        Where NAME.html is written. A notebook that fails has a page up to where it failed.
    figures
        Folder in which the notebooks save figures.
    at_once
        How many run side by side.
    finished
        Called after each with its path, the names of the figures that were saved while it ran (some of
        them perhaps by its neighbour), and what went wrong, "" if nothing did.
    """

    async def every() -> None:
        places = asyncio.Semaphore(at_once)

        async def one(path: Path) -> None:
            async with places:
                before = sidecar_dates(figures)
                notebook, failure = await _executed(path)
                after = sidecar_dates(figures)
            write_whole(folder / f"{path.stem}.html", notebook_page(notebook, read_question(path).title))
            saved = sorted((date, name) for name, date in after.items() if before.get(name) != date)
            finished(path, [name for _, name in saved], failure)

        await asyncio.gather(*(one(path) for path in paths))

    asyncio.run(every())


async def _executed(path: Path) -> tuple[Any, str]:
    notebook = nbformat.read(path, as_version=4)
    with TemporaryDirectory() as folder:
        client = NotebookClient(
            notebook,
            timeout=LONGEST_CELL_S,
            kernel_name="python3",
            resources={"metadata": {"path": path.parent}},
            config=Config({"KernelManager": _connection(folder)}),
        )
        try:
            await client.async_execute()
        except CellExecutionError as error:
            return notebook, f"{error.ename}: {error.evalue}"
        except (CellTimeoutError, RuntimeError) as error:  # too slow, or the kernel did not start or died
            return notebook, " ".join(str(error).split())
    return notebook, ""


def _connection(folder: str) -> dict[str, str]:
    """How a kernel is spoken to: by files that nobody else may open, or encrypted where there are none."""
    if os.name != "posix":
        return {"transport_encryption": "auto"}
    return {"transport": "ipc", "connection_file": str(Path(folder, "kernel.json"))}


def notebook_page(notebook: Any, title: str) -> str:
    """An executed notebook as a page of the report's own look, without scripts."""
    notebook.metadata.pop("widgets", None)
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            if _CONTROL in output.get("data", {}):
                output["data"] = {"text/html": _CONTROL_NOTE}
    exporter = HTMLExporter(
        template_name="basic",
        anchor_link_text="",
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
    body, _ = exporter.from_notebook_node(notebook)
    body = re.sub(r'href="([\w.-]+)\.ipynb"', r'href="\1.html"', body)
    return page(title, f'<main class="notebook"><p><a href="../index.html">All results</a></p>{body}</main>')
