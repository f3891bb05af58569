"""The figures that notebooks saved, as their sidecars describe them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import NamedTuple

#: What a browser shows itself, best first.
_SHOWN = ("svg", "png")


class SavedFigure(NamedTuple):
    """One figure: its name, what it shows, of how many, its files by ending, and a digest of its data."""

    name: str
    alt_text: str
    n_patients: int
    n_hips: int
    files: dict[str, str]
    data_sha256: str

    @property
    def title(self) -> str:
        """The name in words, without the number of its notebook."""
        words = re.sub(r"[_-]+", " ", re.sub(r"^\d+[_-]+(?=.)", "", self.name))
        return words[:1].upper() + words[1:]

    @property
    def shown(self) -> str:
        """The file that a page shows; "" if no browser shows any of them."""
        return next((self.files[ending] for ending in _SHOWN if ending in self.files), "")


def read_figure(folder: Path, name: str) -> SavedFigure | None:
    """The figure called `name` in a folder; None if it has no usable sidecar, or a file of it is missing."""
    try:
        sidecar = json.loads((folder / f"{name}.json").read_bytes())
        figure = SavedFigure(
            name=name,
            alt_text=str(sidecar["alt_text"]),
            n_patients=int(sidecar["n_patients"]),
            n_hips=int(sidecar["n_hips"]),
            files={Path(file).suffix[1:]: str(file) for file in sidecar["files"]},
            data_sha256=str(sidecar["data"]["sha256"]),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
    whole = all(Path(file).name == file and (folder / file).is_file() for file in figure.files.values())
    return figure if whole else None


def sidecar_dates(folder: Path) -> dict[str, int]:
    """Name of each figure in a folder and when its sidecar was written, to tell who writes which."""
    return {path.stem: path.stat().st_mtime_ns for path in sorted(folder.glob("*.json"))}
