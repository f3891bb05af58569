"""Counts too small to be shared, and those that would give them away by subtraction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cohortlib.errors import study_error
from cohortlib.stats.inputs import check_columns, sentence_of


def hidden_cells(
    counts: ArrayLike, sums: ArrayLike, *, least: int, later: ArrayLike | None = None
) -> NDArray[np.bool_]:
    """Which of the counts of a table to leave out, so that none from 1 to `least` − 1 can be worked out.

    Parameters
    ----------
    counts : (cells,)
        What the table would show.
    sums : (cells, parts)
        Which parts each cell adds up: cells that share parts can be subtracted from each other.
    least
        The smallest count that may be shared; zero may be shared too.
    later : (cells,)
        A cell with a larger number is only hidden to protect others if none with a smaller one helps: give
        it to counts that stand elsewhere too. None treats all alike.

    Returns
    -------
    array of bool, shape (cells,)
        Small counts, and as many others, the smallest first, as it takes to protect them.

    Notes
    -----
    A count is given away if it is a sum or difference of counts that are shown. That is so if its row of
    `sums` lies in the span of theirs. A zero is never hidden: it would protect badly. What is not looked at:
    that two hidden counts add up to 3, say, and other tables of the same patients. The study's own rules for
    sharing come first.

    References
    ----------
    Hundepool A et al. Statistical Disclosure Control. Wiley 2012, chapter 4 (secondary suppression).

    Example
    -------
    >>> hidden_cells([20, 12, 6, 2], [[1, 1, 1], [1, 0, 0], [0, 1, 0], [0, 0, 1]], least=5).tolist()
    [False, False, True, True]
    """
    number, parts = np.asarray(counts, dtype=int), np.asarray(sums, dtype=float)
    if least < 1:
        raise study_error(
            column="suppress_below",
            found=least,
            expected="the smallest count that may be shared, such as 5",
            remedy="Give a number of at least 1, or leave it out to show every count",
        )
    small = (number > 0) & (number < least)
    hidden = small.copy()
    rank = np.zeros(len(number)) if later is None else np.asarray(later, dtype=float)
    while True:
        open_cells = _given_away(small, hidden, parts)
        if not open_cells.any():
            return hidden
        # A hidden zero protects badly: what is left over would still be small.
        candidates = np.flatnonzero(~hidden & (number > 0))
        order = candidates[np.lexsort((number[candidates], rank[candidates]))]
        hidden[next((cell for cell in order if _protects(cell, small, hidden, parts)), order[0])] = True


def _protects(
    cell: np.intp, small: NDArray[np.bool_], hidden: NDArray[np.bool_], parts: NDArray[np.float64]
) -> bool:
    """Whether hiding a cell leaves fewer small ones open."""
    more = hidden.copy()
    more[cell] = True
    return int(_given_away(small, more, parts).sum()) < int(_given_away(small, hidden, parts).sum())


def _given_away(
    small: NDArray[np.bool_], hidden: NDArray[np.bool_], parts: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which small cells are sums or differences of cells that are shown."""
    _, sizes, directions = np.linalg.svd(parts[~hidden], full_matrices=False)
    basis = directions[sizes > 1e-9]
    apart = parts - (parts @ basis.T) @ basis
    return small & (np.abs(apart) < 1e-9).all(axis=1)


def without_small_counts(
    table: pd.DataFrame,
    *,
    sums: Mapping[str, Sequence[str]],
    shares: Mapping[str, tuple[str, str]],
    known: Sequence[str],
    least: int,
) -> pd.DataFrame:
    """The table with small counts, and what would give them away, left empty and said so in `note`.

    Parameters
    ----------
    table
        One row a group; counts in the columns of `sums`, and `note`.
    sums
        Column to the parts it adds up; the parts need not be columns.
    shares
        Column of a percentage to the two columns it is made from; it is emptied with either.
    known
        Columns that other rows or tables show too, the best known last; they are hidden last.
    least
        The smallest count that may be shared.
    """
    check_columns(table, [*sums, *shares, "note"])
    parts = list(dict.fromkeys(part for adds in sums.values() for part in adds))
    matrix = np.array([[part in adds for part in parts] for adds in sums.values()], dtype=float)
    columns = list(sums)
    later = [list(known).index(column) + 1 if column in known else 0 for column in columns]
    hidden = np.array(
        [hidden_cells(row, matrix, least=least, later=later) for row in table[columns].to_numpy(dtype=int)],
        dtype=bool,
    ).reshape(len(table), len(columns))
    result = table.copy()
    for place, column in enumerate(columns):
        result[column] = table[column].astype("Int64").mask(hidden[:, place])
    for column, pair in shares.items():
        result[column] = table[column].mask(result[list(pair)].isna().any(axis=1).to_numpy())
    said = f"counts below {least}, and those that would give them away, are not shown"
    result["note"] = [
        sentence_of(str(note), said if any_hidden else "")
        for note, any_hidden in zip(table["note"], [row.any() for row in hidden], strict=True)
    ]
    return result
