"""Predictions for rows old and new, for levels known and unknown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.elementary import normal_nodes
from reedlab.errors import PredictionError
from reedlab.mixed.design.matrices import level_codes, new_columns
from reedlab.mixed.design.new_rows import new_terms
from reedlab.mixed.engine.fitted import Fitted


def predict(
    fitted: Fitted,
    data: pd.DataFrame | None = None,
    new_levels: str | Sequence[str] = (),
    random: bool = True,
    link: bool = False,
) -> Any:
    """Predict the mean response.

    A known level is taken at its conditional mode. A grouping named in ``new_levels`` is taken as
    one not met before, also where the data have it: the prediction is the mean over its
    distribution, closer to one half on the logit scale than that of a typical level.

    Parameters
    ----------
    data : DataFrame, optional
        New rows; the rows of the fit if not given.
    new_levels : str or sequence of str
        Columns or groupings whose levels are new: ``"supplier:lot"`` or ``"lot"``. A new
        ``"supplier"`` makes its lots new too.
    random : bool
        ``False`` sets every random effect to 0: the response at a typical level of everything.
    link : bool
        Predict the linear predictor instead of the mean response.

    Returns
    -------
    Series, or DataFrame with one column a grade for the ordinal family

    Raises
    ------
    PredictionError
        A column is missing, a factor's level was not seen, a grouping's level is unknown and not
        named in ``new_levels``, or there are ``new_levels`` without random effects.
    """
    design = fitted.design
    if new_levels and not random:
        raise PredictionError(
            "random=False sets every random effect to 0, so new_levels= has no effect: leave one "
            "of them out."
        )
    new = new_terms([term.group for term in design.terms], new_levels)
    known = [t for t in range(len(design.terms)) if random and t not in new]
    if data is None:
        X = design.X
        index: Any = np.arange(design.n) if design.rows_used is None else design.rows_used
        bases = [term.basis for term in design.terms]
        codes = {t: term.index for t, term in enumerate(design.terms)}
    else:
        X, bases = new_columns(fitted.recipe, data)
        parts, index = fitted.recipe.formula.random, data.index
        codes = {t: level_codes(parts[t], data, design.terms[t].levels) for t in known}
    eta = X @ fitted.beta
    for t in known:
        eta = eta + np.einsum("nk,nk->n", bases[t], fitted.modes[t][codes[t]])
    variance = np.zeros(len(eta))
    if random:
        for t in new:
            variance += np.einsum("nk,kj,nj->n", bases[t], fitted.covariances[t], bases[t])
    if link or fitted.family == "gaussian":
        return pd.Series(eta, index=index, name="link" if link else "mean")
    if fitted.family == "binomial":
        return pd.Series(mean_of_expit(eta, variance), index=index, name="mean")
    at_most = [mean_of_expit(cut - eta, variance) for cut in fitted.thresholds]
    bounds = np.column_stack([np.zeros(len(eta)), *at_most, np.ones(len(eta))])
    return pd.DataFrame(np.diff(bounds, axis=1), index=index, columns=list(design.grades))


def mean_of_expit(eta: np.ndarray, variance: np.ndarray, nodes: int = 80) -> np.ndarray:
    """Mean of the inverse logit of N(eta, variance), by Gauss-Hermite quadrature.

    Parameters
    ----------
    eta, variance : ndarray
        Of shapes that go together.
    nodes : int
        Fifteen are exact to 1e-8 at a variance of 1 and to 1e-3 at 9.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> mean_of_expit(np.array([0.0, 1.0]), np.array([1.0, 0.0])).round(3)
    array([0.5  , 0.731])
    """
    if not variance.any():
        return np.asarray(expit(eta))
    sd, out = np.sqrt(variance), np.zeros(np.broadcast_shapes(eta.shape, variance.shape))
    # E expit(η + σz) = Σ w_i expit(η + σ z_i), z standard normal (Gauss-Hermite)
    for node, weight in zip(*normal_nodes(nodes)):
        out += weight * expit(eta + node * sd)
    return out
