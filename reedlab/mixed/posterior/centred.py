"""Random slopes counted from the middle of their predictor, where a prior can speak of intercepts.

In ``(x | lot)`` the intercepts are the lots' effects at x = 0, which may lie far from every reed: a
density of 0 is no cane. How far lots lie apart there follows from how far their slopes do, so that
a prior on the intercepts' standard deviation at 0 would hold the slopes together too. The posterior
therefore runs on columns less their means, like the fixed part's, and its draws are carried back:
with M the upper triangle that holds the means, ``u = M u_c`` and ``Σ_u = M Σ_c M'``. So `x` and
`x + 10` have the same posterior. In ``(x || lot)`` intercepts and slopes are independent at x = 0
and nowhere else, which is a statement about the lots and is left as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.posterior.conditional import Conditional
from reedlab.mixed.posterior.sampling import Sample


@dataclass(frozen=True)
class Centred:
    """A design whose random slopes are counted from their columns' means, and the way back.

    Attributes
    ----------
    design
        The design to explore: the given one where no term has an intercept and correlated slopes.
    moves
        M (k, k) of each term; none where its columns stay as they are.
    """

    design: Design
    moves: tuple[np.ndarray | None, ...]

    @classmethod
    def of(cls, design: Design) -> Centred:
        """Take the columns of correlated slopes less their means."""
        moves = tuple(_move(term) for term in design.terms)
        if all(M is None for M in moves):
            return cls(design, moves)
        terms = tuple(
            term if M is None else replace(term, basis=term.basis @ M)
            for term, M in zip(design.terms, moves)
        )
        return cls(replace(design, terms=terms), moves)

    def sds(self, fitted: Fitted) -> np.ndarray:
        """Return a fit's estimated standard deviations of all terms, at the columns' means."""
        inner = [
            covariance if M is None else np.linalg.solve(M, np.linalg.solve(M, covariance).T)
            for M, covariance in zip(self.moves, fitted.covariances)
        ]
        sds = [np.sqrt(np.maximum(np.diag(each), 0.0)) for each in inner]
        return np.concatenate([np.zeros(0), *sds])

    def back(self, cond: Conditional, sample: Sample) -> Sample:
        """Carry draws back to the columns as they were given."""
        points, effects = sample.points.copy(), sample.effects.copy()
        lambdas = cond.scales.lambdas(points)
        for t, (M, block) in enumerate(zip(self.moves, cond.blocks)):
            if M is None:
                continue
            levels = effects[:, block].reshape(len(effects), -1, len(M))
            effects[:, block] = (levels @ M.T).reshape(len(effects), -1)
            cond.scales.put(points, t, M @ lambdas[t])
        return replace(sample, points=points, effects=effects)


def _move(term: RandomTerm) -> np.ndarray | None:
    """M of a term with an intercept and correlated slopes whose columns have means."""
    if not term.correlated or term.k == 1 or "Intercept" not in term.names:
        return None
    at, means = term.names.index("Intercept"), term.basis.mean(axis=0)
    means[at] = 0.0
    if np.all(np.abs(means) <= 1e-12 * np.abs(term.basis).max(axis=0)):
        return None
    # u0 + u1 x = (u0 + u1 x̄) + u1 (x - x̄): the intercept at 0 is that at the mean less x̄ times
    # the slope, so M is the identity less the means in the intercept's row, and basis M is centred.
    M = np.eye(term.k)
    M[at] -= means
    return M
