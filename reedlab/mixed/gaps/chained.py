"""Chained equations for measurements that some pieces lack: draws of what would have been read.

Each incomplete column x has a normal model of its own, in units of its measured standard
deviation,

    x = Z u + B β + e,   u_g ~ N(0, sd_g²),   e ~ N(0, σ²),

whose predictors B hold everything else that is known of a piece, its outcome among it, and the
other incomplete columns as they are filled in at the moment. A cycle visits the columns in turn and
draws the standard deviations, then (u, β), then the missing values. Parameters are drawn, never
fixed at estimates, so that the filled-in values carry the whole of the uncertainty. The standard
deviations are drawn by slice sampling from their own density, (u, β) integrated out, so that a
chain settles in a few cycles.

Columns that are missing together must not be guessed from one another's guesses: a column enters
another's equation only if it comes before it in the order of visits (fewest gaps first), or was
read on a tenth at least of the pieces that lack the other. Where every piece that lacks the first
lacks the second too (a monotone pattern), that is the sequence of regressions that needs no cycles.

A group without any measured piece has no rows in its column's model: its effect is drawn from the
spread between groups, which is all that is known of it.

Priors are those of `priors.py` for a Gaussian response: half-normal on every standard deviation
with the column's own as scale, normal(0, 2.5) on the intercept and on coefficients of standardised
columns.

References
----------
Schafer, J. L. and Yucel, R. M. (2002). Computational strategies for multivariate linear
mixed-effects models with missing values. Journal of Computational and Graphical Statistics 11,
437-457. van Buuren, S. (2018). Flexible Imputation of Missing Data, 2nd ed., chapters 4 and 7.
Neal, R. M. (2003). Slice sampling. Annals of Statistics 31, 705-767.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.sparse import csr_matrix

from reedlab.mixed.posterior.priors import Priors

LEAST_SHARED = 0.1
"""Share of the pieces lacking a column on which another must be read to be its predictor."""
_PRIORS = Priors(sd_scale=1.0)  # of a response in units of its own standard deviation
_FURTHEST = 20  # steps that a slice may take to either side


@dataclass(frozen=True)
class Pieces:
    """What is known of every piece, ready for the chain."""

    names: tuple[str, ...]  # the incomplete columns
    # (pieces, k) their readings less `centre` over `scale`; NaN where not measured
    values: np.ndarray
    centre: np.ndarray  # centre, scale: (k,) mean and standard deviation of each column's readings
    scale: np.ndarray
    known: np.ndarray  # (pieces, p) complete predictors, standardised
    groups: tuple[np.ndarray, ...]  # (pieces,) for each grouping the level of each piece


@dataclass(frozen=True)
class Chain:
    """Where one chain ended and how it went.

    Attributes
    ----------
    values : ndarray, shape (pieces, k)
        The columns filled in, in their own units.
    means, sds : ndarray, shape (cycles, k)
        Mean and standard deviation of each column's filled-in values after each cycle.
    """

    values: np.ndarray
    means: np.ndarray
    sds: np.ndarray


@dataclass(frozen=True)
class Sums:
    """What the measured rows say of a column's parameters: sums of squares and products.

    The grouping with the most levels comes first: its block of C'C is diagonal, and eliminating it
    first keeps time and memory in proportion to its levels.
    """

    counts: np.ndarray  # (levels,) diagonal of C'C of that grouping
    cross: np.ndarray  # (levels, r) c'C of that grouping with the r columns of the others and of B
    gram: np.ndarray  # (r, r) c'C of those r columns
    right: np.ndarray  # c'x of the measured rows of C = [Z B]
    square: float  # square, n: x'x, and the number of rows
    n: int
    # which standard deviation scales each column of C; the last place, σ's, for a column of B
    sd_of: np.ndarray
    prior: np.ndarray  # (r,) prior precision of z for those columns

    def factor(self, point: np.ndarray) -> Factor:
        """Factor H of (u, β) = s z with z ~ N(H⁻¹ r, H⁻¹), given the standard deviations."""
        # Some thousand times a chain, on matrices so small that each call of numpy counts.
        m = len(self.counts)
        sds = point.copy()
        sds[-1] = 1.0
        scale = sds[self.sd_of]
        first, rest = scale[:m], scale[m:]
        weight = np.exp(-2.0 * point[-1])
        # Precision of z: S C'C S / σ² + prior; its right side S C'x / σ² (van Buuren 2018, 3.2)
        own = weight * first
        root = np.sqrt(own * first * self.counts + 1.0)
        below = self.cross * (own / root)[:, None]
        below *= rest
        schur = self.gram * rest
        schur *= (weight * rest)[:, None]
        schur -= below.T @ below
        schur.ravel()[:: len(rest) + 1] += self.prior
        chol = dpotrf(schur, lower=1)[0]
        half = weight * scale * self.right
        half[:m] /= root
        half[m:] = dtrtrs(chol, half[m:] - half[:m] @ below, lower=1)[0]
        return Factor(root, below, chol, half, scale)

    def log_density(self, point: np.ndarray) -> float:
        """Log posterior density of (standard deviations, log σ), effects integrated out."""
        sds, log_sigma = point[:-1], float(point[-1])
        if sds.min(initial=0.0) < 0.0:
            return -np.inf
        found = self.factor(point)
        half, pivots = found.half, found.chol.diagonal()
        if not (found.root.min(initial=1.0) > 0.0 and pivots.min() > 0.0):
            return -np.inf  # so small a σ that nothing is left of the rest
        sigma = np.exp(log_sigma)
        # log ∫ N(x | C s z, σ²) N(z | 0, prior) dz = ½ r'H⁻¹r - x'x / 2σ² - ½ log det H - n log σ,
        # and one log σ back for the Jacobian of σ -> log σ
        determinant = np.log(found.root).sum() + np.log(pivots).sum()
        fit = 0.5 * (half @ half - self.square / sigma**2) - determinant
        prior = sds @ sds / _PRIORS.sd_scale**2 + (sigma / _PRIORS.residual_scale) ** 2
        return float(fit - 0.5 * prior - (self.n - 1) * log_sigma)


@dataclass(frozen=True)
class Factor:
    """H = LL' with L = [[diag(root), 0], [below', chol]].

    Attributes
    ----------
    root, below, chol : ndarray, shapes (levels,), (levels, r), (r, r)
        The blocks of L.
    half : ndarray
        L⁻¹r.
    scale : ndarray
        The scales s.
    """

    root: np.ndarray
    below: np.ndarray
    chol: np.ndarray
    half: np.ndarray
    scale: np.ndarray

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """Draw (u, β): z = H⁻¹r + L'⁻¹ε, ε standard normal, has covariance (LL')⁻¹ = H⁻¹."""
        z = self.half + rng.standard_normal(len(self.half))
        first, rest = np.split(z, [len(self.root)])  # both are parts of z
        rest[:] = dtrtrs(self.chol, rest, lower=1, trans=1)[0]
        first -= self.below @ rest
        first /= self.root
        return self.scale * z


class Equation:
    """The model of one incomplete column, and the state of its standard deviations.

    Parameters
    ----------
    measured : ndarray of bool, shape (pieces,)
        The pieces measured.
    groups : tuple of ndarray
        See `Pieces`.

    Attributes
    ----------
    point : ndarray
        The standard deviations of the groupings, and log σ.
    """

    def __init__(self, measured: np.ndarray, groups: tuple[np.ndarray, ...]) -> None:
        self.measured = measured
        order = sorted(range(len(groups)), key=lambda i: -int(groups[i].max()))
        ordered = [groups[i] for i in order]
        sizes = [int(codes.max()) + 1 for codes in ordered]
        n, ends = len(measured), np.cumsum([0, *sizes])
        columns = np.array([codes + end for codes, end in zip(ordered, ends)], dtype=int).ravel()
        rows = np.tile(np.arange(n), len(ordered))
        Z = csr_matrix((np.ones(len(rows)), (rows, columns)), shape=(n, int(ends[-1])))
        own, self._first = Z[measured], max(sizes, default=0)
        self._sd_of = np.repeat(order, sizes).astype(int)
        self._own, self._lacking = own.T.tocsr(), Z[~measured]
        self._counts = np.asarray(own[:, : self._first].sum(axis=0)).ravel()
        others = own[:, self._first :]
        self._cross = (own[:, : self._first].T @ others).toarray()
        self._gram = (others.T @ others).toarray()
        self.point = np.append(np.full(len(groups), 0.3), np.log(0.8))

    def draw(self, x: np.ndarray, B: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Draw the parameters given the measured x (pieces,), then x where it was not measured.

        Values of x where it was not measured are not read; B are the predictors (pieces, p), an
        intercept among them.
        """
        used, y = B[self.measured], x[self.measured]
        of_first, of_others = np.split(self._own @ used, [self._first])
        q, p, last = self._own.shape[0], used.shape[1], len(self.point) - 1
        sums = Sums(
            self._counts,
            np.hstack([self._cross, of_first]),
            np.block([[self._gram, of_others], [of_others.T, used.T @ used]]),
            np.concatenate([self._own @ y, used.T @ y]),
            float(y @ y),
            len(y),
            np.append(self._sd_of, np.full(p, last)),
            np.append(np.ones(q - self._first), np.full(p, _PRIORS.coefficient_sd**-2)),
        )
        for place in range(last + 1):
            width = 0.3 if place < last else 2.0 / np.sqrt(len(y))
            self.point = slice_draw(sums.log_density, self.point, place, width, rng)
        u, beta = np.split(sums.factor(self.point).draw(rng), [q])
        missing = ~self.measured
        noise = np.exp(self.point[-1]) * rng.standard_normal(int(missing.sum()))
        out = x.copy()
        out[missing] = self._lacking @ u + B[missing] @ beta + noise
        return out


