"""Whether lots that turn out well also scrape fast: the correlation of a lot's two effects.

Success and minutes are fitted separately, as if a lot's effects on the two were independent. A lot
of 20 reeds shows its own effect blurred, which flattens the correlation of what is seen
(attenuation); the density of both effects as seen, at each correlation, gives the correlation's own
posterior. Five to thirty lots say little of it: it stays near none unless they speak clearly.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from reedlab.mixed.posterior.nested_laplace import Posterior

_GRID = np.linspace(-0.9, 0.9, 37)
_LEAST_SEEN = 1e-3
LEVEL = 0.9


def correlations(success: Posterior, pace: Posterior, seed: int = 1) -> np.ndarray:
    """Draw the correlation of lots' effects on success and on log minutes of good reeds.

    Lots are a random term of both; as many draws as `success` has, each -0.9 to 0.9.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(11,)))
    ours, theirs = _standardised(success), _standardised(pace)
    lots = ours.columns.intersection(theirs.columns)
    (a, seen), (b, seen_too) = _as_seen(ours[lots]), _as_seen(theirs[lots])
    # Density of the pairs if effects correlate by r over that if they do not, lot by lot,
    # multiplied: with s = r sqrt(reliability of a x that of b) (Spearman 1904),
    # (1 - s²)^(-1/2) exp(-(s² (a² + b²) - 2 s a b) / (2 (1 - s²)));
    # LKJ with shape 2 for r is proportional to 1 - r² (Lewandowski et al. 2009).
    s = _GRID[:, None] * np.sqrt(seen * seen_too)
    apart = 1.0 - s**2
    log_density = -0.5 * np.log(apart) - (s**2 * (a**2 + b**2) - 2 * s * a * b) / (2 * apart)
    log_chance = log_density.sum(axis=1) + np.log(1.0 - _GRID**2)
    chance = np.exp(log_chance - logsumexp(log_chance))
    return np.asarray(rng.choice(_GRID, len(ours), p=chance))


def _as_seen(draws: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Lots' effects as seen, each of variance 1, and the reliability of each.

    An effect of prior variance 1 that is seen with noise of variance w has a posterior of variance
    v = w / (1 + w) and a mean that varies by 1 - v = 1 / (1 + w), its reliability.
    """
    reliability = np.maximum(1.0 - draws.var().to_numpy(), _LEAST_SEEN)
    return draws.mean().to_numpy() / np.sqrt(reliability), reliability


def _standardised(post: Posterior) -> pd.DataFrame:
    """Draws of the lots' effects in units of each draw's own standard deviation of lots."""
    group = next(t.group for t in post.design.terms if t.group in ("supplier:lot", "lot"))
    sd = np.maximum(post.draws()[f"sd {group}"].to_numpy(), 1e-12)
    effects = post.levels_draws(group)
    names = [str(level).split(":")[-1] for level in effects.columns]
    return (effects / sd[:, None]).set_axis(names, axis=1)


def said(draws: np.ndarray) -> tuple[str, ...]:
    """Say how a lot's minutes go with its success, by `correlations`, where it surely matters.

    Examples
    --------
    >>> said(np.array([-0.8, -0.7, -0.6]))[0][:52]
    'Lots with more good reeds take less time to scrape ('
    """
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    if low <= 0 <= high:
        return ()
    time = "less" if high < 0 else "more"
    return (
        f"Lots with more good reeds take {time} time to scrape (correlation {draws.mean():.1f}, "
        f"{low:.1f} to {high:.1f}); the costs allow for it.",
    )
