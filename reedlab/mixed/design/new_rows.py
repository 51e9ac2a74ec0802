"""New rows as a fit or a posterior reads them: columns, and levels known or new."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from reedlab.errors import PredictionError
from reedlab.mixed.design.matrices import Recipe, level_codes, new_columns
from reedlab.mixed.design.terms import Design


def read_rows(
    recipe: Recipe | None, design: Design, data: pd.DataFrame, new_levels: str | Collection[str]
) -> tuple[np.ndarray, list[np.ndarray], list[np.ndarray]]:
    """Turn new data into columns of X (n, p), and for each random term its columns and levels.

    A new "supplier" makes its lots new too. Numbers from a term's number of levels on are new
    levels.
    """
    if recipe is None:
        raise PredictionError("This model was made without a formula and cannot read new data.")
    parts = recipe.formula.random
    new = new_terms([part.group for part in parts], new_levels)
    X, bases = new_columns(recipe, data)
    codes = [
        term.n_levels + _new_codes(part.columns, data)
        if t in new
        else level_codes(part, data, term.levels)
        for t, (part, term) in enumerate(zip(parts, design.terms))
    ]
    return X, bases, codes


def new_terms(groups: Sequence[str], new_levels: str | Collection[str]) -> list[int]:
    """Places of the groupings that have new levels, by their names or those of their columns."""
    names = {new_levels} if isinstance(new_levels, str) else set(new_levels)
    parts = [{group, *group.split(":")} for group in groups]
    strange = sorted(names.difference(*parts))
    if strange:
        raise PredictionError(
            f"There is no grouping {strange[0]!r} to take as new; the model has "
            f"{', '.join(groups) or 'none'}."
        )
    return [t for t, part in enumerate(parts) if part & names]


def _new_codes(columns: tuple[str, ...], data: pd.DataFrame) -> np.ndarray:
    """Codes of new levels: one a distinct label, one a row where a column is missing or empty."""
    if not set(columns) <= set(data.columns):
        return np.arange(len(data))
    keys = data[list(columns)]
    codes = keys.astype(str).groupby(list(columns), sort=False).ngroup().to_numpy().copy()
    empty = keys.isna().any(axis=1).to_numpy()
    codes[empty] = len(data) + np.arange(int(empty.sum()))
    return pd.factorize(codes)[0]
