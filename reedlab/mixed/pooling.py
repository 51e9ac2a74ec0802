"""Pooling over imputations: what the gaps cost, and how far chance in filling them in goes.

References
----------
Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. White, I. R., Royston, P. and
Wood, A. M. (2011). Multiple imputation using chained equations. Statistics in Medicine 30, 377-399
(Monte Carlo errors by jackknife).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd


def information(draws: np.ndarray, names: Sequence[str], level: float = 0.95) -> pd.DataFrame:
    """Say what is missing of the information on each parameter.

    Parameters
    ----------
    draws
        Posterior draws of each completed data set (m, draws, parameters).
    names
        Of the parameters.
    level
        Of the interval whose ends are judged.

    Returns
    -------
    DataFrame
        One row a parameter: mean, sd (of the mixed draws), missing (Rubin's fraction of missing
        information), mean_error, low_error, high_error: Monte Carlo errors of the mean and of the
        interval's ends, by leaving out one imputation at a time.
    """
    m, _, p = draws.shape
    kept = [np.delete(draws, i, axis=0).reshape(-1, p) for i in range(m)]
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    mixed = draws.reshape(-1, p)
    return pd.DataFrame(
        {
            "mean": mixed.mean(axis=0),
            "sd": mixed.std(axis=0, ddof=1),
            "missing": rubin(draws.mean(axis=1), draws.var(axis=1, ddof=1))["missing"].to_numpy(),
            "mean_error": _jackknife([d.mean(axis=0) for d in kept]),
            "low_error": _jackknife([np.quantile(d, tails[0], axis=0) for d in kept]),
            "high_error": _jackknife([np.quantile(d, tails[1], axis=0) for d in kept]),
        },
        index=list(names),
    )


def rubin(estimates: np.ndarray, variances: np.ndarray) -> pd.DataFrame:
    """Pool estimates of completed data sets by Rubin's rules.

    Parameters
    ----------
    estimates, variances
        Estimates and their squared standard errors (m, parameters).

    Returns
    -------
    DataFrame
        One row a parameter: estimate, within, between, total (variances), df, missing (fraction of
        missing information, Rubin 1987, 3.1.10).

    Examples
    --------
    >>> rubin(np.array([[1.0], [2.0], [3.0]]), np.full((3, 1), 2.0)).round(3).iloc[0].tolist()
    [2.0, 2.0, 1.0, 3.333, 12.5, 0.477]
    """
    m = len(estimates)
    within, between = variances.mean(axis=0), estimates.var(axis=0, ddof=1)
    extra = (1.0 + 1.0 / m) * between
    ratio = extra / within
    df = np.full(len(ratio), np.inf)
    np.divide((m - 1) * (1.0 + ratio) ** 2, ratio**2, out=df, where=ratio > 0.0)
    return pd.DataFrame(
        {
            "estimate": estimates.mean(axis=0),
            "within": within,
            "between": between,
            "total": within + extra,
            "df": df,
            "missing": (ratio + 2.0 / (df + 3.0)) / (1.0 + ratio),
        }
    )


def _jackknife(left_out: Sequence[np.ndarray]) -> np.ndarray:
    """Give a statistic's standard error from its values with one imputation left out (m, p)."""
    m = len(left_out)
    return np.asarray(np.sqrt((m - 1) ** 2 / m * np.var(left_out, axis=0, ddof=1)))
