"""A wide form, one line a patient and a column an item → long rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from cohortlib.study.sources.places import Piece
from cohortlib.study.sources.wide_headings import Spread


def long_rows(
    text: pd.DataFrame, spread: Spread, fixed: Mapping[str, str], piece: Piece
) -> tuple[pd.DataFrame, Piece]:
    """The cells of a wide form as rows, a row a line and heading, in this order.

    Parameters
    ----------
    text
        Categorical text under the dictionary's names, index = line.
    spread
        From `spread_headings`.
    fixed
        Column of the dictionary → text that holds for all rows.
    piece
        The file and its headings.

    Returns
    -------
    rows : DataFrame
        Index from 0: all other columns of the form, those the headings name, those of the values.
    piece : Piece
        Where each row stands.

    Notes
    -----
    Where none of the values of a line is filled in (of a line and visit, if the headings name the visit)
    no form was given back, and there are no rows: nothing was asked, so nothing is unanswered.
    """
    named = list(spread.named)
    groups = spread.headings.groupby(named, sort=False, dropna=False)["heading"].agg(list).reset_index()
    count = len(groups)
    line = np.repeat(np.arange(len(text)), count)
    group = np.tile(np.arange(count), len(text))
    others = [name for name in text if name not in set(spread.headings["heading"])]
    rows: dict[str, pd.Series] = {str(name): text[name].take(line).reset_index(drop=True) for name in others}
    for name in named:
        codes, distinct = pd.factorize(groups[name])
        rows[name] = _category(codes[group], distinct)
    for name, value in fixed.items():
        rows[name] = _category(np.zeros(len(line), dtype=np.int8), np.array([value], dtype=object))
    own_headings: dict[str, np.ndarray] = {}
    filled = np.zeros(len(line), dtype=bool)
    for column in spread.columns:
        of_column = spread.headings[spread.headings["column"] == column]
        heading = groups[named].merge(of_column, on=named, how="left")["heading"]
        rows[column], own_headings[column] = _values(text, heading, group)
        filled |= (rows[column].isna() | (rows[column] != "")).to_numpy()
    form = line * count
    if "visit_id" in named:
        form = form + pd.factorize(groups["visit_id"])[0][group]
    kept = np.flatnonzero(_any_of(filled, form))
    table = pd.DataFrame(rows).take(kept).reset_index(drop=True).rename_axis("line")
    return table, Piece(
        piece.file,
        piece.headings,
        lines=text.index.to_numpy()[line[kept]],
        own_headings={column: names[kept] for column, names in own_headings.items()},
    )


def _category(codes: np.ndarray, texts: Any) -> pd.Series:
    return pd.Series(pd.Categorical.from_codes(codes, categories=pd.Index(texts, dtype="str")))


def _values(text: pd.DataFrame, heading: pd.Series, group: np.ndarray) -> tuple[pd.Series, np.ndarray]:
    """The cells of one column of values, line after line; a group without a heading has empty ones."""
    blank = pd.Categorical.from_codes(
        np.zeros(len(text), dtype=np.int8), categories=pd.Index([""], dtype="str")
    )
    parts = [blank if pd.isna(name) else text[name].array for name in heading]
    texts = pd.Index([""], dtype="str")
    for part in parts:
        texts = texts.union(part.categories, sort=False)
    # One row of codes a heading, turned so that the headings of a line follow each other.
    places = [np.append(texts.get_indexer(part.categories), -1)[part.codes] for part in parts]
    codes = np.array(places, dtype=np.int64).reshape(len(parts), len(text)).T.ravel()
    names = heading.astype(object).where(heading.notna(), "").to_numpy()
    return _category(codes, texts), names[group]


def _any_of(filled: np.ndarray, form: np.ndarray) -> np.ndarray:
    """Whether any row of the same form is filled in."""
    codes, forms = pd.factorize(form)
    return np.bincount(codes, weights=filled, minlength=len(forms))[codes] > 0
