"""A fit as data, and fitting a design without its formula.

Bootstraps, profiles and influence refit hundreds of designs; they call :func:`fit_design`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.design.separation import find_separation
from reedlab.mixed.design.terms import Design
from reedlab.mixed.engine.cholesky import Factor
from reedlab.mixed.engine.cross_products import Effects
from reedlab.mixed.engine.gaussian import NO_RESIDUAL, GaussianProfile
from reedlab.mixed.engine.glmm import Curvature, fit_glmm
from reedlab.mixed.engine.inverse import invert
from reedlab.mixed.engine.optimise import minimise, theta_scale
from reedlab.mixed.engine.ordinal import cut_jacobian
from reedlab.mixed.engine.standardise import Standardised, standardise
from reedlab.mixed.parallel import one_thread


@dataclass(frozen=True)
class Fitted:
    """What a fit found."""

    design: Design  # the data as the model saw them
    family: str  # ``"gaussian"``, ``"binomial"`` or ``"ordinal"``
    # (n_theta,) covariance parameters; relative to ``sigma`` for the Gaussian family
    theta: np.ndarray
    beta: np.ndarray  # (p,) fixed effects
    sigma: float  # the residual's standard deviation; 1 for the other families
    v: Effects  # each (levels, k) standardised conditional modes
    factor: Factor  # factor of the penalised normal equations at the optimum
    llf: float  # log-likelihood; restricted if ``reml``
    # whether the optimiser ended where the gradient vanishes, every zero is proved and no
    # coefficient separates the outcomes
    converged: bool
    # terms whose covariance is rank-deficient, all proved by the derivative in the covariance
    singular: tuple[int, ...]
    reml: bool = False  # whether the likelihood is the restricted one
    quadrature: int = 1  # nodes of adaptive Gauss-Hermite quadrature; 1 is Laplace
    # (grades - 1,) cut points between an ordinal response's grades; empty for the other families
    thresholds: np.ndarray = field(default_factory=lambda: np.zeros(0))
    # where the standard errors of a fit that is not Gaussian come from
    curvature: Curvature | None = None
    # coefficients that separate the outcomes, so that they have no finite estimate
    separated: tuple[str, ...] = ()
    one_outcome: tuple[str, ...] = ()  # groupings each of whose levels has one outcome only
    # (p,) direction in which the coefficients run away where some separate the outcomes, see
    # :class:`reedlab.mixed.design.separation.Separation`
    runaway: np.ndarray | None = None
    recipe: Any = None  # how new data become a design, where the fit came from a formula
    frame: Any = None  # the rows that the formula was given

    @cached_property
    def data(self) -> pd.DataFrame:
        """The rows of the frame that the fit used."""
        return self.frame.iloc[self.design.rows_used]

    @cached_property
    def covariances(self) -> list[np.ndarray]:
        """Covariance (k, k) of each term's random effects."""
        return [self.sigma**2 * lam @ lam.T for lam in self.design.lambdas(self.theta)]

    @cached_property
    def sds(self) -> list[np.ndarray]:
        """Standard deviations (k,) of each term's random effects."""
        return [np.sqrt(np.diag(covariance)) for covariance in self.covariances]

    @cached_property
    def correlations(self) -> list[np.ndarray]:
        """Correlations (k, k) of each term's random effects; nan with a standard deviation of 0."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return [cov / np.outer(sd, sd) for cov, sd in zip(self.covariances, self.sds)]

    @cached_property
    def cov_fixed(self) -> np.ndarray:
        """Covariance of (β, thresholds), worked out when first asked for.

        For the Gaussian family σ² times the inverse of X's Schur complement; otherwise from the
        Hessian in all parameters that are not at a bound.
        """
        if self.curvature is None:
            return self.sigma**2 * self.factor.cov_beta
        k = self.design.n_theta
        with one_thread():
            covariance = self.curvature.covariance()[k:, k:]
        J = np.eye(len(covariance))
        if len(self.thresholds):
            phi = self.curvature.x[k + self.design.p :]
            J[self.design.p :, self.design.p :] = cut_jacobian(phi)
        return J @ covariance @ J.T

    @property
    def cov_beta(self) -> np.ndarray:
        """Covariance (p, p) of the fixed effects."""
        return self.cov_fixed[: self.design.p, : self.design.p]

    @property
    def cov_thresholds(self) -> np.ndarray:
        """Covariance of an ordinal model's thresholds."""
        return self.cov_fixed[self.design.p :, self.design.p :]

    @cached_property
    def modes(self) -> Effects:
        """Conditional modes of the random effects, each (levels, k)."""
        return [v @ lam.T for v, lam in zip(self.v, self.design.lambdas(self.theta))]

    @cached_property
    def mode_covariances(self) -> Effects:
        """Conditional covariances of the random effects given θ and β, each (levels, k, k)."""
        with one_thread():
            blocks = invert(self.factor, with_x=False).level_covariances()
        return [self.sigma**2 * block for block in blocks]

    def variance_components(self) -> pd.DataFrame:
        """Variance components: group, name, variance, sd, corr; the residual's last."""
        rows: list[tuple[str, str, float, float, float]] = []
        for term, cov, sd, corr in zip(
            self.design.terms, self.covariances, self.sds, self.correlations
        ):
            for j, name in enumerate(term.names):
                first = corr[j, 0] if j and term.correlated else np.nan
                rows.append((term.group, name, cov[j, j], sd[j], first))
            for i, j in term.pairs:
                if j > 0:
                    both = f"{term.names[j]}, {term.names[i]}"
                    rows.append((term.group, both, np.nan, np.nan, corr[i, j]))
        if self.family == "gaussian":
            rows.append(("Residual", "", self.sigma**2, self.sigma, np.nan))
        return pd.DataFrame(rows, columns=["group", "name", "variance", "sd", "corr"])

    @property
    def n_parameters(self) -> int:
        """Number of parameters estimated, the residual's and the thresholds included."""
        residual = int(self.family == "gaussian")
        return self.design.p + self.design.n_theta + len(self.thresholds) + residual

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return -2.0 * self.llf + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion."""
        return -2.0 * self.llf + float(np.log(self.design.n)) * self.n_parameters

    def refit(
        self, design: Design, reml: bool | None = None, start: np.ndarray | None = None
    ) -> Fitted:
        """Fit another design as this one was; with another `reml`, or from another θ, if given."""
        reml = self.reml if reml is None else reml
        return fit_design(design, self.family, reml=reml, quadrature=self.quadrature, start=start)


def fit_design(
    design: Design,
    family: str,
    *,
    reml: bool = True,
    quadrature: int = 1,
    start: np.ndarray | None = None,
) -> Fitted:
    """Fit a design, by REML if it is Gaussian, unless `reml` says otherwise.

    `quadrature` is as in `fit`. θ may `start` (n_theta,) where a fit of similar data ended.
    """
    with one_thread():
        inner = standardise(design.with_term)
        theta = None if start is None else inner.forth(np.asarray(start, dtype=float))
        if family == "gaussian":
            return replace(_fit_gaussian(design.with_term, inner, reml, theta), design=design)
        found = fit_glmm(design.with_term, inner, family, quadrature, theta)
        apart = find_separation(design, found["beta"])
        found |= {"design": design, "converged": found["converged"] and not apart.coefficients}
        return Fitted(
            **found,
            separated=apart.coefficients,
            one_outcome=apart.groups,
            runaway=apart.direction if apart.coefficients else None,
        )


def _fit_gaussian(
    design: Design, inner: Standardised, reml: bool, start: np.ndarray | None
) -> Fitted:
    profile = GaussianProfile(inner.design, reml)

    def evaluate(x: np.ndarray) -> tuple[float, Effects, np.ndarray]:
        at = profile.at(x)
        return at.deviance / 2.0, [d / 2.0 for d in profile.gradient(at)], np.zeros(0)

    theta0 = design.diagonal * 1.0 if start is None else start
    best = minimise(inner.design, evaluate, theta0, theta_scale(design))
    if best.unbounded:
        raise ModelError(NO_RESIDUAL)
    theta = inner.back(best.x)
    if inner.design is not design:
        profile = GaussianProfile(design, reml)
    at = profile.at(theta)
    return Fitted(
        design=design,
        family="gaussian",
        theta=theta,
        beta=at.beta,
        sigma=at.sigma,
        v=at.v,
        factor=at.factor,
        llf=-at.deviance / 2.0,
        converged=best.converged,
        singular=best.singular,
        reml=reml,
    )
