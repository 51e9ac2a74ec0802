"""Small statistics that every floor uses: shares and their intervals, and averages of a normal.

References
----------
Korn, E. L., and Graubard, B. I. (1998). Confidence intervals for proportions with small expected
number of positive counts estimated from survey data. Survey Methodology, 24, 193-201.
Rao, J. N. K., and Scott, A. J. (1992). A simple method for the analysis of clustered binary data.
Biometrics, 48, 577-585.
Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. Journal
of the American Statistical Association, 22, 209-212.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray


@cache
def normal_nodes(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points z and weights w of Gauss-Hermite quadrature: E f(Z) is about Σ w f(z).

    Z is standard normal, and the weights sum to 1; n points are exact for polynomials of degree up
    to 2n - 1.

    Examples
    --------
    >>> z, w = normal_nodes(3)
    >>> round(float(w @ z**4), 10)
    3.0
    """
    points, weights = np.polynomial.hermite_e.hermegauss(n)
    return points, weights / weights.sum()


def quick_expit(eta: ArrayLike) -> NDArray[np.float32]:
    """Return the inverse logit to six digits, for averages over draws.

    Single precision takes a third of the time, and its error is far below that of any number of
    draws.

    Examples
    --------
    >>> [round(float(p), 4) for p in quick_expit([-1000.0, 0.0, 1.0])]
    [0.0, 0.5, 0.7311]
    """
    out: NDArray[np.float32] = np.negative(eta, dtype=np.float32, casting="same_kind")
    with np.errstate(over="ignore"):  # 1 / (1 + ∞) is 0
        np.exp(out, out=out)
    out += 1.0
    return np.reciprocal(out, out=out)


def wilson(
    hits: ArrayLike, of: ArrayLike, level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the ends of Wilson's interval of a share, missing for a count of none.

    Examples
    --------
    One of 29, from Newcombe (1998), Statistics in Medicine 17, 857-872, table I:

    >>> [round(float(end), 4) for end in wilson(1, 29, 0.95)]
    [0.0061, 0.1718]
    """
    from scipy.special import ndtri  # statsmodels' own takes a second to load

    good, n = (np.asarray(number, dtype=float) for number in (hits, of))
    z = -ndtri((1 - level) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share, shrink = good / n, 1 + z**2 / n
        middle = (share + z**2 / (2 * n)) / shrink
        half = z * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)) / shrink
    return middle - half, middle + half


def independent(hits: ArrayLike, of: ArrayLike, level: float) -> float:
    """Return how many independent cases a share is worth that was counted over groups.

    Cases of one group are alike, so that a share of many cases from few groups is known less well
    than its count says. The count is divided by the design effect (Rao and Scott), 1 at least, and
    by what is uncertain about that with few groups (Korn and Graubard). One group is one case; the
    level is that of the interval that it is for.

    Examples
    --------
    Four lots of five, all good or all bad, are worth less than four cases:

    >>> round(independent([5, 0, 5, 0], [5, 5, 5, 5], 0.9), 2)
    1.47
    """
    from scipy.special import ndtri, stdtrit

    good, cases = (np.asarray(number, dtype=float) for number in (hits, of))
    groups, n = len(cases), float(cases.sum())
    if groups < 2:
        return float(groups)
    share = good.sum() / n
    # Variance of the ratio between groups, over the binomial's.
    between = groups / (groups - 1) * ((good - share * cases) ** 2).sum() / n**2
    binomial = share * (1 - share) / n
    effect = max(between / binomial, 1.0) if binomial > 0 else 1.0
    tail = (1 + level) / 2
    few = (ndtri(tail) / stdtrit(groups - 1, tail)) ** 2
    return float(n / effect * few)


def with_wilson(frame: pd.DataFrame, hits: str, of: str, level: float = 0.95) -> pd.DataFrame:
    """Add ``share``, ``low`` and ``high`` to counts: the share and its Wilson interval.

    `hits` and `of` are the columns with the count and with what it is a count of.

    Examples
    --------
    >>> with_wilson(pd.DataFrame({"hits": [2], "of": [3]}), "hits", "of").round(2).iloc[0].tolist()
    [2.0, 3.0, 0.67, 0.21, 0.94]
    """
    low, high = wilson(frame[hits], frame[of], level)
    return frame.assign(share=frame[hits] / frame[of], low=low, high=high)
