"""Random terms in units of their own columns, so that a fit does not depend on how x was written.

For a term with basis B and B'B/n = R'R the fit runs on ``B R^-1``, whose random effects are R u: a
predictor in millimetres or in microns, from zero or from its mean, gives the same search. The
covariance is carried back by ``Σ_u = R^-1 Σ R^-T``. A random intercept alone is left as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design, RandomTerm


@dataclass(frozen=True)
class Standardised:
    """A design on standardised bases, and the way back."""

    design: Design  # the design to fit: the given one where every basis is the constant 1
    units: tuple[np.ndarray, ...]  # each (k, k) R of each term, diagonal for an uncorrelated one

    def forth(self, theta: np.ndarray) -> np.ndarray:
        """Carry θ of the given design over to the standardised one."""
        return self._carry(theta, self.units)

    def back(self, theta: np.ndarray) -> np.ndarray:
        """Carry θ of the standardised design back to the given one."""
        return self._carry(theta, tuple(np.linalg.inv(R) for R in self.units))

    def _carry(self, theta: np.ndarray, by: tuple[np.ndarray, ...]) -> np.ndarray:
        parts = []
        for term, lam, M in zip(self.design.terms, self.design.lambdas(theta), by):
            # A triangle times a triangle's transpose is no triangle: rotate it back by QR.
            rotated = np.linalg.qr((M @ lam).T)[1].T if term.correlated else M @ lam
            rotated = rotated * np.where(np.diag(rotated) < 0.0, -1.0, 1.0)
            rotated[np.abs(rotated) < 1e-13 * np.abs(rotated).max(initial=0.0)] = 0.0
            parts.append(rotated[term.theta_rows_cols])
        return np.concatenate(parts)


def standardise(design: Design) -> Standardised:
    """Put a design's random terms on standardised bases."""
    units = tuple(_unit(term) for term in design.terms)
    if all(np.array_equal(R, np.eye(len(R))) for R in units):
        return Standardised(design, units)
    terms = tuple(
        replace(term, basis=np.linalg.solve(R.T, term.basis.T).T)
        for term, R in zip(design.terms, units)
    )
    return Standardised(replace(design, terms=terms), units)


def _unit(term: RandomTerm) -> np.ndarray:
    gram = term.basis.T @ term.basis / len(term.basis)
    size = np.sqrt(np.diag(gram))
    if (size > 0.0).all():
        if not term.correlated:
            return np.diag(size)
        correlations = gram / np.outer(size, size)
        if np.linalg.eigvalsh(correlations)[0] > 1e-12:
            return np.linalg.cholesky(correlations).T * size
    raise ModelError(
        f"The columns of the random term ({', '.join(term.names)} | {term.group}) cannot be "
        "distinguished; leave out the one that repeats others."
    )
