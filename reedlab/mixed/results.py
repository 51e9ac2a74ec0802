"""What ``rl.fit`` returns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.ask import adequacy, effects, intervals, predict
from reedlab.mixed.ask import term_tests as significance
from reedlab.mixed.ask.design_table import DesignTable, design_table
from reedlab.mixed.ask.held_out import HeldOut, held_out_calibration
from reedlab.mixed.ask.residuals import ResidualCheck, quantile_residuals
from reedlab.mixed.ask.satterthwaite import satterthwaite
from reedlab.mixed.ask.summary import Summary, summarise
from reedlab.mixed.ask.term_tests import RatioTest
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.gaps.pooling import FilledPosterior
from reedlab.mixed.posterior import nested_laplace as posterior
from reedlab.mixed.posterior.nested_laplace import Posterior


class Fit:
    """A fitted mixed model: estimates as frames, and the questions one asks of it.

    Parameters
    ----------
    fitted : Fitted
        What the fit found, as data.
    frame : DataFrame
        The rows that `rl.fit` was given.
    """

    def __init__(self, fitted: Fitted, frame: pd.DataFrame) -> None:
        self.fitted, self._frame = fitted, frame

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

    @cached_property
    def data(self) -> pd.DataFrame:
        """The rows of the data frame that the fit used."""
        return self._frame.iloc[self.fitted.design.rows_used]

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
        return self.fitted.all_notes()

    def conf_int(self, method: str = "wald", level: float = 0.95, **options: Any) -> pd.DataFrame:
        """Confidence limits: low and high, one row a parameter.

        Parameters
        ----------
        method : {"wald", "profile", "bootstrap"}
            Wald limits are of the coefficients alone; the others take in the sds.
        level : float
            Confidence level.
        **options
            Passed to :func:`reedlab.mixed.ask.intervals.conf_int`.
        """
        return intervals.conf_int(self.fitted, method=method, level=level, **options)

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
        """Predict the mean response; see :func:`reedlab.mixed.ask.predict.predict`."""
        return predict.predict(self.fitted, data, new_levels, random, link)

    def posterior(self, seed: int = 1, **options: Any) -> Posterior:
        """Every parameter's uncertainty, the variances' own included.

        Parameters
        ----------
        seed : int
            Seed of the draws.
        **options
            Passed to :func:`reedlab.mixed.posterior.nested_laplace.posterior`, ``priors`` among
            them.
        """
        return posterior.posterior(self.fitted, seed=seed, **options)

    def effects(
        self,
        variables: str | Sequence[str] | None = None,
        at: Mapping[str, Any] | None = None,
        method: Posterior | FilledPosterior | str = "posterior",
        **options: Any,
    ) -> pd.DataFrame:
        """Average effects on the response's own scale, or the mean response at set conditions.

        A coefficient on the logit scale is nobody's gain or loss; this says by how much the chance
        of success changes, averaged over the rows of the fit and over new lots.

        Parameters
        ----------
        variables : str or sequence of str, optional
            Predictors. Without them: all, or where `at` is given the mean response itself.
        at : mapping, optional
            Values to set, such as ``{"season": ["summer", "winter"]}``.
        method : Posterior, FilledPosterior or {"posterior", "delta"}
            What the intervals come from: draws of the posterior (which may be given, with priors
            of one's own or with missing readings filled in, whose rows then count too), or the
            delta method, which takes the variances for known.
        **options
            ``groups``, ``average``, ``at_least``, ``level``: see
            :func:`reedlab.mixed.ask.effects.effects`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("success ~ season + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
        >>> model.effects("season")["change"].tolist()[:2]
        ['summer instead of spring', 'autumn instead of spring']
        >>> model.effects(at={"season": ["summer", "winter"]}).columns.tolist()
        ['season', 'estimate', 'se', 'low', 'high']
        """
        model: Any = method
        if method == "posterior":
            model = self.posterior()
        elif method == "delta":
            model = self.fitted
        elif not isinstance(method, Posterior | FilledPosterior):
            raise ModelError(f"there is no method {method!r}: choose posterior or delta.")
        return effects.effects(model, self.data, variables, at, **options)

    def contrasts(self, factor: str, correction: str = "holm", level: float = 0.95) -> pd.DataFrame:
        """Compare a factor's levels two by two, p-values corrected for their number.

        On the linear predictor's scale; see :func:`reedlab.mixed.ask.effects.contrasts`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> made = simulate_reeds(seed=1)[0]
        >>> model = rl.fit("log_scrape_min ~ season + (1 | lot)", made)
        >>> model.contrasts("season", correction="fdr_bh")[["first", "second"]].iloc[0].tolist()
        ['spring', 'summer']
        """
        return effects.contrasts(self.fitted, self.data, factor, correction, level)

    def t_tests(self, contrasts: pd.DataFrame | None = None, level: float = 0.95) -> pd.DataFrame:
        """Test a Gaussian model's coefficients by t, with Satterthwaite's degrees of freedom.

        Or contrasts of them; see :func:`reedlab.mixed.ask.satterthwaite.satterthwaite`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ maker + (1 | lot)", simulate_reeds(seed=1)[0])
        >>> model.t_tests().columns.tolist()
        ['estimate', 'se', 'df', 't', 'p', 'low', 'high']
        """
        return satterthwaite(self.fitted, contrasts, level)

    def term_tests(self, method: str = "auto", **options: Any) -> pd.DataFrame:
        """Test each term of the fixed part, all its columns together.

        Gaussian models by F with Satterthwaite's degrees of freedom, others by the ratio of
        maximum likelihoods, whose null is simulated where a term varies between the levels of a
        grouping only; see :func:`reedlab.mixed.ask.term_tests.term_tests`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ season + (1 | lot)", simulate_reeds(seed=1)[0])
        >>> model.term_tests().loc["season", "null"]
        'F'
        """
        return significance.term_tests(self.fitted, method, **options)

    def variance_test(self, group: str, n: int = 999, seed: int = 1, **options: Any) -> RatioTest:
        """Test whether a grouping's effects vary at all, against a null of `n` simulated refits.

        With three suppliers of five reeds each the ratio is 0 in 60 % of data without any
        difference (by ML in 74 %), not in half of them; see
        :func:`reedlab.mixed.ask.term_tests.variance_test`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ 1 + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
        >>> model.variance_test("lot", n=19).p
        0.05
        """
        return significance.variance_test(self.fitted, group, n, seed, **options)

    def icc(self) -> pd.DataFrame:
        """Intra-class correlations: the share of the variance that lies between a group's levels.

        See :func:`reedlab.mixed.ask.adequacy.icc`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ maker + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
        >>> model.icc().index.tolist()
        ['supplier', 'supplier:lot', 'all groups']
        """
        return adequacy.icc(self.fitted)

    def r_squared(self) -> pd.Series:
        """Nakagawa's R²: marginal (the fixed part) and conditional (with the groups).

        See :func:`reedlab.mixed.ask.adequacy.r_squared`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ maker + (1 | lot)", simulate_reeds(seed=1)[0])
        >>> bool(model.r_squared()["marginal"] < model.r_squared()["conditional"])
        True
        """
        return adequacy.r_squared(self.fitted)

    def collinearity(self) -> pd.DataFrame:
        """Variance inflation of each fixed term: over 5 is high, by rule of thumb.

        See :func:`reedlab.mixed.ask.adequacy.collinearity`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("success ~ season + maker + (1 | lot)", simulate_reeds()[0], "binomial")
        >>> bool((model.collinearity()["vif"] < 1.5).all())
        True
        """
        return adequacy.collinearity(self.fitted)

    def residuals(self, n: int = 250, seed: int = 1) -> ResidualCheck:
        """Quantile residuals, with tests of uniformity, dispersion and outliers.

        A 0/1 response has no residual to look at; its place among responses that the model makes
        up is uniform if the model is right. See
        :func:`reedlab.mixed.ask.residuals.quantile_residuals`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("success ~ maker + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
        >>> model.residuals(n=99).tests.index.tolist()
        ['uniformity', 'dispersion', 'outliers']
        """
        return quantile_residuals(self.fitted, n, seed)

    def influence(self, group: str) -> pd.DataFrame:
        """Leave out each supplier, lot or maker: Cook's distance, and what changes.

        See :func:`reedlab.mixed.ask.adequacy.influence`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("log_scrape_min ~ maker + (1 | supplier/lot)", simulate_reeds(seed=1)[0])
        >>> model.influence("supplier").shape
        (5, 7)
        """
        return adequacy.influence(self.fitted, group)

    def calibration(self, group: str, folds: int = 10, **options: Any) -> HeldOut:
        """Foretell success for whole lots that are held out in turn, and hold it to what came.

        Brier's score with its parts, and the shares by bins of predicted chance; a held-out lot's
        effect is integrated out. See :func:`reedlab.mixed.ask.held_out.held_out_calibration`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("success ~ maker + (1 | lot)", simulate_reeds(seed=1)[0], "binomial")
        >>> model.calibration("lot", folds=3, draws=200).brier.index.tolist()
        ['score', 'reliability', 'resolution', 'uncertainty', 'within']
        """
        return held_out_calibration(self.fitted, group, folds, **options)

    def design_table(self, factor: str, condition: str) -> DesignTable:
        """Count the rows of each level under each condition, and say which can be told apart.

        See :func:`reedlab.mixed.ask.design_table.design_table`.

        Examples
        --------
        >>> import reedlab as rl
        >>> from reedlab.simulate import simulate_reeds
        >>> model = rl.fit("success ~ season + (1 | supplier)", simulate_reeds()[0], "binomial")
        >>> model.design_table("supplier", "season").counts.shape
        (5, 4)
        """
        return design_table(self.data, factor, condition)
