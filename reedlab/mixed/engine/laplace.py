"""Laplace's approximation for responses that are not Gaussian.

With u = Λ v and v standard normal, the likelihood of (θ, β) is the integral over v of
``exp(l(η) - |v|²/2)``. Around the mode of v, found by penalised iteratively reweighted least
squares, it is ``l - |v|²/2 - ½ log det H`` with H the random block of
:mod:`reedlab.mixed.engine.cross_products` at the mode (Pinheiro and Bates 1995, Journal of
Computational and Graphical Statistics 4, 12-35). Its gradient in (θ, β) is exact: the movement
of the mode with the parameters, and through it of H, is carried by one adjoint solve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cells import cells_of
from reedlab.mixed.engine.cholesky import Factor, factorise
from reedlab.mixed.engine.cross_products import Effects, cross_products
from reedlab.mixed.engine.inverse import invert

BetaPrior = tuple[np.ndarray, np.ndarray]
"""Mean (p,) and precision (p, p) of a normal prior on β."""

Rows = np.ndarray | float
"""A number for each row, or one for all."""

_MAX_STEPS = 100
_ROUNDING = 1e-12
"""Squared length of a step below which one no shorter than the step before is mere rounding."""

_STALE = 1e-18
"""Squared length of the last step with a factor found nearby."""


class Steps(Protocol):
    """What a search for a mode asks of rows, in cell order, given η."""

    def steps(self, eta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Log-likelihood, its derivative in each η, and minus the second derivatives."""


