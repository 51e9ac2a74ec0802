"""Whether lots that turn out well also scrape fast: the correlation of a lot's two effects.

Success and minutes are fitted separately, as if a lot's effects on the two were independent. Their
posterior draws are then weighed by how much likelier each correlation makes them than independence
does, which gives the correlation's own posterior. Five to thirty lots say little of it: it stays
near none unless they speak clearly.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from reedlab.mixed.posterior.nested_laplace import Posterior

_GRID = np.linspace(-0.9, 0.9, 37)
_PAIRINGS = 4
"""Ways in which the draws of the two posteriors are paired; they are independent."""
LEVEL = 0.9


def correlations(success: Posterior, pace: Posterior, seed: int = 1) -> np.ndarray:
    """Draw the correlation of lots' effects on success and on log minutes.

    Parameters
    ----------
    success, pace
        Posteriors of success and of log minutes, whatever the outcome, with lots as a random term.
    seed
        Of the pairings and of the draws.

    Returns
    -------
    ndarray
        As many draws as `success` has, each -0.9 to 0.9.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(11,)))
    ours, theirs = _standardised(success), _standardised(pace)
    lots = ours.columns.intersection(theirs.columns)
    a, b = ours[lots].to_numpy(), theirs[lots].to_numpy()
    squares, product = [], []
    for _ in range(_PAIRINGS):
        other = b[rng.permutation(np.arange(len(a)) % len(b))]
        squares.append(np.sum(a**2 + other**2, axis=1))
        product.append(np.sum(a * other, axis=1))
    # Density of pairs with correlation r over that of independent ones, lot by lot, multiplied:
    # (1 - r²)^(-L/2) exp(-(r² (|a|² + |b|²) - 2 r a·b) / (2 (1 - r²))), averaged over the draws;
    # LKJ with shape 2 for r is proportional to 1 - r² (Lewandowski et al. 2009).
    s, c, r = np.concatenate(squares), np.concatenate(product), _GRID[:, None]
    apart = 1.0 - r**2
    log_weight = -0.5 * len(lots) * np.log(apart) - (r**2 * s - 2 * r * c) / (2 * apart)
    log_density = logsumexp(log_weight, axis=1) + np.log(apart[:, 0])
    chance = np.exp(log_density - logsumexp(log_density))
    return np.asarray(rng.choice(_GRID, len(a), p=chance))


def _standardised(post: Posterior) -> pd.DataFrame:
    """Draws of the lots' effects in units of each draw's own standard deviation of lots."""
    group = next(t.group for t in post.design.terms if t.group in ("supplier:lot", "lot"))
    sd = np.maximum(post.draws()[f"sd {group}"].to_numpy(), 1e-12)
    effects = post.levels_draws(group)
    names = [str(level).split(":")[-1] for level in effects.columns]
    return (effects / sd[:, None]).set_axis(names, axis=1)


def said(draws: np.ndarray) -> tuple[str, ...]:
    """Say how a lot's minutes go with its success, where it surely matters.

    Parameters
    ----------
    draws
        From `correlations`.

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
