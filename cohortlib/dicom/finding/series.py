"""Images grouped to series: what all files of one say, and what they contradict each other in."""

from __future__ import annotations

import pandas as pd

from cohortlib.dicom.finding.columns import IMAGE_COLUMNS
from cohortlib.dicom.finding.slices import slice_facts

#: What the files of a series should agree in.
_SAME = (
    "patient_id", "study_uid", "sop_class", "modality", "study_date", "series_number", "series_description",
    "body_part", "view", "position", "rows", "columns", "row_spacing_mm", "column_spacing_mm",
    "spacing_source", "plane", "slice_thickness_mm", "gantry_tilt_deg", "tube_voltage_kv", "kernel",
    "manufacturer", "model", "serial_number",
)  # fmt: skip
#: What varies from slice to slice where the scanner adapts to the body: the mean is given.
_MEAN = ("exposure_mas", "ctdi_vol_mgy", "dose_area_product_dgy_cm2")
_SLICES = ("slice_spacing_mm", "n_missing_slices", "n_repeated_slices")

SERIES_COLUMNS = (
    "series_uid", "path", "note", "n_files", "n_unusable", "n_instances", *_SAME, "acquired_at",
    *_MEAN, *_SLICES,
)  # fmt: skip


def image_series(images: pd.DataFrame) -> pd.DataFrame:
    """One row a series, from the images that `find_images` found.

    Parameters
    ----------
    images
        As `find_images` gives them. Files with a problem that name their series count as unusable.

    Returns
    -------
    DataFrame
        In the order of the first file's path:

        - series_uid, path (of the first file), note
        - n_files (that can be used), n_unusable, n_instances (distinct; fewer than files = copies)
        - what all files agree in, named as in `images`; "" or missing where they do not, and then
          `note` says "several …"
        - acquired_at, the earliest
        - exposure_mas, ctdi_vol_mgy, dose_area_product_dgy_cm2: the mean over the files
        - slice_spacing_mm: the median distance of neighbouring slices along their normal; missing if
          there are fewer than three places
        - n_missing_slices: how many more would fill the gaps; n_repeated_slices: at a place that
          another slice has already

    Notes
    -----
    With d the distances of neighbouring slices and m their median, a gap is d > 1.5 m and stands for
    round(d / m) - 1 missing slices. Distances that are no multiple of m within a tenth of it are noted
    as uneven; first pixels that drift sideways by more than 0.5 mm are noted as sheared (a tilted
    gantry, or slices of two series). Common practice, no source.

    Examples
    --------
    >>> from cohortlib.dicom import find_images, image_series
    >>> series = image_series(find_images("images"))  # doctest: +SKIP
    >>> series.loc[series["n_missing_slices"] > 0, ["path", "note"]]  # doctest: +SKIP
    """
    named = images[images["series_uid"] != ""]
    usable = named[named["problem"] == ""]
    groups = usable.groupby("series_uid", sort=False)
    table = groups[["path", *_SAME]].first()
    table["n_files"] = groups.size()
    unusable = named[named["problem"] != ""].groupby("series_uid").size()
    table["n_unusable"] = unusable.reindex(table.index, fill_value=0)
    table["n_instances"] = groups["instance_uid"].nunique()
    table["acquired_at"] = groups["acquired_at"].min()
    notes = pd.Series("", index=table.index, dtype="str")
    for name in _SAME:
        several = groups[name].nunique(dropna=False) > 1
        if several.any():
            table[name] = table[name].where(~several, "" if IMAGE_COLUMNS[name] == "text" else None)
            notes = notes.where(~several, notes + f"; several {name}")
    copies = table["n_instances"] < table["n_files"]
    notes = notes.where(~copies, notes + "; the same image more than once")
    for name in _MEAN:
        table[name] = groups[name].mean()
    facts = slice_facts(usable)
    table = table.join(facts[list(_SLICES)])
    notes = notes + facts["note"].reindex(table.index, fill_value="")
    table["note"] = notes.str.removeprefix("; ")
    for name in ("n_missing_slices", "n_repeated_slices"):
        table[name] = table[name].astype("Int64")
    return table.reset_index()[list(SERIES_COLUMNS)]
