"""The likelihood maximised over all parameters but one, for profile limits.

The parameters here are those that a reader sees: coefficients (and thresholds' own parameters),
standard deviations, correlations, and that of the residual; not θ, in which the standard deviation
of a correlated slope is no single coordinate. One of them is held and the deviance is minimised
over the others, from where the next value towards the estimate left them. The search itself runs
over partial correlations, each free between -1 and 1 at any value of the others; that of a term's
first two columns is their correlation, so a term of more columns is put in the order in which the
two whose correlation is held come first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from reedlab.mixed.engine.cross_products import Effects
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.gaussian import GaussianProfile
from reedlab.mixed.engine.glmm import LaplaceObjective, likelihood_of
from reedlab.mixed.engine.optimise import gradient_in_theta
from reedlab.mixed.engine.ordinal import cut_parameters
from reedlab.mixed.engine.quadrature import QuadratureObjective
from reedlab.mixed.posterior.priors import Priors
from reedlab.mixed.posterior.scales import Scales

_EDGE = 0.999999  # a correlation of one is approached, never taken
_LEAST = 0.02  # a search from a standard deviation of 0 stays there, whether or not it is right
_LONGEST = 2.0  # logits by which a step of a coefficient moves the row that it moves most
_CERTAIN = 1e4  # logits past which no outcome could become any surer


class ProfiledLikelihood:
    """Minus twice the log-likelihood, minimised with one parameter held.

    Of each parameter (coefficients, standard deviations, correlations, the residual's) it has the
    name, the `bounds`, about one standard error (`steps`) and where it is as good as infinite
    (`farthest`); `least` is the deviance at the estimates.
    """

    def __init__(self, fitted: Fitted) -> None:
        self.fitted = fitted = replace(fitted, design=fitted.design.with_term)
        self.design = fitted.design
        self.gaussian = fitted.family == "gaussian"
        self.scales = Scales.of(self.design.terms, Priors(), residual=self.gaussian)
        self.names = self.design.fixed_names + self.scales.names
        self.p, self.n_sd = self.design.p, len(self.scales.sd_names)
        n_cor = len(self.scales.cor_names)
        free, positive = [(-np.inf, np.inf)], [(0.0, np.inf)]
        self.bounds = free * self.p + positive * self.n_sd + [(-1.0, 1.0)] * n_cor
        self.bounds += positive * self.gaussian
        sds, residual = np.concatenate(fitted.sds), np.full(int(self.gaussian), fitted.sigma)
        levels = np.concatenate([np.full(t.k, t.n_levels) for t in self.design.terms])
        top = sds.max(initial=0.0)
        widest = top if top > 0 else (fitted.sigma if self.gaussian else 0.5)
        fixed = np.sqrt(np.diag(fitted.cov_beta))
        self.farthest = np.full(len(self.names), np.inf)
        if not self.gaussian:
            blocks = [self.design.X, *(term.basis for term in self.design.terms)]
            size = np.concatenate([np.abs(block).max(axis=0, initial=0.0) for block in blocks])
            self.farthest[: len(size)] = _CERTAIN / size
            # a coefficient that separates has a standard error of thousands
            fixed = np.minimum(fixed, _LONGEST / size[: self.p])
        covariance = [
            np.maximum(sds, 0.1 * widest) / np.sqrt(2.0 * levels),
            np.full(n_cor, 0.2),
            residual / np.sqrt(2.0 * self.design.n),
        ]
        self.steps = np.concatenate([fixed, *covariance])
        self.least = -2.0 * fitted.llf
        self._unit = fitted.sigma  # 1 for the families without a residual
        # The search runs over standard deviations and correlations, then σ, or β and the
        # thresholds' parameters.
        cuts = np.full(len(fitted.thresholds), 0.1)
        others = [] if self.gaussian else [fixed, cuts]
        self._search_steps = np.concatenate([*covariance, *others])
        search = positive * self.n_sd + [(-_EDGE, _EDGE)] * n_cor
        search += [(1e-3 * fitted.sigma, np.inf)] * self.gaussian
        self._search_bounds = search + free * (len(self._search_steps) - len(search))

    def path(self, j: int, here: float) -> Callable[[float], float]:
        """Return parameter j's value, on one side of its estimate `here`, -> deviance.

        Each search starts where that of the next value towards the estimate ended. Where a standard
        deviation ended at 0 there, correlations with it say nothing: another starts from the
        estimates. So does one of a value with a higher deviance than a value further out has, which
        is not at its minimum, and one from where that other ended.
        """
        likelihood, at = self._with_first(j)
        estimates = likelihood._covariance_start()
        ends = {0.0: (self.least, estimates)}  # by distance from the estimate

        def path(value: float) -> float:
            distance = abs(value - here)
            inner = ends[max(d for d in ends if d <= distance)][1]
            starts = [inner]
            if inner[: self.n_sd].min(initial=np.inf) <= _LEAST * self._unit:
                starts.append(estimates)
            found = [likelihood._held(at, value, start) for start in starts]
            least = min(deviance for deviance, _ in found) - 1e-6
            lower = [end[1] for d, end in ends.items() if d > distance and end[0] < least]
            if lower:
                found += [likelihood._held(at, value, start) for start in (estimates, *lower)]
            ends[distance] = min(found, key=lambda end: end[0])
            return ends[distance][0]

        return path

    def runs_away(self, j: int, side: float) -> bool:
        """Whether separation keeps the likelihood from falling on a side of parameter j."""
        away = np.zeros(self.p) if self.fitted.runaway is None else self.fitted.runaway
        alike = [t.group in self.fitted.one_outcome for t in self.design.terms for _ in t.names]
        return bool(side * np.append(away, alike)[j] > 0.0) if j < self.p + len(alike) else False

    def _with_first(self, j: int) -> tuple[ProfiledLikelihood, int]:
        """Put the two columns that a held correlation is of first in their term."""
        at = self.p + self.n_sd
        for t, (term, covariance) in enumerate(zip(self.design.terms, self.fitted.covariances)):
            pairs = term.pairs
            if at < j < at + len(pairs):
                i, k = pairs[j - at]
                order = [k, i, *(c for c in range(term.k) if c not in (i, k))]
                names = tuple(term.names[c] for c in order)
                term = replace(term, names=names, basis=term.basis[:, order])
                terms = (*self.design.terms[:t], term, *self.design.terms[t + 1 :])
                theta = self.design.split(self.fitted.theta)
                relative = covariance[np.ix_(order, order)] / self.fitted.sigma**2
                theta[t] = term.theta_from_covariance(relative)
                design = replace(self.design, terms=terms)
                fitted = replace(self.fitted, design=design, theta=np.concatenate(theta))
                return ProfiledLikelihood(fitted), at
            at += len(pairs)
        return self, j

    def _covariance_start(self) -> np.ndarray:
        """Return the estimates as the search has them."""
        fitted = self.fitted
        sds, cors = [], []
        for term, covariance, sd in zip(self.design.terms, fitted.covariances, fitted.sds):
            # a zero start would be a stationary point whether or not the zero is right
            sd = np.maximum(sd, 0.05 * self._unit)
            sds += [*sd]
            correlation = 0.98 * covariance / np.outer(sd, sd)
            np.fill_diagonal(correlation, 1.0)
            # partial correlations from the Cholesky factor: L_ij = z_ij sqrt(1 - Σ_{k<j} L_ik²)
            # (Lewandowski, Kurowicka and Joe 2009, Journal of Multivariate Analysis 100, 1989-2001)
            L = np.linalg.cholesky(correlation)
            cors += [L[i, j] / np.sqrt(1.0 - L[i, :j] @ L[i, :j]) for i, j in term.pairs]
        start = [*sds, *cors]
        if self.gaussian:
            return np.array([*start, fitted.sigma])
        return np.concatenate([start, fitted.beta, cut_parameters(fitted.thresholds)])

    def _held(self, j: int, value: float, start: np.ndarray) -> tuple[float, np.ndarray]:
        """Minimise over all but parameter j; the deviance and where the others ended."""
        if self.gaussian:
            return self._held_gaussian(j, value, start)
        at = len(self.scales.names) + j if j < self.p else j - self.p
        return self._minimise(self._laplace(), start, at, value)

    def _held_gaussian(self, j: int, value: float, start: np.ndarray) -> tuple[float, np.ndarray]:
        design, held = self.design, j - self.p if j >= self.p else None
        if held is None:  # a held coefficient leaves X and is taken off the response
            design = replace(
                design,
                y=design.y - value * design.X[:, j],
                X=np.delete(design.X, j, axis=1),
                fixed_names=tuple(np.delete(design.fixed_names, j)),
            )
        profile = GaussianProfile(design, reml=False)

        def objective(c: np.ndarray) -> tuple[float, np.ndarray]:
            sigma, n = c[-1], self.design.n
            theta = self._thetas(c[None, :-1])[0] / sigma
            found = profile.at(theta)
            # d(θ, σ) = log|L|² + n log 2πσ² + r²(θ)/σ² (Bates et al. 2015, section 3.4), θ = c / σ:
            # its slope in σ has a part of its own and one through θ
            slopes = [d / sigma for d in profile.gradient(found, sigma)]
            by_sigma = 2.0 * (n - found.rss / sigma**2) / sigma
            by_sigma -= gradient_in_theta(self.design, slopes) @ theta
            gradient = np.append(self._by_covariance(c[:-1], slopes), by_sigma)
            return profile.deviance(found, sigma), gradient

        return self._minimise(objective, start, held, value)

    def _minimise(
        self,
        objective: Callable[[np.ndarray], tuple[float, np.ndarray]],
        start: np.ndarray,
        held: int | None,
        value: float,
    ) -> tuple[float, np.ndarray]:
        """L-BFGS-B in steps of about one standard error, one coordinate held if it is given."""
        from scipy.optimize import minimize

        unit, bounds, full = self._search_steps, np.array(self._search_bounds), start.copy()
        free = np.ones(len(start), dtype=bool)
        if held is not None:
            free[held], full[held] = False, np.clip(value, *bounds[held])
        if not free.any():
            return float(objective(full)[0]), full

        def at(z: np.ndarray) -> np.ndarray:
            x = full.copy()
            x[free] = z * unit[free]
            return x

        def wrapped(z: np.ndarray) -> tuple[float, np.ndarray]:
            value, gradient = objective(at(z))
            return value, gradient[free] * unit[free]

        found = minimize(
            wrapped,
            start[free] / unit[free],
            jac=True,
            method="L-BFGS-B",
            bounds=(bounds / unit[:, None])[free],
            options={"ftol": 1e-11, "gtol": 1e-6, "maxiter": 200},
        )
        x = at(found.x)
        sds = slice(0, self.n_sd)
        x[sds] = np.maximum(x[sds], _LEAST * self._unit)
        return float(found.fun), x

    def _thetas(self, c: np.ndarray) -> np.ndarray:
        """θ (absolute) from rows of standard deviations and correlations."""
        sds, cors = c[:, : self.n_sd], c[:, self.n_sd :]
        lambdas = self.scales.lambdas(np.concatenate([sds, np.arctanh(cors)], axis=1))
        parts = [lam[:, *term.theta_rows_cols] for term, lam in zip(self.design.terms, lambdas)]
        return np.concatenate(parts, axis=1)

    def _laplace(self) -> Callable[[np.ndarray], tuple[float, np.ndarray]]:
        design, size = self.design, len(self.scales.names)
        zero = [np.zeros((t.n_levels, t.k)) for t in design.terms]
        inner = LaplaceObjective(design, likelihood_of(design, self.fitted.family), zero)
        if self.fitted.quadrature > 1:
            inner = QuadratureObjective(design, inner.likelihood, zero, self.fitted.quadrature)

        def objective(x: np.ndarray) -> tuple[float, np.ndarray]:
            theta = self._thetas(x[None, :size])[0]
            value, d_lambda, d_rest = inner(np.concatenate([theta, x[size:]]))
            by_c = self._by_covariance(x[:size], d_lambda)
            return 2.0 * value, 2.0 * np.concatenate([by_c, d_rest])

        return objective

    def _by_covariance(self, c: np.ndarray, d_lambda: Effects) -> np.ndarray:
        """Turn derivatives in each Λ into those in standard deviations and correlations."""
        h = 1e-7 * np.eye(len(c))
        moves = (self._thetas(c + h) - self._thetas(c - h)) / 2e-7
        return np.asarray(moves @ gradient_in_theta(self.design, d_lambda))
