"""What it may cost to decide now, and what one more lot would be worth knowing.

Everything is counted in net benefit per tied piece. A choice made on posterior means loses, in
expectation, the regret: the benefit of the truly best supplier less that of the chosen one, which
is also the most that any further record could be worth (the expected value of perfect
information). A sample is worth the part of that which it lets the maker keep (expected value of
sample information, Raiffa and Schlaifer 1961).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, xlog1py, xlogy

Floats = NDArray[np.float64]
RESULTS = 400
"""Results of a trial that are simulated; no more than there are draws."""


def expected_regret(benefit: ArrayLike) -> Floats:
    """Return what each choice is expected to lose against the best one, were it known.

    From net benefits (draws, choices). Never negative; the smallest is the expected value of
    perfect information.

    Examples
    --------
    >>> expected_regret([[3.0, 1.0], [0.0, 1.0]])
    array([0.5, 1. ])
    """
    benefit = np.asarray(benefit, dtype=float)
    return (benefit.max(axis=1, keepdims=True) - benefit).mean(axis=0)


def value_of_sample(benefit: ArrayLike, likelihood: ArrayLike) -> float:
    """Return the expected value of a sample before the choice is made, in the unit of the benefit.

    For each result y that the sample may have, the net benefits (draws, choices) are averaged over
    the draws in proportion to how likely each draw makes y; the choice that is best then is made
    then:

    EVSI = Σ_y P(y) max_d E[benefit_d | y] - max_d E[benefit_d].

    `likelihood` (draws, results) is the probability of each result under each draw: of all results,
    so that rows sum to one and nothing is simulated but the draws themselves, or of simulated ones
    as `sampled_likelihood` gives it.

    References
    ----------
    Raiffa and Schlaifer (1961), Applied Statistical Decision Theory. Ades, Lu and Claxton (2004),
    Medical Decision Making 24, 207-227.

    Examples
    --------
    A sample that shows which of two states holds is worth the whole regret:

    >>> value_of_sample([[3.0, 1.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 1.0]])
    0.5
    """
    benefit, likelihood = np.asarray(benefit, dtype=float), np.asarray(likelihood, dtype=float)
    joint = likelihood.T @ benefit / len(benefit)
    now = joint.sum(axis=0).max()
    return max(0.0, float(joint.max(axis=1).sum() - now))


def binomial_likelihood(chance: ArrayLike, reeds: int) -> Floats:
    """Return how likely each count of good reeds is under each draw of the chance.

    For `value_of_sample`: binomial probabilities (draws, reeds + 1); rows sum to one.

    Examples
    --------
    >>> binomial_likelihood([0.5], 2).round(2).tolist()
    [[0.25, 0.5, 0.25]]
    """
    p = np.asarray(chance, dtype=float)[:, None]
    y = np.arange(reeds + 1)
    ways = gammaln(reeds + 1) - gammaln(y + 1) - gammaln(reeds - y + 1)
    return np.exp(ways + xlogy(y, p) + xlog1py(reeds - y, -p))


@dataclass(frozen=True)
class Pace:
    """Scraping minutes of a lot's reeds of one outcome, by posterior draw.

    Attributes
    ----------
    mean
        Of minutes, in the lot, shape (draws,).
    log_sd
        Standard deviation of log minutes between its reeds, shape (draws,).
    """

    mean: Floats
    log_sd: Floats


def sampled_likelihood(
    chance: ArrayLike, paces: tuple[Pace, Pace], reeds: int, seed: int
) -> Floats:
    """Simulate what a trial shows, its minutes too, and return how likely each draw makes it.

    A result is the count of good reeds with the mean log minutes of the good and of the failed
    ones. Each comes from another of the draws, evenly taken. For `value_of_sample`: each column's
    mean over the draws is one over the number of results.
    """
    p = np.clip(np.asarray(chance, dtype=float), 1e-12, 1 - 1e-12)
    rng = np.random.default_rng(seed)
    truth = np.linspace(0, len(p) - 1, min(RESULTS, len(p))).astype(int)
    good = rng.binomial(reeds, p[truth])
    # A log likelihood is a sum of what a draw says times what a result shows, so it is one product:
    # y log p + (n - y) log(1 - p), and for each pace -m (x - c)² / 2 sd² - log sd.
    of_draw, of_result = [np.log(p), np.log1p(-p)], [good, reeds - good]
    for pace, count in zip(paces, (good, reeds - good), strict=True):
        sd = np.maximum(pace.log_sd, 0.01)  # minutes rounded alike have none
        centre = np.log(pace.mean) - sd**2 / 2
        seen = np.maximum(count, 1)
        shown = centre[truth] + sd[truth] / np.sqrt(seen) * rng.standard_normal(len(truth))
        middle = centre.mean()
        off, shown = centre - middle, shown - middle  # so that nothing large cancels
        of_draw += [-0.5 / sd**2, off / sd**2, -0.5 * off**2 / sd**2, -np.log(sd)]
        of_result += [count * shown**2, count * shown, count, count > 0]
    # One row a result, worked on in place, and single precision for the exponentials, which would
    # take most of the time that a trial's worth takes.
    log_likely = np.array(of_result, dtype=float).T @ np.array(of_draw)
    log_likely -= log_likely.max(axis=1, keepdims=True)
    single = log_likely.astype(np.float32)
    likely = np.exp(single, out=single).astype(float)
    likely /= likely.mean(axis=1, keepdims=True) * len(truth)
    return likely.T
