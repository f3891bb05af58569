"""Measurement rows to pairs of readings: reader against reader, or one reader's two readings."""

from __future__ import annotations

import pandas as pd

from cohortlib.errors import StudyError, problem, study_error
from cohortlib.stats.inputs import check_columns, check_unique, identifiers, numbers
from cohortlib.tables import MEASUREMENT_COLUMNS

#: A reading is named by who read and which repeat it was.
Reading = tuple[str, int]

PAIR_COLUMNS = (
    "patient_id",
    "hip_id",
    "visit_id",
    "image_id",
    "quantity",
    "zone",
    "first",
    "second",
    "status",
    "unit",
    "method",
    "note",
)
_PLACE = ["image_id", "hip_id", "zone"]


def reading_pairs(
    measurements: pd.DataFrame, *, quantity: str, first: Reading, second: Reading
) -> pd.DataFrame:
    """Two readings of a quantity side by side, one row an image, hip and zone.

    Parameters
    ----------
    measurements
        Columns as in `tables.MEASUREMENT_COLUMNS`, one method.
    quantity
        Which quantity.
    first, second
        The two readings, each (reader_id, repeat). `("reader_a", 1)` and `("reader_b", 1)` compare two
        readers; `("reader_a", 1)` and `("reader_a", 2)` compare a reader with himself.

    Returns
    -------
    DataFrame
        patient_id, hip_id, visit_id, image_id, quantity, zone, first, second (values, in `unit`), status,
        unit, method, note. Status is "paired", "no value" (read twice, but the film allowed no value in at
        least one reading) or "read once" (by one of the two only, often by design). Nothing is left out.

    Raises
    ------
    StudyError
        If columns are missing, the quantity or a reading does not occur, the two are the same, one reading
        has two rows for a place (two methods, say), or units differ.

    Notes
    -----
    A film that one reader could measure and the other could not is a disagreement that no limit of
    agreement shows: report the count of "no value" beside the limits.
    """
    check_columns(measurements, MEASUREMENT_COLUMNS)
    chosen = measurements[measurements["quantity"] == quantity]
    labels = {"first": first, "second": second}
    _check_readings(chosen, quantity, labels)
    units = sorted(set(chosen["unit"].dropna().astype(str)))
    if len(units) > 1:
        raise study_error(
            column="unit",
            found=", ".join(units),
            expected=f"one unit for {quantity}",
            remedy="Bring the values to one unit before pairing",
        )
    joined = _rows_of(chosen, first).merge(
        _rows_of(chosen, second), on=_PLACE, how="outer", suffixes=("_first", "_second"), indicator="read by"
    )
    valued = joined["value_first"].notna() & joined["value_second"].notna()
    status = pd.Series("no value", index=joined.index).mask(valued, "paired")
    pairs = {
        "patient_id": joined["patient_id_first"].fillna(joined["patient_id_second"]),
        "hip_id": joined["hip_id"],
        "visit_id": joined["visit_id_first"].fillna(joined["visit_id_second"]),
        "image_id": joined["image_id"],
        "quantity": quantity,
        "zone": joined["zone"],
        "first": joined["value_first"],
        "second": joined["value_second"],
        "status": status.mask(joined["read by"] != "both", "read once"),
        "unit": units[0] if units else "",
        "method": _both(joined, "method"),
        "note": _both(joined, "note"),
    }
    return pd.DataFrame(pairs)[list(PAIR_COLUMNS)]


def _rows_of(chosen: pd.DataFrame, reading: Reading) -> pd.DataFrame:
    """The measurement rows of one reading, one a place."""
    reader_id, repeat = reading
    mine = (chosen["reader_id"].astype(str) == reader_id) & (numbers(chosen, "repeat") == repeat)
    rows = chosen.loc[mine]
    columns = {name: identifiers(rows, name) for name in ("patient_id", "hip_id", "visit_id", "image_id")}
    texts = {name: _text(rows[name]) for name in ("zone", "method", "note")}
    result = pd.DataFrame({**columns, **{name: list(text) for name, text in texts.items()}}, dtype=str)
    check_unique(result, _PLACE, remedy="Keep one method and one row a reading before pairing")
    return result.assign(value=numbers(rows, "value"))


def _text(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str)


def _check_readings(chosen: pd.DataFrame, quantity: str, labels: dict[str, Reading]) -> None:
    present = chosen[["reader_id", "repeat"]].dropna()
    readings = set(zip(present["reader_id"].astype(str), numbers(present, "repeat").astype(int), strict=True))
    known = "; ".join(f"{reader_id}, {repeat}" for reader_id, repeat in sorted(readings))
    problems = [
        problem(
            column=f"{side} (reader_id, repeat)",
            found=f"{reading[0]}, {reading[1]}",
            expected=f"a reading of {quantity} in the table: {known or 'there is none'}",
            remedy="Correct the quantity, the reader or the repeat",
        )
        for side, reading in labels.items()
        if reading not in readings
    ]
    if labels["first"] == labels["second"]:
        problems.append(
            problem(
                column="first, second",
                found=f"{labels['first'][0]}, {labels['first'][1]} twice",
                expected="two different readings",
                remedy="Give another reader or another repeat",
            )
        )
    if problems:
        raise StudyError(problems)


def _both(joined: pd.DataFrame, column: str) -> pd.Series:
    """The entry of both readings: once where they say the same, else one after the other."""
    one, other = (_text(joined[f"{column}_{side}"]) for side in ("first", "second"))
    together = (one + " | " + other).str.strip(" |")
    return one.where(one == other, together)
