"""Measurements as a table for a spreadsheet, and how many of them are values."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from cohortlib.files import write_whole
from cohortlib.tables.spreadsheet import spreadsheet_csv


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV that a spreadsheet shows and does not run: see `spreadsheet_csv`."""
    write_whole(path, spreadsheet_csv(table))


def measurement_counts(measurements: pd.DataFrame) -> dict[str, int]:
    """How many patients, hips, films, readings, values and refusals there are.

    Returns
    -------
    dict
        patients, hips, films: with at least one value · readings: of a hip by a reader, with or
        without value · values · refused: rows without a value.
    """
    with_value = measurements[measurements["value"].notna()]
    reading = ["hip_id", "image_id", "reader_id", "repeat"]
    return {
        "patients": with_value["patient_id"].nunique(),
        "hips": with_value["hip_id"].nunique(),
        "films": with_value["image_id"].nunique(),
        "readings": len(measurements[reading].drop_duplicates()),
        "values": len(with_value),
        "refused": len(measurements) - len(with_value),
    }


def refusals(measurements: pd.DataFrame) -> pd.DataFrame:
    """Why values are not given: one row a quantity and reason, the most frequent first.

    Returns
    -------
    DataFrame
        quantity, reason (the note with its numbers left out), count.
    """
    refused = measurements[measurements["value"].isna()]
    reason = refused["note"].map(_reason).astype("str")
    counted = refused.assign(reason=reason).groupby(["quantity", "reason"]).size().reset_index(name="count")
    by = ["count", "quantity", "reason"]
    return counted.sort_values(by, ascending=[False, True, True], ignore_index=True)


def _reason(note: str) -> str:
    # "1 SD" is a term, not a value
    return re.sub(r"[-−+]?\b\d+(\.\d+)?\b(?! SD\b)", "…", note) or "no reason stated"
