"""Which readings of a table can be compared: hidden repeats of one reader, and pairs of readers."""

from __future__ import annotations

import itertools
from typing import Literal, NamedTuple

import pandas as pd

from cohortlib.stats.agreement.pairs import Reading
from cohortlib.stats.inputs import identifiers, numbers

ComparisonKind = Literal["within reader", "between readers", "all readers"]


class Comparison(NamedTuple):
    """Two readings, or the first readings of three readers and more, of the same things."""

    kind: ComparisonKind
    readings: tuple[Reading, ...]

    @property
    def name(self) -> str:
        """As it stands in a table: `R1 repeat 1 − R2 repeat 1`."""
        named = [f"{reader_id} repeat {repeat}" for reader_id, repeat in self.readings]
        return (" − " if len(named) == 2 else ", ").join(named)


def comparisons_found(readings: pd.DataFrame) -> list[Comparison]:
    """Every comparison that the readings in a table allow, in a fixed order.

    Parameters
    ----------
    readings
        reader_id and repeat of every row, none missing.

    Returns
    -------
    list of Comparison
        Within reader: the first reading of each reader against each later one. Between readers: the first
        readings of each pair. All readers: the first readings of all, if there are three or more.
    """
    rows = pd.DataFrame(
        {"reader_id": identifiers(readings, "reader_id"), "repeat": numbers(readings, "repeat")}
    ).dropna()
    repeats: dict[str, list[int]] = {}
    for reader_id, repeat in sorted(set(zip(rows["reader_id"], rows["repeat"].astype(int), strict=True))):
        repeats.setdefault(reader_id, []).append(repeat)
    firsts: list[Reading] = [(reader_id, known[0]) for reader_id, known in repeats.items()]
    found = [
        Comparison("within reader", ((reader_id, known[0]), (reader_id, later)))
        for reader_id, known in repeats.items()
        for later in known[1:]
    ]
    found += [Comparison("between readers", pair) for pair in itertools.combinations(firsts, 2)]
    if len(firsts) > 2:
        found.append(Comparison("all readers", tuple(firsts)))
    return found


def readings_of(readings: pd.DataFrame, comparison: Comparison) -> pd.DataFrame:
    """The rows of a comparison, with `subject` (image, hip and zone) and `reading` (its name)."""
    reader_id, repeat = readings["reader_id"].astype(str), numbers(readings, "repeat")
    reading = pd.Series(pd.NA, index=readings.index, dtype="object")
    for one, number in comparison.readings:
        reading = reading.mask((reader_id == one) & (repeat == number), f"{one} repeat {number}")
    chosen = readings.assign(reading=reading)[reading.notna()]
    subject = identifiers(chosen, "image_id").astype(object) + " " + identifiers(chosen, "hip_id")
    zone = chosen["zone"].astype(object).where(chosen["zone"].notna(), "").astype(str)
    return chosen.assign(subject=[f"{whose} {which}" for whose, which in zip(subject, zone, strict=True)])
