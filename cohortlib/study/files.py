"""Files of a study folder: only regular files that lie in it are opened, and none is written."""

from __future__ import annotations

import os
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pandas as pd

from cohortlib.errors import problem
from cohortlib.study.grouping import file_name, grouped_problems, shown
from cohortlib.study.names import alternatives, meant

#: A table larger than this is no table of a clinical study.
LARGEST_FILE_BYTES = 2**30


def file_bytes(root: Path, name: str) -> tuple[bytes | None, list[dict[str, Any]]]:
    """The bytes of a file of the study folder, or None with the reason."""
    path = root / name
    found, expected, remedy = "", "a file", "Put the file there"
    try:
        if not root.is_dir():
            found, expected = f"no folder {root}", "a folder with study.toml and tables/"
            remedy = "Correct the path of the study folder"
        elif not os.path.lexists(path):
            found = "no such file"
        elif not path.resolve().is_relative_to(root.resolve()):
            found, expected = f"a link to {shown(path.resolve())}", "a file within the study folder"
            remedy = "Replace the link by the file"
        elif not path.is_file():
            found, remedy = "something that is no regular file", "Replace it by the file"
        elif path.stat().st_size > LARGEST_FILE_BYTES:
            found = f"{path.stat().st_size} bytes"
            expected, remedy = f"at most {LARGEST_FILE_BYTES} bytes", "Export the table again"
        else:
            return path.read_bytes(), []
    except (OSError, RuntimeError, ValueError) as error:  # unreadable, a ring of links, a NUL in the path
        found, remedy = shown(getattr(error, "strerror", None) or error), "Make the file readable"
    return None, [problem(file=name, found=found, expected=expected, remedy=remedy)]


def file_list_problems(root: Path, known: Collection[str]) -> list[dict[str, Any]]:
    """Files in tables/ that are no table of the dictionary; hidden files of the system do not count."""
    try:
        names = sorted(entry.name for entry in os.scandir(root / "tables"))
    except OSError:
        return []  # the tables themselves are reported as missing
    return [
        problem(
            file="tables/",
            found=shown(name),
            expected=alternatives(known),
            remedy=f"Rename the file, or move it out of tables/{meant(name, known)}",
        )
        for name in names
        if name not in known and not name.startswith(".")
    ]


def image_file_problems(images: pd.DataFrame, root: Path) -> list[dict[str, Any]]:
    """Images of images.csv (index = line) without a file, or a CT without the folder of its slices."""
    paths = images["path"].dropna()
    of_ct = images.loc[paths.index, "kind"] == "CT"
    missing = [
        not ((root / path).is_file() or (ct and (root / path).is_dir()))
        for path, ct in zip(paths, of_ct, strict=True)
    ]
    return grouped_problems(
        paths[missing],
        file=file_name("images"),
        column="path",
        expected="a file below the study folder, or of a CT the folder of its slices",
        remedy="Put the image there, or correct the path",
    )
