"""What images a folder holds: a line for each series, and every file that is none."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from cohortlib.commands.listing import print_reasons, printable
from cohortlib.dicom import find_images, image_series
from cohortlib.files import make_folder
from cohortlib.report.problems import counted
from cohortlib.report.tables import write_table

_WIDEST_NOTE = 60


def print_images(folder: Path, *, csv: Path | None, index: Path | None) -> int:
    """Print the series of a folder and why files cannot be used; 1 if there are such files, else 0.

    Parameters
    ----------
    folder
        Searched with all folders in it; nothing in it is changed.
    csv
        A table to write: one row a series; beside it another one, `…_files.csv`, one row a file.
    index
        A file that keeps what was found, so that the next time only what changed is read.
    """
    images = find_images(folder, index=index)
    series = image_series(images)
    wrong = images[images["problem"] != ""]
    if len(series):
        print(shown_series(series).to_string(index=False), end="\n\n")
    print_reasons(wrong["problem"], wrong["path"])
    usable, patients = len(images) - len(wrong), series["patient_id"].nunique()
    of = f"{counted(patients, 'patient')}, {len(series)} series, {counted(usable, 'image')}"
    print(f"{folder}: {of}; {counted(len(wrong), 'file')} that cannot be used.")
    if csv is not None:
        make_folder(csv.parent)
        write_table(series, csv)
        write_table(images, csv.with_name(f"{csv.stem}_files{csv.suffix}"))
        print(f"Written: {csv}, and every file in {csv.stem}_files{csv.suffix}")
    return 1 if len(wrong) else 0


def shown_series(series: pd.DataFrame) -> pd.DataFrame:
    """What a terminal has room for: whose, when, what, how large, what a pixel measures, what is odd."""
    spacing = _numbers(series["row_spacing_mm"]) + " × " + _numbers(series["column_spacing_mm"])
    source = series["spacing_source"].where(series["spacing_source"] != "", "none")
    known = series["row_spacing_mm"].notna() & series["column_spacing_mm"].notna()
    return pd.DataFrame(
        {
            "patient": series["patient_id"],
            "day": series["study_date"].dt.strftime("%Y-%m-%d").fillna(""),
            "kind": series["modality"],
            "view": series["view"].where(series["view"] != "", series["plane"]),
            "position": series["position"],
            "files": series["n_files"],
            "rows": _numbers(series["rows"]),
            "columns": _numbers(series["columns"]),
            "pixel [mm]": spacing.where(known, ""),
            "measured": source,
            "slices [mm]": _numbers(series["slice_spacing_mm"]),
            "missing": _numbers(series["n_missing_slices"]),
            "note": series["note"].str.slice(0, _WIDEST_NOTE),
            "first file": series["path"].map(printable),
        }
    )


def _numbers(values: pd.Series) -> pd.Series:
    return values.map(lambda value: "" if pd.isna(value) else f"{value:.4g}").astype("str")
