"""Responses that a fit makes up, and the fit of another response in the same rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import DataError
from reedlab.mixed.design.refusals import check_design, check_whole
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.simulation import simulate


def simulate_responses(fitted: Fitted, n: int = 1, seed: int = 1) -> pd.DataFrame:
    """Make up responses by the fitted model, every group's effects drawn anew.

    Parameters
    ----------
    n : int
        Number of responses.
    seed : int
        What they come from; response i is the same whatever the number.

    Returns
    -------
    DataFrame
        One row a row used (indexed by its place in the data frame), one column a response, 0 to
        n - 1: numbers, 0 and 1, counts of successes, or grades in their order. Each column is what
        :meth:`Fit.refit` takes.

    Raises
    ------
    ModelError
        For a number of responses under 1.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ 1 + (1 | lot)", simulate_reeds(seed=1)[0])
    >>> model.simulate(n=2).shape[1]
    2
    """
    check_whole(n, 1, "n", "responses")
    design = fitted.design
    seeds = np.random.SeedSequence(seed).spawn(n)
    made = np.column_stack([simulate(fitted, np.random.default_rng(s)) for s in seeds])
    index = np.arange(design.n) if design.rows_used is None else design.rows_used
    if fitted.family == "gaussian":
        return pd.DataFrame(made, index=index)
    whole = pd.DataFrame(made.astype(int), index=index)
    if fitted.family == "binomial":
        return whole
    grades = pd.CategoricalDtype(list(design.grades), ordered=True)
    return whole.apply(lambda codes: pd.Categorical.from_codes(codes, dtype=grades))


def with_response(fitted: Fitted, y: Sequence[Any]) -> Fitted:
    """Fit the same model to another response of the same rows; see `Fit.refit`."""
    design = fitted.design
    if not hasattr(y, "__len__") or len(y) != design.n:
        given = f"{len(y)} values" if hasattr(y, "__len__") else "no values"
        raise DataError(f"The response has {given}; the fit used {design.n} rows.")
    if design.grades:
        codes = pd.Index(design.grades).get_indexer(pd.Index([str(value) for value in y]))
        values = np.where(codes < 0, np.nan, codes)
        what = f"one of {', '.join(design.grades)}"
    else:
        values = pd.to_numeric(pd.Series(list(y)), errors="coerce").to_numpy(dtype=float)
        what = "a number"
    wrong = ~np.isfinite(values)
    if wrong.any():
        at = int(np.argmax(wrong))
        one = np.asarray(y).tolist()[at]
        raise DataError(
            f"Value {at} (counted from 0) of the response is {one!r}, not {what}; "
            f"{int(wrong.sum())} values are so."
        )
    other = design.with_response(values)
    check_design(other, fitted.family)
    again = fitted.refit(other)
    return replace(again, recipe=fitted.recipe, frame=_replaced(fitted, y))


def _replaced(fitted: Fitted, y: Sequence[Any]) -> Any:
    """Rows of the frame with the other response, where that is a column as it stands."""
    column = fitted.recipe.formula.response.strip("`") if fitted.recipe is not None else None
    if column is None or column not in fitted.frame.columns:
        return fitted.frame
    values = fitted.frame[column].astype(object).to_numpy().copy()
    values[fitted.design.rows_used] = list(y)
    replaced = pd.Series(values, index=fitted.frame.index)
    return fitted.frame.assign(**{column: replaced.infer_objects()})
