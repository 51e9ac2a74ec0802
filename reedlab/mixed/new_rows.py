"""New rows as a posterior reads them: columns, and levels known or new."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import PredictionError
from reedlab.mixed.matrices import Recipe, level_codes, new_columns
from reedlab.mixed.terms import Design


@dataclass(frozen=True)
class NewRows:
    """Rows to predict for.

    Attributes
    ----------
    X
        Fixed effects' columns (rows, p).
    bases
        For each random term its columns (rows, k).
    codes
        For each random term the level of each row; numbers from the term's number of levels on are
        new levels.
    """

    X: np.ndarray
    bases: list[np.ndarray]
    codes: list[np.ndarray]


def read_rows(
    recipe: Recipe | None, design: Design, data: pd.DataFrame, new_levels: str | Collection[str]
) -> NewRows:
    """Turn new data into columns and levels.

    Parameters
    ----------
    recipe
        How data become columns; None where a fit was made without a formula.
    design
        What the fit stands on.
    data
        New rows with the model's columns.
    new_levels
        Columns or groupings whose levels are new; a new "supplier" makes its lots new too.

    Raises
    ------
    PredictionError
        When a level is unknown and not named in `new_levels`, or a column is missing.
    """
    if recipe is None:
        raise PredictionError("this fit was made without a formula and cannot read new data.")
    parts = recipe.formula.random
    new_levels = {new_levels} if isinstance(new_levels, str) else set(new_levels)
    known = {part.group for part in parts} | {c for part in parts for c in part.columns}
    strange = sorted(new_levels - known)
    if strange:
        raise PredictionError(
            f"new_levels names {strange[0]!r}, which the model does not group by."
        )
    X, bases = new_columns(recipe, data, range(len(parts)))
    codes = []
    for part, term in zip(parts, design.terms):
        if part.group in new_levels or set(part.columns) & new_levels:
            codes.append(term.n_levels + _new_codes(part.columns, data))
            continue
        code = level_codes(part, data, term.levels)
        if np.any(code < 0):
            row = data.index[int(np.argmax(code < 0))]
            raise PredictionError(
                f"row {row!r} has a level of {part.group!r} that the fit did not see: "
                f"name {part.columns[-1]!r} in new_levels to draw its effect."
            )
        codes.append(code)
    return NewRows(X, [bases[t] for t in range(len(parts))], codes)


def _new_codes(columns: tuple[str, ...], data: pd.DataFrame) -> np.ndarray:
    """Codes of new levels: one a distinct label, one a row where a column is missing or empty."""
    if not set(columns) <= set(data.columns):
        return np.arange(len(data))
    keys = data[list(columns)]
    codes = keys.astype(str).groupby(list(columns), sort=False).ngroup().to_numpy().copy()
    empty = keys.isna().any(axis=1).to_numpy()
    codes[empty] = len(data) + np.arange(int(empty.sum()))
    return pd.factorize(codes)[0]
