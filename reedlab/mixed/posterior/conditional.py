"""β and the groups' effects given the standard deviations: the fit's own engine, asked at a point.

At a point of the standard deviations the unknowns x = (v, β) have the joint density

    p(y | Z Λ v + X β) · N(v; 0, I) · N(β; mean, precision⁻¹).

The engine gives its gradient and the Cholesky factor of its curvature H; the prior on β is a
quadratic penalty there. From mode and curvature comes the Laplace approximation of the density of
the standard deviations, without constants,

    log p(y | Λ) ≈ log p(y, x̂ | Λ) - ½ log det H            (Tierney and Kadane 1986;
                                                              Rue, Martino and Chopin 2009, eq. 3),

which is exact for a Gaussian response. An ordered response has its thresholds behind β among the
unknowns (`graded.py`).

References
----------
Rue, H., Martino, S. and Chopin, N. (2009). Approximate Bayesian inference for latent Gaussian
models by using integrated nested Laplace approximations. Journal of the Royal Statistical Society B
71, 319-392. Tierney, L. and Kadane, J. B. (1986). Accurate approximations for posterior moments and
marginal densities. Journal of the American Statistical Association 81, 82-86.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.sparse import issparse

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine import binomial
from reedlab.mixed.engine.adjusted import Adjusted, adjusted
from reedlab.mixed.engine.binomial import BinomialLogit
from reedlab.mixed.engine.cells import cells_of, same_rows
from reedlab.mixed.engine.cholesky import Factor, factorise
from reedlab.mixed.engine.cross_products import Effects
from reedlab.mixed.engine.gaussian import GaussianProfile
from reedlab.mixed.engine.laplace import BetaPrior, Mode, find_mode
from reedlab.mixed.posterior import graded
from reedlab.mixed.posterior.many_modes import Found, ManyModes, Sums, suits
from reedlab.mixed.posterior.priors import Priors, coefficient_prior
from reedlab.mixed.posterior.scales import Scales

_STEPS = 40
_CLOSE = 1e-2
"""Newton decrement (twice the height still to gain) of the last step towards a mode."""


@dataclass(frozen=True)
class Modes:
    """What is known at G points of the standard deviations."""

    x: np.ndarray  # modes of (v, β), shape (G, m)
    # log of the Laplace approximation of p(y | standard deviations), up to one constant, (G,)
    log_density: np.ndarray
    # the engine's Cholesky factors of H, G of them; Gaussian ones are relative to σ
    factors: list[Factor]
    sigma: np.ndarray  # σ, the residual standard deviation, (G,); 1 where the model has none

    def take(self, order: np.ndarray) -> Modes:
        """Return the points in another order."""
        factors = [self.factors[g] for g in order]
        return Modes(self.x[order], self.log_density[order], factors, self.sigma[order])

    def join(self, other: Modes) -> Modes:
        """Return these points and the other ones behind them."""
        return Modes(
            np.concatenate([self.x, other.x]),
            np.append(self.log_density, other.log_density),
            self.factors + other.factors,
            np.append(self.sigma, other.sigma),
        )

    @property
    def inverse_diagonal(self) -> np.ndarray:
        """One over the diagonals of the factors of H, (G, m), in the order of elimination."""
        heads = [np.einsum("lkk->lk", factor.head_inverse).ravel() for factor in self.factors]
        rests = 1.0 / np.array([np.diag(factor.chol) for factor in self.factors])
        rests[:, rests.shape[1] - len(self.factors[0].chol_beta) :] *= self.sigma[:, None]
        return np.concatenate([np.array(heads), rests], axis=1)

    def variances(self, row: np.ndarray) -> np.ndarray:
        """Variances (G,) of a combination of β and the thresholds, v integrated out."""
        return self.sigma**2 * np.array([row @ factor.cov_beta @ row for factor in self.factors])


class Conditional:
    """The density of (v, β) given the standard deviations for one design, family and prior.

    Attributes
    ----------
    q, m
        Number of groups' effects, and of all unknowns.
    blocks
        For each random term the slice of its effects, level by level, among the unknowns; the term
        with most effects stands first.
    mean, precision
        Of the normal prior on what is not a group's effect: β, and thresholds behind it.
    """

    def __init__(self, design: Design, family: str, prior: BetaPrior, scales: Scales) -> None:
        self.design, self.family, self.scales = design, family, scales
        sizes = np.array([term.n_levels * term.k for term in design.terms])
        order = np.argsort(np.arange(len(sizes)) != np.argmax(sizes), kind="stable")
        ends = np.cumsum([0, *sizes[order]])
        slices = [slice(int(a), int(b)) for a, b in pairwise(ends)]
        self.blocks = [slices[int(place)] for place in np.argsort(order)]
        self.mean, self.precision = prior
        self.q, self.m = int(ends[-1]), int(ends[-1]) + len(self.mean)

    def log_joint(self, x: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Log p(y, v, β | standard deviations) at x (S, m) and points (S, d), up to a constant."""
        away = x[:, self.q :] - self.mean
        squares = np.sum(x[:, : self.q] ** 2, axis=1) + np.sum(away * (away @ self.precision), 1)
        return self._log_likelihood(self.scale(x, points), points) - 0.5 * squares

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """Find the modes at points (G, d), from `start`, (G, m) or (1, m), if given.

        Raises
        ------
        numpy.linalg.LinAlgError
            Where a Gaussian response leaves next to no residual.
        ModelError
            Where there is no mode.
        """
        raise NotImplementedError

    def with_prior(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """Find the modes with the prior of the standard deviations in the log density."""
        modes = self.modes(points, start)
        return replace(modes, log_density=modes.log_density + self.scales.log_prior(points))

    def sample(self, modes: Modes, g: int, normals: np.ndarray) -> np.ndarray:
        """Turn standard normals (n, m) into draws of N(0, H⁻¹) at one of the modes: L'⁻¹ z."""
        v, fixed = modes.factors[g].sample(*self.split(normals))
        return self.join(v, modes.sigma[g] * fixed)

    def scale(self, x: np.ndarray, points: np.ndarray) -> np.ndarray:
        """(u, β) from (v, β), both (S, m), at points (S, d): u = Λ v level by level."""
        out = x.copy()
        for term, block, lam in zip(self.design.terms, self.blocks, self.scales.lambdas(points)):
            v = x[:, block].reshape(len(x), term.n_levels, term.k)
            out[:, block] = (v @ lam.transpose(0, 2, 1)).reshape(len(x), -1)
        return out

    def split(self, x: np.ndarray) -> tuple[Effects, np.ndarray]:
        """Deal unknowns (..., m) out to the terms, each (..., levels, k), and the rest."""
        shapes = [(*x.shape[:-1], term.n_levels, term.k) for term in self.design.terms]
        parts = [x[..., block].reshape(shape) for block, shape in zip(self.blocks, shapes)]
        return parts, x[..., self.q :]

    def join(self, v: Effects, fixed: np.ndarray) -> np.ndarray:
        """Set the terms' parts and the rest behind each other: undo `split`."""
        out = np.empty((*fixed.shape[:-1], self.m))
        for block, part in zip(self.blocks, v):
            out[..., block] = part.reshape(*fixed.shape[:-1], -1)
        out[..., self.q :] = fixed
        return out

    def _log_likelihood(self, effects: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Log-likelihoods (S,) at (u, β), without constants."""
        raise NotImplementedError

    def linear(self, effects: np.ndarray, design: Design) -> np.ndarray:
        """Z u + X β (S, n) of a design's rows, in cell order."""
        cells = cells_of(design)
        parts, fixed = self.split(effects)
        eta = fixed @ cells.XT
        if parts:
            eta += cells.expand_draws(parts)
        return eta


class GaussianConditional(Conditional):
    """A Gaussian response: the conditional is a normal, found in one solve.

    As in the fit, Λ and the prior's precision are taken relative to the residual's standard
    deviation σ: with r = y - X b₀ for the least-squares b₀ and β = b₀ + b the normal equations are
    those of ``|r - Z Λ v - X b|² + |σ v|² + σ²(β - mean)'P(β - mean)`` in (σ v, b).
    """

    def __init__(self, design: Design, priors: Priors, scales: Scales) -> None:
        prior = coefficient_prior(design.X, design.fixed_names, priors)
        design = design.whitened
        super().__init__(design, "gaussian", prior, scales)
        self._profile = GaussianProfile(design, reml=True)
        self._y = design.y[cells_of(design).order]
        self._together = suits(design) and not issparse(self._profile.cross.head_rest)

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """See `Conditional.modes`."""
        sigma, lambdas = self.scales.sigma(points), self.scales.lambdas(points)
        if self._together:
            sds = np.stack([lam[:, 0, 0] for lam in lambdas], axis=1)
            return self._side_by_side(sds / sigma[:, None], sigma)
        found = [self._mode(*each) for each in zip(zip(*lambdas), sigma)]
        x, log_density, factors = zip(*found)
        return Modes(np.array(x), np.array(log_density), list(factors), sigma)

    def _side_by_side(self, relative: np.ndarray, sigma: np.ndarray) -> Modes:
        """Find all modes at once, as `_mode` finds each, from Λ / σ (G, terms)."""
        profile, cross = self._profile, self._profile.cross
        own = sigma[:, None, None] ** 2 * self.precision
        away = self.mean - profile.base
        sums = Sums(
            cross.cells, self.blocks, cross.head[None, :, 0, 0], cross.head_rest[None],
            cross.rest[None],
        )  # fmt: skip
        factors = sums.factorised(relative, own)
        gradient = np.empty((len(sigma), self.m))
        for t, block in enumerate(self.blocks):
            gradient[:, block] = relative[:, [t]] * profile.zy[t][:, 0]
        gradient[:, self.q :] = profile.xy + own @ away
        x = factors.solve(gradient)
        squares = profile.yy + (own @ away) @ away - np.sum(gradient * x, axis=1)
        log_density = (self.design.p - self.design.n) * np.log(sigma) - 0.5 * squares / sigma**2
        x[:, : self.q] /= sigma[:, None]
        x[:, self.q :] += profile.base
        each = [factors.one(g, cross) for g in range(len(sigma))]
        return Modes(x, log_density - 0.5 * factors.logdet, each, sigma)

    def _mode(self, lambdas: Sequence[np.ndarray], sigma: float) -> Found:
        profile, own = self._profile, sigma**2 * self.precision
        # Penalised least squares relative to σ (Bates et al. 2015, section 3, with a prior on
        # β): H of (σ v, b) does not depend on y, and its solution is the mode.
        relative, away = [lam / sigma for lam in lambdas], self.mean - profile.base
        factor = factorise(profile.cross, relative, own)
        g_v, g_b = [z @ lam for z, lam in zip(profile.zy, relative)], profile.xy + own @ away
        v, b = factor.solve(g_v, g_b)
        # At the solution the penalised sum of squares is r'r + (mean - b₀)'σ²P(mean - b₀) - g'H⁻¹g.
        explained = sum(float(np.vdot(g, part)) for g, part in zip(g_v, v)) + float(g_b @ b)
        squares = profile.yy + float(away @ own @ away) - explained
        # log det H = log det of the relative H - 2 p log σ, for b is not in units of σ
        log_density = (self.design.p - self.design.n) * np.log(sigma) - 0.5 * squares / sigma**2
        x = self.join([part / sigma for part in v], profile.base + b)
        return x, log_density - 0.5 * factor.logdet, factor

    def _log_likelihood(self, effects: np.ndarray, points: np.ndarray) -> np.ndarray:
        away, sigma = self._y - self.linear(effects, self.design), self.scales.sigma(points)
        squares = np.einsum("sn,sn->s", away, away)
        out: np.ndarray = -self.design.n * np.log(sigma) - 0.5 * squares / sigma**2
        return out


class NewtonConditional(Conditional):
    """Successes out of trials, or grades: modes by damped Newton steps."""

    def __init__(self, design: Design, family: str, priors: Priors, scales: Scales) -> None:
        prior = coefficient_prior(design.X, design.fixed_names, priors)
        self._rows, self._start = design, np.zeros(design.p)
        self._likelihood: BinomialLogit | graded.GradedRows | Adjusted
        if family == "ordinal":
            prior, self._start = graded.prior_of(design, priors), graded.start_of(design)
            self._rows, self._likelihood = graded.rows_of(design)
        else:
            self._likelihood = adjusted(binomial.likelihood(design), design)
        super().__init__(design, family, prior, scales)
        self._many = self._side_by_side()

    def _side_by_side(self) -> ManyModes | None:
        """Return what finds modes at many points at once, where that is quicker."""
        rows, likelihood = self._rows, self._likelihood
        if not isinstance(likelihood, BinomialLogit) or not suits(rows):
            return None
        return ManyModes(rows, likelihood, (self.mean, self.precision), self.blocks)

    def given(self, y: np.ndarray) -> NewtonConditional:
        """Take another 0/1 response (n,) of the same rows."""
        other = copy(self)
        other.design = other._rows = same_rows(self.design, y)
        other._likelihood = adjusted(binomial.likelihood(other.design), other.design)
        return other

    def modes(self, points: np.ndarray, start: np.ndarray | None = None) -> Modes:
        """See `Conditional.modes`."""
        first = np.append(np.zeros(self.q), self._start) if start is None else start
        first = np.broadcast_to(first, (len(points), self.m))
        lambdas = self.scales.lambdas(points)
        found = None
        if self._many is not None:
            sds = np.stack([lam[:, 0, 0] for lam in lambdas], axis=1)
            y = self._rows.y[cells_of(self._rows).order]
            found = self._many.find(sds, first, _CLOSE, np.broadcast_to(y, (len(points), len(y))))
        if found is None:
            found = [self._mode(lam, x) for lam, x in zip(zip(*lambdas), first)]
        x, log_density, factors = zip(*found)
        return Modes(np.array(x), np.array(log_density), list(factors), np.ones(len(points)))

    def _mode(self, lambdas: Sequence[np.ndarray], x: np.ndarray) -> Found:
        at = self._look(lambdas, x)
        for _ in range(_STEPS):
            if at.decrement < _CLOSE:
                # The last step is taken on the last curvature, and its gain is half the decrement
                # g'H⁻¹g: the errors of both are of higher order than the step.
                x = self.join(at.v, at.beta) + self.join(*at.step)
                return x, at.laplace + 0.5 * at.decrement, at.factor
            at = self._ahead(lambdas, at)
        raise ModelError(
            "the effects could not be found at some standard deviations of the groups: look for "
            "infinite or extremely large values among the predictors."
        )

    def _ahead(self, lambdas: Sequence[np.ndarray], mode: Mode) -> Mode:
        """Take the Newton step, halved until it does not lead downwards."""
        x, step = self.join(mode.v, mode.beta), self.join(*mode.step)
        for _ in range(_STEPS):
            there = self._look(lambdas, x + step)
            if there.log_joint >= mode.log_joint - 1e-9 * abs(mode.log_joint):
                break
            step = 0.5 * step
        return there

    def _look(self, lambdas: Sequence[np.ndarray], x: np.ndarray) -> Mode:
        """Value, gradient and curvature at x, with the Newton step from there."""
        theta = [lam[t.theta_rows_cols] for t, lam in zip(self.design.terms, lambdas)]
        v, fixed = self.split(x)
        return find_mode(
            self._rows,
            self._likelihood,
            np.concatenate(theta),
            fixed,
            v,
            free_beta=True,
            prior=(self.mean, self.precision),
            tolerance=np.inf,
        )

    def _log_likelihood(self, effects: np.ndarray, points: np.ndarray) -> np.ndarray:
        return self._likelihood.log_likelihoods(self.linear(effects, self._rows))


def conditional(design: Design, family: str, priors: Priors, scales: Scales) -> Conditional:
    """Return the conditional density of (v, β) of a family."""
    if family == "gaussian":
        return GaussianConditional(design, priors, scales)
    return NewtonConditional(design, family, priors, scales)