class Likelihood(Steps, Protocol):
    """What a family says of each row, in cell order, given η."""

    @property
    def n_extra(self) -> int:
        """Number of parameters beside θ and β, such as thresholds."""

    def third(self, eta: np.ndarray, score: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Differentiate the weights in η; score and weight are those of :meth:`steps`."""

    @property
    def constant(self) -> float:
        """What the log-likelihood holds beside the rows' shares."""

    def row_logliks(self, eta: np.ndarray) -> np.ndarray:
        """Each row's log-likelihood, without the constant."""

    def with_extra(self, extra: np.ndarray) -> Likelihood:
        """Give the same rows at other values of the extra parameters."""

    def extra_gradient(
        self, eta: np.ndarray, half_leverage: Rows, shift: Rows, share: Rows = 1.0
    ) -> np.ndarray:
        """Σ rows of share dl/dφ - half_leverage dw/dφ - shift dr/dφ, for each extra φ."""


@dataclass(frozen=True)
class Mode:
    """The mode of the random effects, and of β where it was free."""

    theta: np.ndarray  # (n_theta,)
    beta: np.ndarray  # (p,)
    v: Effects  # each (levels, k) standardised random effects
    eta: np.ndarray  # (n,) linear predictor in cell order
    log_joint: float  # ``loglik - |v|²/2``, less ``(β - m)'P(β - m)/2`` where there is a prior
    factor: Factor  # factor of H at the mode; with β's part where β was free
    score: np.ndarray  # (n,) first derivatives in η, in cell order
    weight: np.ndarray  # (n,) minus the second ones
    z_score: Effects  # each (levels, k) Z' score
    # the Newton step in (v, β) that was not taken, H^-1 times the gradient
    step: tuple[Effects, np.ndarray]
    decrement: float  # its squared length in the metric of H, twice the height still to gain

    @property
    def u(self) -> Effects:
        """Random effects Λ v, each (levels, k)."""
        return [v @ lam.T for v, lam in zip(self.v, self.factor.lambdas)]

    @property
    def laplace_u(self) -> float:
        """Laplace log-likelihood with u integrated out and β held."""
        return self.log_joint - 0.5 * self.factor.logdet_u

    @property
    def laplace(self) -> float:
        """``log_joint - ½ log det H``: with β free, up to a constant, the log marginal of θ."""
        return self.log_joint - 0.5 * self.factor.logdet


def find_mode(
    design: Design,
    likelihood: Steps,
    theta: np.ndarray,
    beta: np.ndarray,
    start: Effects | None = None,
    free_beta: bool = False,
    prior: BetaPrior | None = None,
    tolerance: float = 1e-18,
    nearby: Nearby | None = None,
) -> Mode:
    """Find the mode of v, and of β if it is free, by Newton steps halved where they overshoot.

    v starts from `start`, or 0. A normal `prior` on β has a mean and a precision. `tolerance` is
    the last step's squared length in the metric of H. The first step is taken with a factor found
    `nearby`, and so are later ones where one more promises to be the last: that saves factors of H.
    """
    cells, lambdas = cells_of(design), design.lambdas(theta)
    v = [np.zeros((t.n_levels, t.k)) for t in design.terms] if start is None else start
    precision = None if prior is None else prior[1]
    best, fraction, decrement = -np.inf, 1.0, np.inf
    step_v, step_beta = [np.zeros_like(part) for part in v], np.zeros_like(beta)
    fixed = beta @ cells.XT
    for _ in range(_MAX_STEPS):
        if free_beta:
            fixed = beta @ cells.XT
        eta = cells.expand([a @ lam.T for a, lam in zip(v, lambdas)])
        eta += fixed
        loglik, score, weight = likelihood.steps(eta)
        penalised = loglik - 0.5 * _inner(v, v)
        if prior is not None:
            away = beta - prior[0]
            penalised -= 0.5 * float(away @ prior[1] @ away)
        if not penalised >= best - 1e-9 * (1.0 + abs(best)) and fraction > 1e-6:
            fraction *= 0.5
            v = [a - fraction * d for a, d in zip(v, step_v)]
            beta = beta - fraction * step_beta
            continue
        best, fraction = penalised, 1.0
        # Newton's step: the gradient in v is Λ'Z'score - v, and H is minus the Hessian.
        z_score = cells.project(score)
        g_v = [z @ lam - a for z, lam, a in zip(z_score, lambdas, v)]
        g_beta = cells.XT @ score if free_beta else np.zeros(0)
        if prior is not None:
            g_beta = g_beta - prior[1] @ (beta - prior[0])
        if nearby is not None:
            step_v = nearby.solve(g_v)
            before, decrement = decrement, _inner(g_v, step_v)
            # With a stale factor the steps shrink by a steady ratio: the next one's squared length
            # is about decrement² / before.
            if decrement >= _STALE and decrement * decrement < _STALE * before:
                v = [a + d for a, d in zip(v, step_v)]
                continue
        try:
            factor = factorise(cross_products(cells, weight, free_beta), lambdas, precision)
        except np.linalg.LinAlgError as error:
            raise ModelError(
                "The fixed effects cannot be distinguished at the fitted probabilities "
                "(separation, or columns that repeat each other); leave out a term."
            ) from error
        step_v, moved = factor.solve(g_v, g_beta)
        before, decrement = decrement, _inner(g_v, step_v) + float(g_beta @ moved)
        if decrement < tolerance or before <= decrement < _ROUNDING:
            break
        v = [a + d for a, d in zip(v, step_v)]
        if free_beta:
            step_beta = moved
            beta = beta + moved
        else:
            nearby = Nearby(factor, lambdas)
    step = (step_v, moved)
    return Mode(theta, beta, v, eta, penalised, factor, score, weight, z_score, step, decrement)


def _inner(one: Effects, other: Effects) -> float:
    """Inner product over all terms."""
    return float(sum([np.vdot(a, b) for a, b in zip(one, other)]))


def laplace_gradient(
    design: Design, likelihood: Likelihood, mode: Mode
) -> tuple[Effects, np.ndarray, np.ndarray]:
    """Gradient of the Laplace log-likelihood at a mode of v, found with β held.

    It has the derivatives in every entry of each Λ, those above the diagonal included, in β (p,)
    and in the extra parameters (n_extra,).
    """
    cells, lambdas = cells_of(design), mode.factor.lambdas
    inverse = invert(mode.factor, with_x=False)
    # -½ log det H moves with a row's η by -½ (dw/dη) Var(η): that row's pull.
    half_leverage = inverse.row_covariance()
    half_leverage *= 0.5
    pull = likelihood.third(mode.eta, mode.score, mode.weight)
    pull *= half_leverage
    # The mode moves with the parameters so that its gradient stays 0; one solve H a = Λ'Z'pull
    # carries the pull of all rows back to any parameter.
    adjoint, _ = mode.factor.solve([z @ lam for z, lam in zip(cells.project(pull), lambdas)])
    shift = cells.expand([a @ lam.T for a, lam in zip(adjoint, lambdas)])
    total = mode.weight * shift
    total += mode.score
    total -= pull
    # Λ acts through η (total), through the mode's equation (score, adjoint) and through H (trace).
    d_lambda = [
        z_total.T @ v - z_score.T @ a - trace
        for z_total, v, z_score, a, trace in zip(
            cells.project(total), mode.v, mode.z_score, adjoint, inverse.traces()
        )
    ]
    extra = (
        likelihood.extra_gradient(mode.eta, half_leverage, shift)
        if likelihood.n_extra
        else np.zeros(0)
    )
    return d_lambda, cells.XT @ total, extra


class Nearby:
    """The factor of H at one Λ put to use at another.

    Where a level has a single effect λv and its rows weigh w, were there no other terms, H there
    would be ``1 + λ²w`` and v would go with ``λ / (1 + λ²w)``. Both are carried over so, level by
    level; a term of several columns stays as it is.
    """

    def __init__(self, factor: Factor, lambdas: Effects) -> None:
        self.factor, ones = factor, np.ones((1, 1))
        self.root: Effects = [ones] * len(lambdas)
        self.gain: Effects = [ones] * len(lambdas)
        for t, (old, new) in enumerate(zip(factor.lambdas, lambdas)):
            if len(old) == 1 and old[0, 0] != new[0, 0]:
                a, b, w = old[0, 0], new[0, 0], factor.cross.own_weights(t)[:, None]
                ratio = (1.0 + b * b * w) / (1.0 + a * a * w)
                self.root[t] = np.sqrt(ratio)
                self.gain[t] = b / a / ratio if a > 0.0 else ones

    def carried(self, v: Effects) -> Effects:
        """Modes at the other Λ, from those at the factor's."""
        return [a * gain for a, gain in zip(v, self.gain)]

    def solve(self, g: Effects) -> Effects:
        """Solve H x = g at the other Λ, about."""
        x, _ = self.factor.solve([a / root for a, root in zip(g, self.root)])
        return [a / root for a, root in zip(x, self.root)]


class LaplaceObjective:
    """Minus the Laplace log-likelihood of x = (θ, β, extra), started from the last mode.

    The first search starts at `start`, and may use a factor of the random effects' block nearby.
    """

    def __init__(
        self, design: Design, likelihood: Likelihood, start: Effects, factor: Factor | None = None
    ) -> None:
        self.design, self.likelihood, self.v, self.factor = design, likelihood, start, factor
        self._mode: tuple[np.ndarray, Mode, Likelihood] | None = None
        self._value: tuple[np.ndarray, tuple[float, Effects, np.ndarray]] | None = None

    def mode(self, x: np.ndarray) -> tuple[Mode, Likelihood]:
        """Find the mode of the random effects at x; the last one is kept."""
        if self._mode is None or not np.array_equal(self._mode[0], x):
            k, p = self.design.n_theta, self.design.p
            likelihood = self.likelihood.with_extra(x[k + p :])
            near = None if self.factor is None else Nearby(self.factor, self.design.lambdas(x[:k]))
            start = self.v if near is None else near.carried(self.v)
            mode = find_mode(self.design, likelihood, x[:k], x[k : k + p], start, nearby=near)
            self.v, self.factor, self._mode = mode.v, mode.factor, (x.copy(), mode, likelihood)
        return self._mode[1:]

    def __call__(self, x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        """Objective, its derivatives in each Λ, and those in (β, extra); the last ones are kept."""
        if self._value is None or not np.array_equal(self._value[0], x):
            self._value = (x.copy(), self.evaluate(x))
        return self._value[1]

    def evaluate(self, x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        """Work the objective and its derivatives out."""
        mode, likelihood = self.mode(x)
        d_lambda, d_beta, d_extra = laplace_gradient(self.design, likelihood, mode)
        return -mode.laplace_u, [-d for d in d_lambda], -np.concatenate([d_beta, d_extra])