def slice_draw(
    log_density: Callable[[np.ndarray], float],
    point: np.ndarray,
    place: int,
    width: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Move one coordinate of a point (d,) by slice sampling, stepping out and shrinking in.

    The log density is up to a constant; `width` is the length of the steps.
    """

    def at(value: float) -> np.ndarray:
        moved = point.copy()
        moved[place] = value
        return moved

    # A uniform height under the density, log f - Exp(1); an interval around the point that holds
    # the slice; uniform draws from it, shrunk at each miss (Neal 2003, figures 3 and 5).
    floor = log_density(point) - rng.exponential()
    low = point[place] - width * rng.random()
    high = low + width
    for _ in range(_FURTHEST):
        if log_density(at(low)) < floor:
            break
        low -= width
    for _ in range(_FURTHEST):
        if log_density(at(high)) < floor:
            break
        high += width
    while True:
        value = rng.uniform(low, high)
        moved = at(value)
        if log_density(moved) >= floor:
            return moved
        low, high = (value, high) if value < point[place] else (low, value)


def run_chain(pieces: Pieces, cycles: int, rng: np.random.Generator) -> Chain:
    """Fill in every column `cycles` times, each time given the others, and return the last."""
    x, missing = pieces.values.copy(), np.isnan(pieces.values)
    for j in range(x.shape[1]):
        x[missing[:, j], j] = rng.choice(x[~missing[:, j], j], int(missing[:, j].sum()))
    order = np.argsort(missing.sum(axis=0), kind="stable")
    equations = [Equation(~missing[:, j], pieces.groups) for j in range(x.shape[1])]
    beside = [_predictors(missing, order, j) for j in range(x.shape[1])]
    trace = np.empty((2, cycles, x.shape[1]))
    ones = np.ones((len(x), 1))
    for cycle in range(cycles):
        for j in order:
            B = np.concatenate([ones, pieces.known, x[:, beside[j]]], axis=1)
            x[:, j] = equations[j].draw(x[:, j], B, rng)
            drawn = pieces.centre[j] + pieces.scale[j] * x[missing[:, j], j]
            trace[:, cycle, j] = drawn.mean(), drawn.std()
    return Chain(pieces.centre + pieces.scale * x, *trace)


def _predictors(missing: np.ndarray, order: np.ndarray, j: int) -> list[int]:
    """Return the predictors of column j among the others; see the top of this file."""
    earlier = order[: int(np.flatnonzero(order == j)[0])]
    shared = np.mean(~missing[missing[:, j]], axis=0) >= LEAST_SHARED
    return [int(k) for k in np.flatnonzero(shared | np.isin(np.arange(len(order)), earlier))]
