"""Draws of everything unknown: proposed from the lattice, weighed by the truth, resampled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.conditional import Conditional
from reedlab.mixed.posterior.importance import pareto_smooth
from reedlab.mixed.posterior.lattice import Lattice, propose

_SPARE = 1.25  # proposals for each draw kept
_BATCH = 100_000  # rows times draws at once, so that they stay in the cache


@dataclass(frozen=True)
class Sample:
    """Equally weighted draws of everything unknown."""

    points: np.ndarray  # the standard deviations' coordinates (S, d), see `Scales`
    # (u, β), shape (S, m): the groups' effects on the linear predictor's scale, then β
    effects: np.ndarray
    # shape of the importance weights' tail; over 0.7 the draws are not to be trusted
    pareto_k: float
    effective: float  # effective number of the proposals, as a share of them

    def first(self, n: int | None) -> Sample:
        """Return the first n draws, all of them if n is None."""
        return replace(self, points=self.points[:n], effects=self.effects[:n])


def draw(cond: Conditional, lattice: Lattice, n: int, seed: np.random.SeedSequence) -> Sample:
    """Propose n draws, weigh them by the true joint density, resample to equal weights."""
    rng = np.random.default_rng(seed)
    with one_thread():
        proposal = propose(cond, lattice, int(np.ceil(n * _SPARE)), rng)
        # Log importance weight: log p(y, v, β | sds) + log p(sds) - log of the proposal's density.
        log_weight = cond.scales.log_prior(proposal.points) - proposal.log_density
        step = max(1, _BATCH // cond.design.n)
        for at in range(0, len(log_weight), step):
            rows = slice(at, at + step)
            log_weight[rows] += cond.log_joint(proposal.x[rows], proposal.points[rows])
    weight, k = pareto_smooth(log_weight)
    # Systematic resampling: equally spaced points through the cumulated weights, one random start,
    # so that a proposal of weight w is kept n w times to within one.
    even = (np.arange(n) + rng.random()) / n
    kept = np.minimum(np.searchsorted(np.cumsum(weight), even), len(weight) - 1)
    kept = rng.permutation(kept)
    effects = cond.scale(proposal.x[kept], proposal.points[kept])
    # Effective share: 1 / Σ w² of the normalised weights (Kong 1992), over their number.
    share = 1.0 / (np.sum(weight**2) * len(weight))
    return Sample(proposal.points[kept], effects, k, share)
