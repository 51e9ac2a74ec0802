"""``rl.fit`` and the object that it returns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.ask.cautions import notes, warn
from reedlab.mixed.ask.checks.adequacy import collinearity, icc, influence, r_squared
from reedlab.mixed.ask.checks.binned_residuals import binned_residuals
from reedlab.mixed.ask.checks.held_out import calibration
from reedlab.mixed.ask.checks.predictive_check import predictive_check
from reedlab.mixed.ask.checks.residuals import residuals
from reedlab.mixed.ask.compare import Comparison, compare_fits
from reedlab.mixed.ask.design_table import design_table
from reedlab.mixed.ask.effects import contrasts, effects
from reedlab.mixed.ask.intervals import conf_int
from reedlab.mixed.ask.predict import predict
from reedlab.mixed.ask.responses import simulate_responses, with_response
from reedlab.mixed.ask.satterthwaite import t_tests
from reedlab.mixed.ask.summary import summary
from reedlab.mixed.ask.term_tests import term_tests, variance_test
from reedlab.mixed.design.matrices import build
from reedlab.mixed.design.refusals import check_design, check_options
from reedlab.mixed.engine.fitted import Fitted, fit_design
from reedlab.mixed.parallel import one_thread
from reedlab.mixed.posterior.nested_laplace import posterior

P = ParamSpec("P")
R = TypeVar("R")


def _asked(question: Callable[Concatenate[Fitted, P], R]) -> Callable[Concatenate[Fit, P], R]:
    """Make a question to the engine's result a method of `Fit`, documented where it is answered."""

    @wraps(question)
    def method(self: Fit, /, *args: P.args, **options: P.kwargs) -> R:
        return question(self.fitted, *args, **options)

    return method


class Fit:
    """A fitted mixed model: estimates as frames, and the questions one asks of it.

    Parameters
    ----------
    fitted : Fitted
        What the engine found, as plain data; each question is a function of it in ``mixed/ask/``.
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
    def data(self) -> pd.DataFrame:
        """The rows of the data frame that the fit used."""
        return self.fitted.data

    @property
    def fe_params(self) -> pd.Series:
        """Fixed effects, named as formulaic names them."""
        return pd.Series(self.fitted.beta, self.fitted.design.fixed_names, name="estimate")

    @property
    def bse_fe(self) -> pd.Series:
        """Standard errors of the fixed effects."""
        se = np.sqrt(np.diag(self.fitted.cov_beta))
        return pd.Series(se, self.fitted.design.fixed_names, name="se")

    @property
    def cov_fe(self) -> pd.DataFrame:
        """Covariance of the fixed effects' estimates."""
        names = self.fitted.design.fixed_names
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
            level = np.repeat(np.array(term.levels, dtype=object), term.k)
            part = {"group": term.group, "level": level, "name": term.names * term.n_levels}
            sd = np.sqrt(np.einsum("lkk->lk", cov))
            frames.append(pd.DataFrame(part | {"mode": modes.ravel(), "sd": sd.ravel()}))
        if not frames:
            return pd.DataFrame(columns=["group", "level", "name", "mode", "sd"])
        return pd.concat(frames, ignore_index=True)

    @property
    def llf(self) -> float:
        """Log-likelihood; the restricted one for a fit by REML."""
        return self.fitted.llf

    @property
    def aic(self) -> float:
        """Akaike's criterion, every estimated parameter counted, θ and σ among them."""
        return self.fitted.aic

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of rows."""
        return self.fitted.bic

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
        return notes(self.fitted)

    summary = _asked(summary)
    conf_int = _asked(conf_int)
    predict = _asked(predict)
    simulate = _asked(simulate_responses)
    posterior = _asked(posterior)
    effects = _asked(effects)
    contrasts = _asked(contrasts)
    t_tests = _asked(t_tests)
    term_tests = _asked(term_tests)
    variance_test = _asked(variance_test)
    icc = _asked(icc)
    r_squared = _asked(r_squared)
    collinearity = _asked(collinearity)
    influence = _asked(influence)
    residuals = _asked(residuals)
    binned_residuals = _asked(binned_residuals)
    predictive_check = _asked(predictive_check)
    calibration = _asked(calibration)
    design_table = _asked(design_table)

    def refit(self, y: Sequence[Any]) -> Fit:
        """Fit the same model to another response of the same rows.

        Parameters
        ----------
        y : sequence, shape (nobs,)
            One value a row used, in their order, such as a column of :meth:`simulate`.

        Returns
        -------
        Fit

        Raises
        ------
        DataError, ModelError
            For values that do not fit the rows, or that do not determine the model.

        Warns
        -----
        SeparationWarning, ConvergenceWarning
            As `fit` does.

        Examples
        --------
        >>> from reedlab.simulate import simulate_reeds
        >>> model = fit("log_scrape_min ~ 1 + (1 | lot)", simulate_reeds(seed=1)[0])
        >>> model.refit(model.simulate(seed=2)[0]).nobs == model.nobs
        True
        """
        again = with_response(self.fitted, y)
        warn(again)
        return Fit(again)


def fit(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    weights: str | None = None,
    reml: bool | None = None,
    quadrature: int = 1,
) -> Fit:
    """Fit a linear or generalised linear model, with random terms or without.

    Parameters
    ----------
    formula : str
        ``response ~ fixed + (effects | grouping)``. The fixed part is formulaic's, with ``scale``,
        ``center``, ``bs``, ``poly``, interactions and factors, and with ``within(x, g)`` and
        ``between(x, g)``; it reaches columns and the transforms of
        ``reedlab.mixed.design.expressions.TRANSFORMS`` only. Groupings are ``g``, ``g/h`` (h within
        g) or ``g:h``; ``(x | g)`` has correlated slopes, ``(x || g)`` uncorrelated ones.
        ``offset(x)`` is added to the linear predictor without a coefficient.
    data : DataFrame
        One row an observation; text columns are taken as factors. Never changed. Rows with an
        empty cell in a column that the model uses are left out and counted; `fit_filled` keeps
        those that lack a measurement only.
    family : {"gaussian", "binomial", "ordinal"}
        Gaussian; binomial on the logit scale; an ordered grade with a cumulative logit.
    trials : str, optional
        For the binomial family, the column of trials when the response counts successes.
    weights : str, optional
        The column of weights, above 0. A Gaussian row's residual variance is σ² over its weight, as
        of a mean of so many readings. For the other families a row's log-likelihood counts so many
        times, as with sampling weights; rows that stand for several reeds are counts: ``trials=``.
    reml : bool, optional
        For the Gaussian family, whether the likelihood is the restricted one; ``True`` unless
        given.
    quadrature : int
        For the other families, nodes of adaptive Gauss-Hermite quadrature; 1 is Laplace.

    Returns
    -------
    Fit

    Raises
    ------
    FormulaError, DataError, ModelError
        Each one sentence: what is wrong, where, and what to do.

    Warns
    -----
    SeparationWarning
        A coefficient, or a standard deviation, that has no finite estimate.
    ConvergenceWarning
        A search that did not end at the top of the likelihood.

    Notes
    -----
    The covariance parameters θ are estimated with their boundary: a standard deviation of 0 is an
    estimate like another, proved by the derivative in the variance; see ``fit.singular``. With few
    groups such estimates say little about the variances themselves: decide on ``fit.posterior()``.

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
    design, recipe = build(formula, data, family, trials, weights)
    check_options(family, reml, quadrature)
    with one_thread():
        check_design(design, family)
    fitted = fit_design(design, family, reml=reml is not False, quadrature=quadrature)
    warn(fitted)
    return Fit(replace(fitted, recipe=recipe, frame=data.copy(deep=False)))


