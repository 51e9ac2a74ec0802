"""What a bench can distinguish: which levels met which conditions, and how evenly.

Suppliers bought from in summer only, a maker who came when the other left: such records cannot
separate the two in any model. The design table counts; the variance inflation says how much
longer the way to an answer is than in a balanced design of the same size. Over four times the
variance (twice the interval), the answer is "cannot tell".
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from reedlab.errors import DataError
from reedlab.mixed.engine.fitted import Fitted

CANNOT_TELL = 4.0
"""Variance of a contrast, relative to a balanced design of the same size, above which the records
cannot determine it."""


@dataclass(frozen=True)
class DesignTable:
    """Counts and comparability of a factor's levels over another factor.

    Attributes
    ----------
    counts : DataFrame
        Rows by level of the factor (index) and of the condition (columns).
    contrasts : DataFrame
        One row a pair of levels: first, second, inflation (variance of their difference, the
        condition allowed for, over that of a balanced design of as many rows; infinite where
        nothing connects the two), comparable.
    """

    counts: pd.DataFrame
    contrasts: pd.DataFrame

    @property
    def comparable(self) -> bool:
        """Whether every pair of levels can be compared."""
        return bool(self.contrasts["comparable"].all())


def design_table(fitted: Fitted, factor: str, condition: str) -> DesignTable:
    """Count levels of a factor under each condition and say which pairs can be compared.

    Parameters
    ----------
    factor : str
        What is to be compared, a column of the data: "supplier" or "maker".
    condition : str
        What must not be mistaken for it: "season", or a column of quarters or months. Rows with
        either empty are left out.

    Returns
    -------
    DesignTable

    Raises
    ------
    DataError
        When a column is missing, both are one, or the factor has one level only.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ season + (1 | supplier)", simulate_reeds()[0], "binomial")
    >>> model.design_table("supplier", "season").counts.shape
    (5, 4)
    """
    data = fitted.data
    for column in (factor, condition):
        if column not in data.columns:
            raise DataError(f"the data have no column {column!r}: name one that they have.")
    if factor == condition:
        raise DataError(f"{factor!r} is both factor and condition: name two columns.")
    rows = data[[factor, condition]].dropna().astype("category")  # which keeps an order given
    used = rows.apply(lambda column: column.cat.remove_unused_categories())
    counts = pd.crosstab(used[factor], used[condition])
    if len(counts) < 2:
        raise DataError(f"the column {factor!r} has fewer than two levels, so nothing to compare.")
    table = counts.to_numpy(dtype=float)
    k, n = len(table), table.sum()
    # Schur complement of X'X: information on the factor, the condition's means taken out
    share = table / table.sum(axis=0)
    information = np.diag(table.sum(axis=1)) - table @ share.T
    unit, found = np.eye(k), []
    for i, j in combinations(range(k), 2):
        inflation = contrast_variance(information, unit[i] - unit[j]) / (2.0 * k / n)
        found.append((counts.index[i], counts.index[j], inflation, inflation <= CANNOT_TELL))
    names = ["first", "second", "inflation", "comparable"]
    return DesignTable(counts, pd.DataFrame(found, columns=names))


def contrast_variance(information: np.ndarray, contrast: np.ndarray) -> float:
    """Return the variance of a contrast of coefficients, in units of the residual variance.

    c'(X'X)⁻c, infinite where the design does not determine it: where c is no combination of the
    rows of X (Searle 1971, Linear Models, section 5.4).

    >>> contrast_variance(np.diag([4.0, 2.0]), np.array([1.0, -1.0]))  # four and two reeds
    0.75
    >>> contrast_variance(np.diag([4.0, 0.0]), np.array([1.0, -1.0]))
    inf
    """
    inverse = np.linalg.pinv(information, rcond=1e-10, hermitian=True)
    estimable = np.allclose(contrast @ inverse @ information, contrast, atol=1e-6)
    return float(contrast @ inverse @ contrast) if estimable else float("inf")
