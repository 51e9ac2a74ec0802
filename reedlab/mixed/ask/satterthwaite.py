"""t and F for Gaussian models, with Satterthwaite's degrees of freedom.

With few suppliers an estimate's standard error is itself badly known, and a normal quantile makes
its interval too short. Satterthwaite's degrees of freedom say how badly: they are those of the
chi-square distribution that has the mean and the variance of the estimate's own variance.

References
----------
Kuznetsova, A., Brockhoff, P. B. and Christensen, R. H. B. (2017). lmerTest package: tests in linear
mixed effects models. Journal of Statistical Software 82(13). Fai, A. H.-T. and Cornelius, P. L.
(1996). Approximate F-tests of multiple degree of freedom hypotheses in generalized least squares
analyses of unbalanced split-plot experiments. Journal of Statistical Computation and Simulation 54,
363-378.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtr, stdtrit

from reedlab.errors import ModelError
from reedlab.mixed.ask.cautions import refuse_unusable
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.engine.gaussian import GaussianProfile
from reedlab.mixed.engine.standardise import standardise
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.nested_laplace import check_level


def t_tests(
    fitted: Fitted, contrasts: pd.DataFrame | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Test coefficients of a Gaussian model by t with Satterthwaite's degrees of freedom.

    The degrees of freedom are 2 v² / (g' A g), with v an estimate's variance, g its gradient in
    (θ, σ) and A the inverse of half the deviance's Hessian there.

    Parameters
    ----------
    contrasts : DataFrame, optional
        One row a combination of coefficients, one column a coefficient (0 where it has none); each
        coefficient by itself unless given.
    level : float
        Of the interval.

    Returns
    -------
    DataFrame
        estimate, se, df, t, p, low, high; one row a coefficient or contrast.

    Raises
    ------
    ModelError
        When the fit is not Gaussian, or contrasts name a coefficient that it has not.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> model = rl.fit("log_scrape_min ~ maker + (1 | lot)", simulate_reeds(seed=1)[0])
    >>> model.t_tests().columns.tolist()
    ['estimate', 'se', 'df', 't', 'p', 'low', 'high']
    """
    names = list(fitted.design.fixed_names)
    if contrasts is None:
        contrasts = pd.DataFrame(np.eye(len(names)), index=names, columns=names)
    strange = [name for name in contrasts.columns if name not in names]
    if strange:
        raise ModelError(f"there is no coefficient {strange[0]!r}: there are {', '.join(names)}.")
    contrasts = contrasts.reindex(columns=names, fill_value=0.0)
    df = Spread(fitted).df(contrasts.to_numpy(dtype=float))
    return t_table(fitted, contrasts, df, level)


def t_table(
    fitted: Fitted, contrasts: pd.DataFrame, df: np.ndarray | float, level: float
) -> pd.DataFrame:
    """Test combinations of coefficients, one a row, by t with these degrees of freedom, or by z."""
    check_level(level)
    L = contrasts.to_numpy(dtype=float)
    estimate, se = L @ fitted.beta, np.sqrt(np.einsum("rp,pq,rq->r", L, fitted.cov_beta, L))
    t = estimate / se
    half, p = stdtrit(df, 0.5 + level / 2.0) * se, 2.0 * stdtr(df, -np.abs(t))
    tested = {"estimate": estimate, "se": se, "df": df, "t": t, "p": p}
    ends = {"low": estimate - half, "high": estimate + half}
    return pd.DataFrame(tested | ends, index=contrasts.index)


class Spread:
    """Covariance of a Gaussian fit's coefficients, and how well it is known itself."""

    def __init__(self, fitted: Fitted) -> None:
        if fitted.family != "gaussian":
            raise ModelError(
                "Satterthwaite's degrees of freedom belong to Gaussian models: use conf_int(), "
                "posterior() or term_tests()."
            )
        refuse_unusable(fitted, "Satterthwaite's tests")
        # where each θ has a size that a step can be measured by
        inner = standardise(fitted.design.with_term)
        self.profile = GaussianProfile(inner.design, fitted.reml)
        self.at = np.append(inner.forth(fitted.theta), fitted.sigma)
        least = 0.1 * np.append(np.ones(len(fitted.theta)), fitted.sigma)
        self.step = 1e-3 * np.maximum(np.abs(self.at), least)
        self.covariance = self._covariance(self.at)

    def _deviance(self, x: np.ndarray) -> float:
        return self.profile.deviance(self.profile.at(x[:-1]), x[-1])

    def _covariance(self, x: np.ndarray) -> np.ndarray:
        return np.asarray(x[-1] ** 2 * self.profile.at(x[:-1]).factor.cov_beta)

    @cached_property
    def _moves(self) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives of the covariance in (θ, σ), (m, p, p), and the covariance of (θ, σ)."""
        from statsmodels.tools.numdiff import approx_hess3

        with one_thread():
            # A, the covariance of (θ, σ): inverse of half the Hessian of minus twice the
            # log-likelihood; pseudo-inverse, since a direction at its bound may be flat
            hessian = approx_hess3(self.at, self._deviance, epsilon=self.step)
            changes = [
                (self._covariance(self.at + h) - self._covariance(self.at - h)) / (2.0 * h.sum())
                for h in np.diag(self.step)
            ]
        return np.array(changes), np.linalg.pinv(hessian / 2.0, rcond=1e-10, hermitian=True)

    def df(self, L: np.ndarray) -> np.ndarray:
        """Satterthwaite's degrees of freedom of each row of L."""
        # v = l' V l; its variance by the delta method is g' A g; matching the first two moments of
        # a scaled chi-square gives df = 2 v² / (g' A g) (Kuznetsova et al. 2017)
        changes, inverse = self._moves
        v = np.einsum("rp,pq,rq->r", L, self.covariance, L)
        gradient = np.einsum("rp,mpq,rq->rm", L, changes, L)
        moved = np.einsum("ri,ij,rj->r", gradient, inverse, gradient)
        return np.divide(2.0 * v**2, moved, out=np.full_like(v, np.inf), where=moved > 0)

    def f_test(self, beta: np.ndarray, L: np.ndarray) -> tuple[float, int, float, float]:
        """F, df, residual df and p of the rows of L (linearly independent) all being zero."""
        # L V L' = P D P': the rows of P'L have independent t statistics, and F = Σ t² / q
        variances, axes = np.linalg.eigh(L @ self.covariance @ L.T)
        turned, q = axes.T @ L, len(L)
        F = float(np.mean((turned @ beta) ** 2 / variances))
        df = self.df(turned)
        if np.ptp(df) < 1e-6 * df.min():
            residual = float(df.mean())
        elif df.min() <= 2.0:
            residual = 2.0
        else:
            # E Σ t² = Σ df/(df - 2) = q E F, solved for F's residual df (Fai and Cornelius 1996)
            mean = float(np.sum(df / (df - 2.0)))
            residual = 2.0 * mean / (mean - q)
        return F, q, residual, float(fdtrc(q, residual, F))
