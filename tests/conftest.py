"""Fixtures shared by all rooms."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_study_files import SMALL_STUDY, small_study_text


@pytest.fixture
def small_study(tmp_path: Path) -> Path:
    """A folder with a valid study of three patients and four hips; a test may spoil it."""
    folder = tmp_path / "small_study"
    for name in SMALL_STUDY:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(small_study_text(name).encode())
    return folder