def compare(
    first: Fit,
    second: Fit,
    group: str | None = None,
    *,
    method: str = "auto",
    n: int = 999,
    folds: int = 10,
    seed: int = 1,
    workers: int = 1,
) -> Comparison:
    """Compare two models of the same rows.

    Parameters
    ----------
    first, second : Fit
        Fits of one family to the same response in the same rows, the smaller model first or
        second. Fits by REML are fitted anew by maximum likelihood for ratio, AIC and BIC.
    group : str, optional
        The grouping whose levels are held out whole, "supplier:lot" or "lot"; that with the most
        levels unless given.
    method : {"auto", "mixture", "simulated"}
        Null of the likelihood ratio. "auto": a chi-square; where the larger model has one variance
        more, the boundary's mixture of two chi-squares; where it has more of them, "simulated" from
        the smaller model, which is right for any number of levels.
    n : int
        Responses simulated for that null.
    folds, seed, workers : int
        Parts that the levels are dealt into, seed of the dealing, of the posteriors and of the
        simulated null, and processes for the null.

    Returns
    -------
    Comparison
        table (formula, parameters, log_likelihood, aic, bic, score), test, gain and its standard
        error, notes; ``sentence()`` says it in words. The score is the continuous ranked
        probability score of held-out levels: the Brier score of 0/1 outcomes.

    Raises
    ------
    ModelError
        For fits of different families, rows or responses, a group or a method that there is not.

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds = simulate_reeds(seed=1)[0]
    >>> without = fit("log_scrape_min ~ 1 + (1 | lot)", reeds)
    >>> with_maker = fit("log_scrape_min ~ maker + (1 | lot)", reeds)
    >>> compare(without, with_maker, folds=2).test.method
    'chi-square'
    """
    for model in (first, second):
        if not isinstance(model, Fit):
            raise ModelError(
                f"compare() needs two fits, not a {type(model).__name__}: give what fit() returns."
            )
    return compare_fits(first.fitted, second.fitted, group, method, n, folds, seed, workers)
