"""The columns of a table of images, and rows turned into that table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

#: Column → kind. A text that is not stated is "", a number or time that is not stated is missing.
IMAGE_COLUMNS = {
    "path": "text",
    "problem": "text",
    "note": "text",
    "size_bytes": "integer",
    "patient_id": "text",
    "study_uid": "text",
    "series_uid": "text",
    "instance_uid": "text",
    "frame_of_reference_uid": "text",
    "sop_class": "text",
    "modality": "text",
    "image_type": "text",
    "study_date": "time",
    "acquired_at": "time",
    "series_number": "integer",
    "instance_number": "integer",
    "series_description": "text",
    "body_part": "text",
    "view": "text",
    "position": "text",
    "laterality": "text",
    "rows": "integer",
    "columns": "integer",
    "frames": "integer",
    "photometric": "text",
    "row_spacing_mm": "number",
    "column_spacing_mm": "number",
    "spacing_source": "text",
    "source_to_detector_mm": "number",
    "slice_thickness_mm": "number",
    "gantry_tilt_deg": "number",
    "plane": "text",
    "cosines": "text",
    "left_mm": "number",
    "posterior_mm": "number",
    "superior_mm": "number",
    "tube_voltage_kv": "number",
    "exposure_mas": "number",
    "ctdi_vol_mgy": "number",
    "dose_area_product_dgy_cm2": "number",
    "kernel": "text",
    "manufacturer": "text",
    "model": "text",
    "serial_number": "text",
    "burned_in_annotation": "text",
    "transfer_syntax": "text",
}
#: What the header of a file tells; the rest is known from the folder.
HEADER_COLUMNS = tuple(name for name in IMAGE_COLUMNS if name not in ("path", "size_bytes"))

Row = list[Any]


def empty_row(problem: str) -> Row:
    """A row of `HEADER_COLUMNS` of a file that is no image, with the reason."""
    blank: dict[str, Any] = {"text": "", "time": ""}
    return [problem if name == "problem" else blank.get(IMAGE_COLUMNS[name]) for name in HEADER_COLUMNS]


def column_values(name: str, values: Sequence[Any]) -> pd.Series:
    """One column of the table from plain values: texts, numbers or None, times as ISO 8601 text or ""."""
    kind = IMAGE_COLUMNS[name]
    if kind == "text":
        return pd.Series(values, dtype="str")
    if kind == "number":
        return pd.Series(values, dtype="float64")
    if kind == "integer":
        return pd.Series(values, dtype="Int64")
    texts = pd.Series(values, dtype="str")
    return pd.to_datetime(texts.where(texts != ""), format="ISO8601").astype("datetime64[us]")
