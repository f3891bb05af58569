"""Measurements as a table for a spreadsheet, and how many of them are values."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from cohortlib.pipeline.files import write_whole

#: How a cell begins that a spreadsheet would run.
_FORMULA = r"^[=+\-@\t\r]"


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV whose texts a spreadsheet shows and does not run.

    Notes
    -----
    A text that begins with = + - @, a tab or a line end gets an apostrophe before it; numbers keep
    all their digits and their sign.
    """
    safe = table.copy()
    for name in safe.columns[[not pd.api.types.is_numeric_dtype(kind) for kind in safe.dtypes]]:
        safe[name] = safe[name].astype("str").str.replace(_FORMULA, r"'\g<0>", regex=True)
    write_whole(path, safe.to_csv(index=False, lineterminator="\n"))


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
