"""What README says of the studies that are run by hand, held against the tables that they left."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

KEPT = Path(__file__).parent / "simulations"
README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def counted(table: pd.DataFrame, kind: str, *, cup: bool) -> pd.Series:
    """Sums over the systems of zones of cups, or of stems and pegs."""
    own = table[table["zone_system"].eq("cup_3") == cup]
    return own[own["kind"] == kind].sum(numeric_only=True)


def test_lines_in_whole_studies() -> None:
    table = pd.read_csv(KEPT / "lines_of_studies.csv")
    none, wide = (counted(table, kind, cup=False) for kind in ("no line", "line of 1 mm or more"))
    assert none["line"] == 1
    assert f"one line was claimed in {none['zones']:,.0f} zones of stems and pegs without one" in README
    assert (
        f"of {wide['zones']:.0f} lines from 1 mm {wide['line']:.0f} were seen, "
        f"{wide['not_assessable']:.0f} were left not assessable and {wide['none']:.0f} were missed" in README
    )
    cups = table[table["zone_system"] == "cup_3"].sum(numeric_only=True)
    answered = cups["zones"] - cups["not_assessable"]
    assert f"All but {answered:.0f} of {cups['zones']:,.0f} zones about cups" in README


def test_lines_on_patches_at_usual_noise() -> None:
    levels = pd.read_csv(KEPT / "lucency_over_noise.csv").set_index("noise_sd")
    usual = levels.loc[0.04]
    assert usual["median_width_error_mm"] <= 0.2
    assert usual[["sensitivity_from_1_mm", "specificity"]].min() >= 0.95
    assert (levels.loc[0.3:, "not_assessable_percent"] == 100).all()


@pytest.mark.parametrize("kind", ["cup_3", "resurfacing_stem_3", "stem_7"])
def test_no_false_line_along_true_outlines(kind: str) -> None:
    counts = pd.read_csv(KEPT / "lucency_on_films_counts.csv", index_col="count")[kind]
    assert counts["of_these_lines"] == 0
