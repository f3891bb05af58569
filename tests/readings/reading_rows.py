"""Valid rows to start from; a test spoils them."""

from __future__ import annotations

import hashlib
from typing import Any

import pandas as pd


def sha256(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()


def mark(**other: Any) -> dict[str, Any]:
    row = {
        "image_id": "I01",
        "reader_id": "R1",
        "repeat": 1,
        "landmark": "teardrop",
        "side": "left",
        "x_px": 512.25,
        "y_px": 800.0,
        "duration_s": 12.5,
        "image_sha256": sha256("I01"),
    }
    return {**row, **other}


def grading(**other: Any) -> dict[str, Any]:
    row = {
        "image_id": "I01",
        "reader_id": "R1",
        "repeat": 1,
        "side": "left",
        "zone_system": "cup_3",
        "zone": "1",
        "state": "incomplete",
        "width_mm": 0.5,
        "duration_s": 12.5,
        "image_sha256": sha256("I01"),
    }
    return {**row, **other}


def grade(**other: Any) -> dict[str, Any]:
    row = {
        "image_id": "I01",
        "reader_id": "R1",
        "repeat": 1,
        "side": "left",
        "scale": "ossification",
        "part": "whole",
        "grade": "2",
        "duration_s": 12.5,
        "image_sha256": sha256("I01"),
    }
    return {**row, **other}


def table(*rows: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(list(rows))
