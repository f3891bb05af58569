"""Files are written whole or not at all, and only below the folder that was named."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from cohortlib.errors import StudyError
from cohortlib.files import make_folder, place_below, write_whole

# by hand


@pytest.mark.parametrize("content", ["Größe\r\n", "Größe\r\n".encode()])
def test_a_text_and_its_bytes_are_the_same_file(tmp_path: Path, content: str | bytes) -> None:
    write_whole(tmp_path / "a.csv", content)
    assert (tmp_path / "a.csv").read_bytes() == "Größe\r\n".encode()
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_a_file_may_be_for_its_owner_alone(tmp_path: Path) -> None:
    write_whole(tmp_path / "key", "x", mode=0o600)
    assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600


def test_it_is_on_the_disk_before_it_has_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    monkeypatch.setattr(os, "fsync", lambda _: done.append("on the disk"))
    monkeypatch.setattr(os, "replace", lambda *_: done.append("named"))
    write_whole(tmp_path / "a", "x")
    assert done == ["on the disk", "named"]


# by law


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_at_any_step_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    write_whole(tmp_path / "a", "old")

    def full(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(OSError, match="disk full"):
        write_whole(tmp_path / "a", "new")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("a", "old")]


# by failure


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyError, match="a folder that cannot be written to"):
        make_folder(tmp_path / "file" / "folder")


@pytest.mark.parametrize("relative", ["../a", "link/a", "inner/../../a", "/etc/a", "own"])
def test_no_way_leads_out_of_the_folder(tmp_path: Path, relative: str) -> None:
    folder = make_folder(tmp_path / "folder")
    (folder / "link").symlink_to(tmp_path)
    (folder / "own").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StudyError, match="a link that leads out of the folder"):
        place_below(folder, relative)
    assert place_below(folder, "x/y/z.dcm").parent.is_dir()
