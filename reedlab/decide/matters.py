"""The smallest sizes that matter, and how sure it is that an effect is beyond one.

A direction alone is no news: with nothing there, one of two directions is always the likelier. So a
statement is graded by the probability that the effect has this direction and is beyond the smallest
size that matters to a maker. Where one question makes several comparisons, their effects are first
partially pooled towards none (`towards_none`): the largest of six is then no larger than what six
draws of chance would give.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtr

Floats = NDArray[np.float64]

SUCCESS = 0.05
"""Of a share of good reeds: five in a hundred."""
MINUTES = math.log(1.05)
"""Of log minutes: five per cent."""
MM = 0.02
"""Of a thickness, in millimetres."""

_SPREAD = 2.0
"""Scale of the half-normal on the spread of true effects, in smallest sizes that matter."""
_SPREADS = np.linspace(0.0, 4.0 * _SPREAD, 161)


@dataclass(frozen=True)
class Mixture:
    """A mixture of normals.

    Attributes
    ----------
    weight, mean, sd
        Of the parts, shape (parts,); weights sum to one.
    """

    weight: Floats
    mean: Floats
    sd: Floats

    def below(self, value: float) -> float:
        """Chance of a value below this one."""
        return float(self.weight @ ndtr((value - self.mean) / np.maximum(self.sd, 1e-12)))

    def quantile(self, chance: float) -> float:
        """Value with this chance below it."""
        from scipy.optimize import brentq

        low, high = (self.mean - 9 * self.sd).min() - 1e-9, (self.mean + 9 * self.sd).max() + 1e-9
        return float(brentq(lambda value: self.below(value) - chance, low, high, xtol=1e-9))

    def beyond(self, size: float) -> float:
        """Chance of being beyond a size, on the side where that is likelier."""
        return max(1.0 - self.below(size), self.below(-size))

    def within(self, size: float) -> float:
        """Chance of being nearer to 0 than a size."""
        return self.below(size) - self.below(-size)


def beyond(draws: ArrayLike, size: float) -> float:
    """Return the probability that an effect is beyond a size, on the side where it is likelier.

    The draws are 0 for no effect; the size is the smallest that matters, in their unit.

    Examples
    --------
    >>> beyond([0.02, 0.06, 0.07, -0.08], SUCCESS)
    0.5
    """
    drawn = np.asarray(draws, dtype=float)
    return float(max((drawn > size).mean(), (drawn < -size).mean()))


def towards_none(estimates: ArrayLike, sds: ArrayLike) -> list[Mixture]:
    """Pool the effects of several comparisons of one question partially towards none.

    With estimate e_j ~ N(d_j, s_j²), effects d_j ~ N(0, t²) and t half-normal with a scale of two
    smallest sizes that matter, given t the effect is N(w_j e_j, w_j s_j²) with
    w_j = t² / (t² + s_j²), and t has the density

        p(t | e) ∝ exp(-t² / (2 · 2²)) Π_j N(e_j; 0, t² + s_j²).

    Estimates, their standard deviations and the pooled effects are in smallest sizes that matter.
    Comparisons are taken as independent given t. Where they share reeds they are not quite, and t
    is then known a little less well than this says.

    References
    ----------
    Gelman, Hill and Yajima (2012), J Res Educ Effectiveness 5, 189-211.

    Examples
    --------
    The strongest of six comes nearer to none than it would alone:

    >>> alone, six = towards_none([2.0], [1.0]), towards_none([2.0, 0, 0, 0, 0, 0], [1.0] * 6)
    >>> six[0].beyond(1.0) < alone[0].beyond(1.0)
    True
    """
    e, s = np.asarray(estimates, dtype=float), np.maximum(np.asarray(sds, dtype=float), 1e-9)
    spread = _SPREADS[:, None]
    total = spread**2 + s**2
    log_density = (
        -0.5 * (e**2 / total + np.log(total)).sum(axis=1) - 0.5 * (_SPREADS / _SPREAD) ** 2
    )
    weight = np.exp(log_density - log_density.max())
    kept = spread**2 / total
    return [
        Mixture(weight / weight.sum(), kept[:, j] * e[j], np.sqrt(kept[:, j]) * s[j])
        for j in range(len(e))
    ]


def points(log_odds: ArrayLike, share: float) -> Floats:
    """Turn a change of log odds into one of a share of good reeds, `share` being that without it.

    Examples
    --------
    >>> points([0.0, 0.4], 0.5).round(3).tolist()
    [0.0, 0.099]
    """
    middle = np.log(share / (1 - share))
    return np.asarray(expit(middle + np.asarray(log_odds, dtype=float)) - share)
