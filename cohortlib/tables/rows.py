"""Rows that the library itself makes: measurements and estimates."""

from __future__ import annotations

#: Columns of a measurement row; `sd` is the measurement's own standard deviation in `unit`.
MEASUREMENT_COLUMNS = (
    "hip_id",
    "patient_id",
    "visit_id",
    "image_id",
    "reader_id",
    "repeat",
    "quantity",
    "zone",
    "value",
    "unit",
    "sd",
    "method",
    "note",
)

#: Columns every estimate row ends with; the grouping columns stand before them.
ESTIMATE_COLUMNS = ("estimate", "ci_low", "ci_high", "n_patients", "n_hips", "unit", "method", "note")
