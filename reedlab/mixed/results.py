"""``rl.fit`` and what it returns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, overload

import numpy as np
import pandas as pd
from scipy.stats import norm

from reedlab.mixed.checks import check_design
from reedlab.mixed.fitted import Fitted, fit_design
from reedlab.mixed.matrices import build
from reedlab.mixed.summary import Summary, summarise
from reedlab.mixed.threads import one_thread

if TYPE_CHECKING:
    from reedlab.mixed.errors_in_variables import CorrectedFit, ReadingError


@overload
def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
) -> Fit: ...
@overload
def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
    measurement_error: Mapping[str, float | ReadingError],
) -> CorrectedFit: ...


def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    reml: bool = True,
    quadrature: int = 1,
    measurement_error: Mapping[str, float | ReadingError] | None = None,
) -> Fit | CorrectedFit:
    """Fit a linear or generalised linear mixed model.

    Parameters
    ----------
    formula : str
        ``response ~ fixed + (effects | grouping)``. The fixed part is formulaic's, with ``scale``,
        ``center``, ``bs``, ``poly``, interactions and factors, and with ``within(x, g)`` and
        ``between(x, g)``. Groupings are ``g``, ``g/h`` (h within g) or ``g:h``; ``(x | g)`` has
        correlated slopes, ``(x || g)`` uncorrelated ones.
    data : DataFrame
        One row an observation; text columns are taken as factors. Never changed. Rows with an
        empty cell in a column that the model uses are left out and counted.
    family : {"gaussian", "binomial", "ordinal"}
        Gaussian; binomial on the logit scale; an ordered grade with a cumulative logit.
    trials : str, optional
        For the binomial family, the column of trials when the response counts successes.
    reml : bool
        Restricted likelihood for the Gaussian family (``False`` for maximum likelihood).
    quadrature : int
        For the other families, nodes of adaptive Gauss-Hermite quadrature; 1 is Laplace.
    measurement_error : mapping, optional
        For columns read with error the error's sd (or a gauge study's ``error``): their slopes are
        then corrected for the flattening that it brings.

    Returns
    -------
    Fit
        With ``measurement_error`` a :class:`~reedlab.mixed.errors_in_variables.CorrectedFit`.

    Raises
    ------
    FormulaError, DataError, ModelError
        Each one sentence: what is wrong, where, and what to do.

    Notes
    -----
    The covariance parameters θ are estimated with their boundary: an sd of 0 is an estimate like
    another, proved by the derivative in the variance and said in ``fit.singular``. With few groups
    such estimates say little about the variances themselves: decide on ``fit.posterior()``.

    References
    ----------
    Bates, Mächler, Bolker and Walker 2015, Journal of Statistical Software 67(1).

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> lot = np.repeat(["a", "b", "c", "d", "e"], 4)
    >>> minutes = [30, 32, 31, 29, 36, 37, 35, 38, 28, 27, 29, 30, 33, 31, 34, 32, 40, 38, 41, 39]
    >>> found = fit("minutes ~ 1 + (1 | lot)", pd.DataFrame({"lot": lot, "minutes": minutes}))
    >>> found.vcomp.sd.round(2).tolist()
    [4.43, 1.29]
    """
    if measurement_error:
        from reedlab.mixed.errors_in_variables import fit_corrected

        return fit_corrected(formula, data, family, measurement_error, trials=trials, reml=reml)
    design, recipe = build(formula, data, family, trials)
    with one_thread():
        check_design(design, family)
    return Fit(fit_design(design, family, reml=reml, quadrature=quadrature, recipe=recipe))


class Fit:
    """A fitted mixed model: estimates as frames, and the questions one asks of it.

    Parameters
    ----------
    fitted : Fitted
        What the fit found, as data.
    """

    def __init__(self, fitted: Fitted) -> None:
        self.fitted = fitted

    def __repr__(self) -> str:
        return str(self.summary())

    def _repr_html_(self) -> str:
        return self.summary()._repr_html_()

    @property
    def formula(self) -> str:
        """The formula as given."""
        return str(self.fitted.recipe.formula.text)

    @property
    def family(self) -> str:
        """``"gaussian"``, ``"binomial"`` or ``"ordinal"``."""
        return self.fitted.family

    @property
    def fe_params(self) -> pd.Series:
        """Fixed effects, named as formulaic names them."""
        return pd.Series(
            self.fitted.beta, index=list(self.fitted.design.fixed_names), name="estimate"
        )

    @property
    def bse_fe(self) -> pd.Series:
        """Standard errors of the fixed effects."""
        se = np.sqrt(np.diag(self.fitted.cov_beta))
        return pd.Series(se, index=list(self.fitted.design.fixed_names), name="se")

    @property
    def cov_fe(self) -> pd.DataFrame:
        """Covariance of the fixed effects' estimates."""
        names = list(self.fitted.design.fixed_names)
        return pd.DataFrame(self.fitted.cov_beta, index=names, columns=names)

    @property
    def vcomp(self) -> pd.DataFrame:
        """Variance components: group, name, variance, sd, corr (with the term's first column).

        A term of three or more columns has a further row, without variance, for each correlation
        that does not involve its first column.
        """
        return self.fitted.variance_components()

    @property
    def random_effects(self) -> pd.DataFrame:
        """Conditional modes: group, level, name, mode, sd (given θ and β, as lme4 defines it)."""
        fitted, frames = self.fitted, []
        for term, modes, cov in zip(fitted.design.terms, fitted.modes, fitted.mode_covariances):
            frames.append(
                pd.DataFrame(
                    {
                        "group": term.group,
                        "level": np.repeat(np.array(term.levels, dtype=object), term.k),
                        "name": list(term.names) * term.n_levels,
                        "mode": modes.ravel(),
                        "sd": np.sqrt(np.einsum("lkk->lk", cov)).ravel(),
                    }
                )
            )
        return pd.concat(frames, ignore_index=True)

    @property
    def llf(self) -> float:
        """Log-likelihood; the restricted one for a fit by REML."""
        return self.fitted.llf

    @property
    def aic(self) -> float:
        """Akaike's criterion, every estimated parameter counted, θ and σ among them."""
        return -2.0 * self.llf + 2.0 * self.fitted.n_parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of rows."""
        return -2.0 * self.llf + float(np.log(self.nobs)) * self.fitted.n_parameters

    @property
    def nobs(self) -> int:
        """Number of rows used."""
        return self.fitted.design.n

    @property
    def converged(self) -> bool:
        """Whether the optimum was reached and every zero variance proved."""
        return self.fitted.converged

    @property
    def singular(self) -> bool:
        """Whether a covariance is rank-deficient; :attr:`singular_terms` says which."""
        return bool(self.fitted.singular)

    @property
    def singular_terms(self) -> tuple[str, ...]:
        """Groupings of the terms whose covariance is rank-deficient."""
        return tuple(self.fitted.design.terms[t].group for t in self.fitted.singular)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know of this fit, one sentence each."""
        return self.fitted.all_notes()

    def conf_int(self, method: str = "wald", level: float = 0.95, **options: Any) -> pd.DataFrame:
        """Confidence limits: low and high, one row a parameter.

        Parameters
        ----------
        method : {"wald", "profile", "bootstrap"}
            Wald limits are of the fixed effects alone; the others take in the sds.
        level : float
            Confidence level.
        **options
            Passed to :func:`reedlab.mixed.intervals.conf_int`.
        """
        if method == "wald":
            return self._wald(level)
        from reedlab.mixed.intervals import conf_int

        return conf_int(self.fitted, method=method, level=level, **options)

    def _wald(self, level: float) -> pd.DataFrame:
        half = float(norm.ppf(0.5 + level / 2.0)) * self.bse_fe
        return pd.DataFrame({"low": self.fe_params - half, "high": self.fe_params + half})

    def summary(self) -> Summary:
        """Everything one expects of a fit: it prints as text and shows as tables in a notebook."""
        return summarise(self.fitted)

    def predict(
        self,
        data: pd.DataFrame | None = None,
        new_levels: str | Sequence[str] = (),
        random: bool = True,
        link: bool = False,
    ) -> Any:
        """Predict the mean response; see :func:`reedlab.mixed.predict.predict`."""
        from reedlab.mixed.predict import predict

        return predict(self.fitted, data, new_levels, random, link)

    def posterior(self, seed: int = 1, **options: Any) -> Any:
        """Every parameter's uncertainty, the variances' own included.

        Parameters
        ----------
        seed : int
            Seed of the draws.
        **options
            Passed to :func:`reedlab.mixed.posterior.posterior`, ``priors`` among them.
        """
        from reedlab.mixed.posterior import posterior

        return posterior(self.fitted, seed=seed, **options)
