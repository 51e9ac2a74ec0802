"""Simulated (quantile) residuals: the place of each response among those that the model simulates.

A 0/1 response has no residual to look at. Its quantile residual is the share of simulated
responses below it, ties broken at random: uniform between 0 and 1 if the model is right, for every
family. The simulations draw the groups' effects anew, so residuals of one lot go together; the
tests allow for it, because their nulls are the same statistics of the simulated data sets.

References
----------
Dunn, P. K. and Smyth, G. K. (1996). Randomized quantile residuals. Journal of Computational and
Graphical Statistics 5, 236-244. Gelman, A. and Hill, J. (2007). Data Analysis Using Regression and
Multilevel/Hierarchical Models, chapter 8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.mixed.ask.cautions import refuse_unusable
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.simulation import simulate


@dataclass(frozen=True)
class ResidualCheck:
    """Quantile residuals and what is tested of them.

    Attributes
    ----------
    residuals : Series
        One a row used (indexed by its place in the data frame), between 0 and 1.
    tests : DataFrame
        statistic, expected, p; rows "uniformity" (largest distance of the residuals' distribution
        from the uniform one), "dispersion" (variance of the responses about the simulated means,
        relative to the simulations') and "outliers" (rows beyond every simulation).
    """

    residuals: pd.Series
    tests: pd.DataFrame


def residuals(fitted: Fitted, n: int = 250, seed: int = 1) -> ResidualCheck:
    """Return quantile residuals with tests of uniformity, dispersion and outliers.

    Parameters
    ----------
    n : int
        Number of simulated responses, 20 at least.
    seed : int
        Seed of the simulations and of the ties.

    Returns
    -------
    ResidualCheck

    Raises
    ------
    ModelError
        For fewer than 20 responses, a fit without finite estimates (separation), or one that did
        not converge.

    Notes
    -----
    Each p-value is two-sided for dispersion and one-sided otherwise, and counts how many of the
    simulated data sets, each held against all others, go as far as the data. The fit itself has
    seen the data, so the tests reject a little too seldom. Of single 0/1 outcomes they see hardly
    anything, not even a missing curve: take :meth:`Fit.binned_residuals`.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("success ~ maker + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
    >>> model.residuals(n=99).tests.index.tolist()
    ['uniformity', 'dispersion', 'outliers']
    """
    refuse_unusable(fitted, "Residuals", groups=True)
    check_whole(n, 20, "n", "simulated responses")
    root = np.random.SeedSequence(seed)
    *seeds, last = root.spawn(n + 1)
    made = np.column_stack(
        [fitted.design.y, *(simulate(fitted, np.random.default_rng(s)) for s in seeds)]
    )
    ties = np.random.default_rng(last).random(made.shape)
    # order all n + 1 responses of a row, ties at random; each is then ranked among the others
    order = np.lexsort((ties, made), axis=1)
    rank = np.empty_like(order)
    np.put_along_axis(rank, order, np.arange(n + 1)[None], axis=1)
    jitter = np.random.default_rng(last.spawn(1)[0]).random(made.shape)
    places = (rank + jitter) / (n + 1)
    distance = _distance_from_uniform(places)
    centred = made - (made.sum(axis=1, keepdims=True) - made) / n
    spread = np.mean(centred**2, axis=0)
    outside = np.sum((rank == 0) | (rank == n), axis=0)
    usual = np.mean(spread[1:])  # 0 where the fit is sure of every outcome
    dispersion = spread / usual if usual > 0 else np.ones_like(spread)
    two_sided = min(_above(dispersion), _above(-dispersion))
    table = {
        "uniformity": (distance[0], np.mean(distance[1:]), _above(distance)),
        "dispersion": (dispersion[0], 1.0, min(1.0, 2.0 * two_sided)),
        "outliers": (outside[0], np.mean(outside[1:]), _above(outside)),
    }
    tests = pd.DataFrame.from_dict(table, orient="index", columns=["statistic", "expected", "p"])
    rows = fitted.design.rows_used
    return ResidualCheck(pd.Series(places[:, 0], index=rows, name="residual"), tests)


def _distance_from_uniform(residuals: np.ndarray) -> np.ndarray:
    """Kolmogorov's distance of each column from the uniform distribution."""
    n = len(residuals)
    ordered = np.sort(residuals, axis=0)
    steps = np.arange(n)[:, None] / n
    return np.maximum(ordered - steps, steps + 1.0 / n - ordered).max(axis=0)


def _above(statistic: np.ndarray) -> float:
    """Share of the data sets that go at least as far as the first."""
    return float(np.mean(statistic >= statistic[0]))
