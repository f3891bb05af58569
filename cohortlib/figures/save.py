"""Figures on disk: exact millimetres, the same bytes for the same data, and a sidecar in words."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from cohortlib import __version__
from cohortlib.errors import StudyError, problem
from cohortlib.figures.style import MM_PER_INCH

FORMATS = ("pdf", "svg", "png", "tiff")
_CREATOR = f"cohortlib {__version__}"
#: pdf.fonttype 42 embeds TrueType, as journals ask; SVG keeps its words as words; the salt fixes SVG ids.
_SETTINGS: Any = {
    "pdf.fonttype": 42,
    "pdf.compression": 6,
    "svg.fonttype": "none",
    "svg.hashsalt": "cohortlib",
    "savefig.bbox": None,
    "savefig.facecolor": "white",
    "savefig.transparent": False,
}
_DPI = (72, 1200)


def data_hash(data: pd.DataFrame | Mapping[str, pd.DataFrame]) -> str:
    """SHA-256 of the drawn table or tables, the same for rows or columns in another order.

    Notes
    -----
    Hashed is a CSV with columns sorted by name and rows sorted as text; a number is written with the
    fewest digits that give it back, a date as ISO 8601, a missing value as nothing.
    """
    digest = hashlib.sha256()
    for name, table in sorted(_named(data).items()):
        digest.update(f"{name}\n{_canonical_csv(table)}\n".encode())
    return digest.hexdigest()


def save_figure(
    figure: Figure,
    path_stem: str | os.PathLike[str],
    *,
    formats: Sequence[str] = FORMATS,
    data: pd.DataFrame | Mapping[str, pd.DataFrame],
    alt_text: str,
    n_patients: int,
    n_hips: int,
    dpi: int = 300,
) -> list[Path]:
    """Paths of a figure written at its exact size in every format, with a sidecar JSON as the last.

    Parameters
    ----------
    figure
        Its own size counts; nothing is cropped or added.
    path_stem
        Folder and name without an ending, such as `figures/cup_orientation`; the folder must exist.
    formats
        Of `FORMATS`. TIFF is RGB without transparency, LZW.
    data
        The table drawn, or several by name. Only their hash, columns and counts are written: a figure's
        folder may be shared where the table may not.
    alt_text
        What the figure shows, in a sentence or two, for somebody who does not see it.
    n_patients, n_hips
        Patients and hips drawn.
    dpi
        Pixels an inch of PNG and TIFF, and of films inside PDF and SVG: 300 for films, 600 for lines.

    Raises
    ------
    StudyError
        If the alt text is empty, a count is impossible, a format is unknown, the tables hold no row,
        the name is not plain, or the folder is not there. Nothing is written then.

    Notes
    -----
    All files are written in a temporary folder beside and then renamed; the sidecar, renamed last,
    holds their SHA-256. A pixel image has the nearest whole number of pixels.
    """
    stem = Path(path_stem)
    tables = _named(data)
    _check(
        stem, formats=formats, tables=tables, alt_text=alt_text, n_patients=n_patients, n_hips=n_hips, dpi=dpi
    )
    size_mm = [round(float(inch) * MM_PER_INCH, 3) for inch in figure.get_size_inches()]
    contents = {
        f"{stem.name}.{ending}": _written(figure, ending, alt_text=alt_text.strip(), name=stem.name, dpi=dpi)
        for ending in formats
    }
    sidecar = {
        "figure": stem.name,
        "alt_text": alt_text.strip(),
        "n_patients": int(n_patients),
        "n_hips": int(n_hips),
        "size_mm": size_mm,
        "dpi": int(dpi),
        "data": {
            "sha256": data_hash(tables),
            "tables": {
                name: {"rows": len(table), "columns": sorted(map(str, table.columns))}
                for name, table in sorted(tables.items())
            },
        },
        "cohortlib": __version__,
        "matplotlib": mpl.__version__,
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()},
    }
    contents[f"{stem.name}.json"] = (json.dumps(sidecar, indent=2, ensure_ascii=False) + "\n").encode()
    with tempfile.TemporaryDirectory(dir=stem.parent, prefix=".writing_") as folder:
        for name, content in contents.items():
            Path(folder, name).write_bytes(content)
        for name in contents:
            os.replace(Path(folder, name), stem.parent / name)
    return [stem.parent / name for name in contents]


def _written(figure: Figure, ending: str, *, alt_text: str, name: str, dpi: int) -> bytes:
    with mpl.rc_context(_SETTINGS), io.BytesIO() as buffer:
        if ending == "pdf":
            metadata: dict[str, Any] = {
                "Title": name,
                "Subject": alt_text,
                "Creator": _CREATOR,
                "Producer": _CREATOR,
                "CreationDate": None,
            }
            figure.savefig(buffer, format="pdf", dpi=dpi, metadata=metadata)
        elif ending == "svg":
            metadata = {"Title": name, "Description": alt_text, "Creator": _CREATOR, "Date": None}
            figure.savefig(buffer, format="svg", dpi=dpi, metadata=metadata)
        else:
            picture = _pixels(figure, dpi=dpi)
            if ending == "png":
                info = PngInfo()
                info.add_itxt("Title", name)
                info.add_itxt("Description", alt_text)
                info.add_itxt("Software", _CREATOR)
                picture.save(buffer, format="png", dpi=(dpi, dpi), pnginfo=info, optimize=False)
            else:
                picture.save(buffer, format="tiff", dpi=(dpi, dpi), compression="tiff_lzw")
        return buffer.getvalue()


def _pixels(figure: Figure, *, dpi: int) -> Image.Image:
    """The figure as RGB with the nearest whole number of pixels; matplotlib alone would cut off the rest."""
    width, height = (float(inch) for inch in figure.get_size_inches())
    # A hair more than whole, so that cutting gives the whole number.
    figure.set_size_inches(
        (round(width * dpi) + 1e-3) / dpi, (round(height * dpi) + 1e-3) / dpi, forward=False
    )
    try:
        with io.BytesIO() as buffer:
            figure.savefig(buffer, format="png", dpi=dpi)
            return Image.open(buffer).convert("RGB")
    finally:
        figure.set_size_inches(width, height, forward=False)


def _named(data: pd.DataFrame | Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    return {"data": data} if isinstance(data, pd.DataFrame) else dict(data)


def _canonical_csv(table: pd.DataFrame) -> str:
    columns = sorted(table.columns, key=str)
    lines = sorted(_line(row) for row in table[columns].itertuples(index=False, name=None))
    return "".join([_line(columns), *lines])


def _line(values: Sequence[Any]) -> str:
    with io.StringIO() as text:
        csv.writer(text, lineterminator="\n").writerow([_cell(value) for value in values])
        return text.getvalue()


def _cell(value: object) -> str:
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    if isinstance(value, (bool, np.bool_)):
        return str(bool(value))
    if isinstance(value, (int, float, np.integer, np.floating)):
        # Adding 0.0 turns -0.0 into 0.0.
        plain = float(value) + 0.0
        return str(int(plain)) if plain.is_integer() else repr(plain)
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return str(value)


def _check(
    stem: Path,
    *,
    formats: Sequence[str],
    tables: Mapping[str, pd.DataFrame],
    alt_text: str,
    n_patients: int,
    n_hips: int,
    dpi: int,
) -> None:
    problems = []

    def add(column: str, found: object, expected: str, remedy: str) -> None:
        problems.append(problem(file=stem.name, column=column, found=found, expected=expected, remedy=remedy))

    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}", stem.name):
        add("path_stem", stem.name, "a name of letters, digits, '_', '-' and '.'", "Rename the figure")
    if stem.is_dir():
        add("path_stem", str(stem), "a file name, not a folder", "Add the figure's name")
    if not stem.parent.is_dir():
        add("path_stem", str(stem.parent), "a folder that exists", "Make the folder first")
    unknown = [ending for ending in formats if ending not in FORMATS]
    if isinstance(formats, str) or unknown or not formats or len(set(formats)) != len(formats):
        add("formats", ", ".join(formats), f"some of {', '.join(FORMATS)}, each once", "Name the formats")
    if not alt_text.strip():
        add("alt_text", alt_text, "a sentence that says what is seen", "Describe the figure in words")
    elif not all(letter.isprintable() or letter == "\n" for letter in alt_text):
        add("alt_text", alt_text, "letters only, no control characters", "Remove them")
    if not tables or any(table.empty for table in tables.values()):
        add("data", "a table without rows", "the rows that are drawn", "Give the tables that were drawn")
    for column, count, ids in (("n_patients", n_patients, "patient_id"), ("n_hips", n_hips, "hip_id")):
        if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 1:
            add(column, count, "a whole number of at least 1", "Count what is drawn")
            continue
        held = {str(value) for table in tables.values() if ids in table for value in table[ids].dropna()}
        if held and count > len(held):
            add(column, count, f"at most {len(held)}, as the tables hold", "Count what is drawn")
    if not problems and n_hips < n_patients:
        add("n_hips", n_hips, f"at least n_patients, {n_patients}", "Every patient drawn has a hip")
    if not _DPI[0] <= dpi <= _DPI[1]:
        add("dpi", dpi, f"{_DPI[0]} to {_DPI[1]}", "Use 300 for films, 600 for lines")
    if problems:
        raise StudyError(problems)
