"""The files of a folder as they would be shared: git's index where there is one, else the disk."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from cohortlib.errors import study_error

#: A larger file is named instead of read.
LARGEST_BYTES = 256 * 1024**2
#: Folders of tools, not of a study. A notebook's checkpoints are looked at: they hold its images.
_SKIPPED = frozenset({".git", ".venv", ".mypy_cache", ".ruff_cache", ".pytest_cache", "__pycache__"})


class Content(NamedTuple):
    """One version of a file.

    Attributes
    ----------
    path
        Below the folder that is looked at.
    data
        Its bytes, or None if it is too large or cannot be read.
    version
        "staged" as git would commit it; "not staged" as it lies in a repository now; "" without git.
    """

    path: str
    data: bytes | None
    version: str


def shared_files(place: Path, wanted: Callable[[str], bool]) -> Iterator[Content]:
    """Every wanted file that a commit or a copy of the folder would share; in a repository in each version.

    Parameters
    ----------
    place
        A folder.
    wanted
        Whether a file is to be read, by its path below the folder.

    Raises
    ------
    StudyError
        If there is no such folder, or it lies in a repository that git does not open.
    """
    if not place.is_dir():
        raise study_error(
            file=place,
            found="no folder",
            expected="a study folder or a repository",
            remedy="Correct the path",
        )
    return _in_repository(place, wanted) if is_repository(place) else _on_disk(place, wanted)


def is_repository(place: Path) -> bool:
    """Whether the folder lies in a git repository."""
    return any((folder / ".git").exists() for folder in (place.resolve(), *place.resolve().parents))


def _in_repository(place: Path, wanted: Callable[[str], bool]) -> Iterator[Content]:
    staged: list[tuple[str, str]] = []
    for entry in _git(place, "ls-files", "--stage", "-z").split(b"\0"):
        head, _, raw = entry.partition(b"\t")
        mode, blob, *_ = [*head.split(b" "), b""]
        # Links and other repositories hold nothing themselves.
        if mode in (b"100644", b"100755") and wanted(os.fsdecode(raw)):
            staged.append((os.fsdecode(raw), blob.decode()))
    for (path, _), data in zip(staged, _blobs(place, [blob for _, blob in staged]), strict=True):
        yield Content(path, data, "staged")
        now = _read(place / path)
        if now is not None and now != data:
            yield Content(path, now, "not staged")
    for name in map(
        os.fsdecode, _git(place, "ls-files", "--others", "--exclude-standard", "-z").split(b"\0")
    ):
        if name and wanted(name) and (place / name).is_file() and not (place / name).is_symlink():
            yield Content(name, _read(place / name), "not staged")


def _blobs(place: Path, blobs: list[str]) -> Iterator[bytes | None]:
    """The contents that git keeps under these names, in their order; None for what is too large."""
    asked = "".join(f"{blob}\n" for blob in blobs).encode()
    sizes = [
        int(line.split()[2]) for line in _git(place, "cat-file", "--batch-check", data=asked).splitlines()
    ]
    with subprocess.Popen(
        _command(place, "cat-file", "--batch"), stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        if process.stdin is None or process.stdout is None:
            return
        for blob, size in zip(blobs, sizes, strict=True):
            if size > LARGEST_BYTES:
                yield None
                continue
            process.stdin.write(f"{blob}\n".encode())
            process.stdin.flush()
            process.stdout.readline()
            yield process.stdout.read(size + 1)[:size]
        process.stdin.close()


def _git(place: Path, *arguments: str, data: bytes = b"") -> bytes:
    """What a git command prints."""
    failure = "git is not installed"
    try:
        done = subprocess.run(_command(place, *arguments), input=data, capture_output=True, check=False)
        if done.returncode == 0:
            return done.stdout
        failure = " ".join(done.stderr.decode("utf-8", "replace").split())[:200] or "git failed"
    except OSError:
        pass
    raise study_error(
        file=place,
        found=f"a repository that cannot be opened ({failure})",
        expected="git and its repository, to see what would be committed",
        remedy="Make 'git status' work in this folder",
    )


def _command(place: Path, *arguments: str) -> list[str]:
    # Without the monitor that a repository's own settings may start as a program.
    return ["git", "-C", str(place), "-c", "core.fsmonitor=false", *arguments]


def _on_disk(place: Path, wanted: Callable[[str], bool]) -> Iterator[Content]:
    for folder, folders, names in os.walk(place):
        folders[:] = sorted(name for name in folders if name not in _SKIPPED)
        for name in sorted(names):
            path = Path(folder, name)
            below = path.relative_to(place).as_posix()
            if wanted(below) and not path.is_symlink():
                yield Content(below, _read(path), "")


def _read(path: Path) -> bytes | None:
    """The bytes of a regular file, or None if it is none, too large, or cannot be read."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > LARGEST_BYTES:
            return None
        return path.read_bytes()
    except OSError:
        return None
