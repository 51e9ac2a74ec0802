"""Summaries of posterior draws: the interval, and how often each choice is the lowest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def interval(draws: ArrayLike, level: float) -> Floats:
    """Return the central interval (2, ...) of draws (draws, ...).

    Examples
    --------
    >>> interval(np.arange(101.0), 0.9).round(6).tolist()
    [5.0, 95.0]
    """
    return np.quantile(np.asarray(draws, dtype=float), [(1 - level) / 2, (1 + level) / 2], axis=0)


def places(draws: ArrayLike, level: float) -> int:
    """Return how many decimals the ends of an interval carry, given their Monte Carlo error.

    The standard error of the q-quantile of n draws is that of its rank, sqrt(q (1 - q) / n), in the
    unit of the draws (Serfling 1980, section 2.3.3). The last decimal kept is the first that is not
    below it; of draws (draws, ...) the column with the largest error decides. 0 is for whole units,
    never more than 2; below 0 for tens and more.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> [places(rng.normal(24, sd, 4000), 0.9) for sd in (0.6, 6.0, 60.0)]
    [1, 0, -1]
    """
    drawn = np.asarray(draws, dtype=float)
    tail = (1 - level) / 2
    step = np.sqrt(tail * (1 - tail) / len(drawn))
    ends = [[max(at - step, 0.0), min(at + step, 1.0)] for at in (tail, 1 - tail)]
    error = max(float(np.max(np.diff(np.quantile(drawn, end, axis=0), axis=0))) / 2 for end in ends)
    return 2 if error <= 0.01 else int(min(2, np.floor(-np.log10(error))))


def amount(value: float, decimals: int) -> str:
    """Write an amount with the decimals that it carries, see `places`.

    Examples
    --------
    >>> amount(24.34, 0), amount(24.34, 1), amount(824.3, -1)
    ('24', '24.3', '820')
    """
    return f"{round(value, decimals):,.{max(decimals, 0)}f}"


def share_lowest(draws: ArrayLike) -> Floats:
    """Return in which share of the draws (draws, choices) each column is the lowest.

    The shares sum to one; columns that are the lowest alike share a draw.

    Examples
    --------
    >>> share_lowest([[1.0, 2.0], [3.0, 2.0], [1.0, 4.0], [0.0, 0.0]]).tolist()
    [0.625, 0.375]
    """
    draws = np.asarray(draws, dtype=float)
    lowest = draws == draws.min(axis=1, keepdims=True)
    share: Floats = (lowest / lowest.sum(axis=1, keepdims=True)).mean(axis=0)
    return share


def stacked(tables: Mapping[Any, pd.DataFrame], name: str) -> pd.DataFrame:
    """Return tables of the same columns one under another, their keys in a first column `name`.

    Examples
    --------
    >>> one = pd.DataFrame({"x": [1]})
    >>> stacked({"a": one, "b": one + 1}, "of").values.tolist()
    [['a', 1], ['b', 2]]
    """
    return pd.concat(tables, names=[name]).reset_index(name).reset_index(drop=True)
