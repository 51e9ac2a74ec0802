"""The likelihood maximised over all parameters but one, for profile limits.

The parameters here are those that a reader sees: coefficients (and thresholds' own parameters),
sds, correlations, and the residual's sd; not θ, in which an sd of a correlated slope is no single
coordinate. One of them is held and the deviance is minimised over the others, from where the last
value left them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.optimize import minimize

from reedlab.errors import ModelError
from reedlab.mixed.fitted import Fitted
from reedlab.mixed.gaussian import GaussianProfile
from reedlab.mixed.glmm import LaplaceObjective, likelihood_of
from reedlab.mixed.priors import Priors
from reedlab.mixed.scales import Scales
from reedlab.mixed.terms import Design

_EDGE = 0.999999  # a correlation of one is approached, never taken


class ProfiledLikelihood:
    """Minus twice the log-likelihood, minimised with one parameter held.

    Attributes
    ----------
    names
        The parameters, in order: coefficients, sds, correlations, the residual's sd.
    bounds
        Lowest and highest value of each.
    steps
        About one standard error of each.
    least
        The deviance at the estimates.
    """

    def __init__(self, fitted: Fitted) -> None:
        self.fitted, self.design, self.family = fitted, fitted.design, fitted.family
        for term in self.design.terms:
            if term.correlated and term.k > 2:
                raise ModelError(
                    f"the likelihood of the {term.k} correlated columns of {term.group!r} is not "
                    "profiled: use method='bootstrap', or write the slopes with ||."
                )
        self.scales = Scales.of(self.design.terms, Priors(), residual=False)
        self.p, self.n_sd = self.design.p, len(self.scales.sd_names)
        residual = ("sd Residual",) if self.family == "gaussian" else ()
        self.names = self.design.fixed_names + self.scales.names + residual
        n_cor = len(self.scales.cor_names)
        self.bounds = (
            [(-np.inf, np.inf)] * self.p
            + [(0.0, np.inf)] * self.n_sd
            + [(-1.0, 1.0)] * n_cor
            + [(0.0, np.inf)] * len(residual)
        )
        sds = np.concatenate([np.sqrt(np.diag(c)) for c in fitted.covariances])
        levels = np.concatenate([np.full(t.k, t.n_levels) for t in self.design.terms])
        widest = sds.max() if sds.max() > 0 else (fitted.sigma if residual else 0.5)
        self.steps = np.concatenate(
            [
                np.sqrt(np.diag(fitted.cov_beta)),
                np.maximum(sds, 0.1 * widest) / np.sqrt(2.0 * levels),
                np.full(n_cor, 0.2),
                np.full(len(residual), fitted.sigma / np.sqrt(2.0 * self.design.n)),
            ]
        )
        self.least = -2.0 * fitted.llf
        self._gaussian = (
            GaussianProfile(self.design, reml=False) if self.family == "gaussian" else None
        )

    def start_path(self) -> Callable[[int, float], float]:
        """Return a function (parameter, value) -> deviance that warms each start by the last."""
        state = {"others": self._covariance_start()}

        def path(j: int, value: float) -> float:
            deviance, state["others"] = self._held(j, value, state["others"])
            return deviance

        return path

    def _covariance_start(self) -> np.ndarray:
        """Sds and correlations (and for other families β and extras) at the estimates."""
        fitted = self.fitted
        sds, cors = [], []
        for term, covariance in zip(self.design.terms, fitted.covariances):
            # a zero start would be a stationary point whether or not the zero is right
            sd = np.maximum(np.sqrt(np.diag(covariance)), 0.05 * self._unit())
            sds += [*sd]
            if term.correlated:
                cors += [
                    np.clip(covariance[i, j] / (sd[i] * sd[j]), -0.99, 0.99)
                    for j in range(term.k)
                    for i in range(j + 1, term.k)
                ]
        start = [*sds, *cors]
        if self.family == "gaussian":
            return np.array([*start, fitted.sigma])
        return np.concatenate([start, fitted.beta, self._extra()])

    def _unit(self) -> float:
        return self.fitted.sigma if self.family == "gaussian" else 1.0

    def _extra(self) -> np.ndarray:
        cuts = self.fitted.thresholds
        return np.concatenate([cuts[:1], np.log(np.diff(cuts))]) if len(cuts) else cuts

    def _held(self, j: int, value: float, start: np.ndarray) -> tuple[float, np.ndarray]:
        """Minimise over all but parameter j; the deviance and where the others ended."""
        if self.family == "gaussian":
            return self._held_gaussian(j, value, start)
        at = len(self.scales.names) + j if j < self.p else j - self.p
        objective = self._laplace(start)
        bounds = [
            *self._covariance_bounds(),
            *[(None, None)] * (len(start) - len(self.scales.names)),
        ]
        return self._minimise(objective, start, bounds, {at: value}, jac=True)

    def _held_gaussian(self, j: int, value: float, start: np.ndarray) -> tuple[float, np.ndarray]:
        bounds = [*self._covariance_bounds(), (1e-3 * self.fitted.sigma, None)]
        profile, held = self._gaussian, {j - self.p: value}
        if j < self.p:
            # held coefficients leave X and are taken off the response
            design = Design(
                self.design.y - value * self.design.X[:, j],
                np.delete(self.design.X, j, axis=1),
                tuple(np.delete(self.design.fixed_names, j)),
                self.design.terms,
            )
            profile, held = GaussianProfile(design, reml=False), {}
        assert profile is not None

        def objective(c: np.ndarray) -> float:
            sigma = c[-1]
            theta = self._theta(c[:-1]) / sigma
            found = profile.at(theta)
            n = self.design.n
            log_det = found.deviance - n * (1.0 + np.log(2.0 * np.pi * found.rss / n))
            return float(log_det + n * np.log(2.0 * np.pi * sigma**2) + found.rss / sigma**2)

        return self._minimise(objective, start, bounds, held, jac=False)

    def _covariance_bounds(self) -> list[tuple[float | None, float | None]]:
        n_cor = len(self.scales.cor_names)
        return [(0.0, None)] * self.n_sd + [(-_EDGE, _EDGE)] * n_cor

    def _minimise(
        self,
        objective: Callable[[np.ndarray], Any],
        start: np.ndarray,
        bounds: list[tuple[float | None, float | None]],
        held: dict[int, float],
        jac: bool,
    ) -> tuple[float, np.ndarray]:
        """L-BFGS-B in coordinates of unit scale, the held ones fixed."""
        unit = np.maximum(np.abs(start), 1e-2 * self._unit())
        free = np.array([i for i in range(len(start)) if i not in held], dtype=int)
        full = start.copy()
        for i, value in held.items():
            full[i] = np.clip(value, -_EDGE, _EDGE) if self._is_cor(i) else value

        def at(z: np.ndarray) -> np.ndarray:
            x = full.copy()
            x[free] = z * unit[free]
            return x

        def wrapped(z: np.ndarray) -> Any:
            found = objective(at(z))
            if not jac:
                return found
            value, gradient = found
            return value, gradient[free] * unit[free]

        scaled = [tuple(None if b is None else b / unit[i] for b in bounds[i]) for i in free]
        found = minimize(
            wrapped,
            start[free] / unit[free],
            jac=jac or None,
            method="L-BFGS-B",
            bounds=scaled,
            options={"ftol": 1e-11, "gtol": 1e-6, "maxiter": 200},
        )
        x = at(found.x)
        sds = slice(0, self.n_sd)
        x[sds] = np.maximum(x[sds], 0.02 * self._unit() * (1 if self.n_sd else 0))
        return float(found.fun), x

    def _is_cor(self, i: int) -> bool:
        return self.n_sd <= i < self.n_sd + len(self.scales.cor_names)

    def _theta(self, c: np.ndarray) -> np.ndarray:
        """θ (absolute) from sds and correlations."""
        parts = []
        lambdas = self.scales.lambdas(self._to_points(c)[None])
        for term, lam in zip(self.design.terms, lambdas):
            parts.append(lam[0][term.theta_rows_cols])
        return np.concatenate(parts)

    def _to_points(self, c: np.ndarray) -> np.ndarray:
        """Coordinates of `Scales` from sds and plain correlations."""
        return np.concatenate([c[: self.n_sd], np.arctanh(c[self.n_sd :])])

    def _laplace(self, start: np.ndarray) -> Callable[[np.ndarray], Any]:
        design, size = self.design, len(self.scales.names)
        zero = [np.zeros((t.n_levels, t.k)) for t in design.terms]
        inner = LaplaceObjective(design, likelihood_of(design, self.family), zero)

        def objective(x: np.ndarray) -> tuple[float, np.ndarray]:
            theta = self._theta(x[:size])
            value, d_lambda, d_rest = inner(np.concatenate([theta, x[size:]]))
            slope = np.concatenate([d[t.theta_rows_cols] for t, d in zip(design.terms, d_lambda)])
            by_c = np.empty(size)
            for i in range(size):
                h = np.zeros(size)
                h[i] = 1e-6
                by_c[i] = slope @ (self._theta(x[:size] + h) - self._theta(x[:size] - h)) / 2e-6
            return 2.0 * value, 2.0 * np.concatenate([by_c, d_rest])

        return objective
