"""Published data and check values for the tests of this folder; every row names its source."""

from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parents[1] / "reference"


def reference(name: str) -> pd.DataFrame:
    """A table of published data."""
    return pd.read_csv(FOLDER / f"stats_{name}.csv")


def expected(example: str, measure: str | None = None) -> list[tuple[str, str, float, float]]:
    """(measure, quantity, value, tolerance) of one example."""
    table = reference("expected")
    table = table[table["example"] == example]
    if measure is not None:
        table = table[table["measure"] == measure]
    if table.empty:
        raise LookupError(f"{example}, {measure}")
    return list(table[["measure", "quantity", "value", "tolerance"]].itertuples(index=False, name=None))
