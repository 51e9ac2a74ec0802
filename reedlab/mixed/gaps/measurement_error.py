"""Measurement error in a predictor: its slope corrected for attenuation (regression dilution).

A reading is the truth and an error, w = x + e, the standard deviation of e known. In ``y ~ w`` the
slope is pulled towards zero by about the reliability λ = var(x) / var(w), taken within groups and
for equal covariates. Regression calibration puts E(x | readings, groups, covariates) in the place
of w. That expectation comes from a mixed model of the readings with the outcome model's own groups:

    w = Z γ + groups + δ + e,    x̂ = Z γ + groups' modes + λ · (what the model leaves of w).

It is exact for a Gaussian outcome and close for a logit while the slope's effect over the error is
moderate. Errors must be the same for good pieces and bad, and independent of the truth. The
interval comes from resampling whole lots and, where the standard deviation itself comes from a
study, the study.

References
----------
Carroll, R. J., Ruppert, D., Stefanski, L. A. and Crainiceanu, C. M. (2006). Measurement Error in
Nonlinear Models, 2nd ed., Chapman & Hall, chapters 3 (attenuation) and 4 (regression calibration,
its bootstrap). Spiegelman, D., McDermott, A. and Rosner, B. (1997). American Journal of Clinical
Nutrition 65(4), 1179S-1186S.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from formulaic.parser.types import Term

from reedlab.errors import DataError, FormulaError, ModelError
from reedlab.mixed.design.expressions import coding, names_of
from reedlab.mixed.design.formula import MixedFormula
from reedlab.mixed.design.matrices import Recipe, build, new_columns
from reedlab.mixed.design.refusals import check_design, check_options, check_whole
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import Fitted, fit_design
from reedlab.mixed.parallel import one_thread

LEAST_RELIABILITY = 0.5
"""Below it a reading is more error than cane, and nothing is corrected."""
CAUTION_BELOW = 0.7
"""Reliability below which a note says that the correction rests on the gauge study (our choice)."""


@dataclass(frozen=True)
class ReadingError:
    """The error of one reading, as a gauge study found it.

    Attributes
    ----------
    sd : float
        Standard deviation of a reading about the truth, in the quantity's own unit.
    df : float, default infinite
        Degrees of freedom of that standard deviation; infinite takes it as exactly known.
    """

    sd: float
    df: float = np.inf

    def __post_init__(self) -> None:
        if not (np.isfinite(self.sd) and self.sd > 0 and self.df > 0):
            raise DataError(
                f"The standard deviation of a reading error is {self.sd} with {self.df} degrees of "
                "freedom: give numbers above zero, as a gauge study finds them."
            )

    def draw(self, rng: np.random.Generator) -> float:
        """Draw a standard deviation that the study could as well have found."""
        if np.isinf(self.df):
            return self.sd
        # sd² df / χ²_df: the variance's posterior under a flat prior on log sd
        return self.sd * float(np.sqrt(self.df / rng.chisquare(self.df)))


@dataclass(frozen=True, repr=False)
class CorrectedFit:
    """A mixed model whose slopes on quantities read with error are corrected for attenuation.

    Attributes
    ----------
    uncorrected, corrected : Fitted
        The model on the readings, and on what they let one expect of the truth. What the corrected
        one says of its own uncertainty leaves the correction's out: use `conf_int`.
    reliability : pandas.DataFrame
        One row a corrected column: `sd` of its error, `reliability` within groups and for equal
        covariates, 1 - sd² / var(w).
    draws : pandas.DataFrame
        One row a bootstrap replicate, one column a fixed effect.
    clusters : int
        Number of levels resampled, those of the grouping that has the most, such as lots.
    notes : tuple of str
        Cautions, one sentence each.
    """

    uncorrected: Fitted
    corrected: Fitted
    reliability: pd.DataFrame
    draws: pd.DataFrame
    clusters: int
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        """Show the slopes before and after, the reliabilities and the cautions."""
        return "\n\n".join([self.summary().to_string(), self.reliability.to_string(), *self.notes])

    @property
    def fe_params(self) -> pd.Series:
        """Corrected fixed effects, named as formulaic names them.

        A scaled quantity, ``scale(x)``, is still counted in standard deviations of the readings.
        """
        return pd.Series(self.corrected.beta, index=[*self.corrected.design.fixed_names])

    @property
    def bse_fe(self) -> pd.Series:
        """Their standard errors, the bootstrap's."""
        return self.draws.std()

    def conf_int(self, level: float = 0.95) -> pd.DataFrame:
        """Return each fixed effect's interval.

        Parameters
        ----------
        level : float, default 0.95

        Returns
        -------
        pandas.DataFrame
            `low`, `high`, one row a fixed effect: the estimate and the bootstrap's standard error
            times Student's t with one degree of freedom less than there are lots.
        """
        from scipy import stats

        wide = stats.t.ppf((1 + level) / 2, self.clusters - 1) * self.bse_fe
        return pd.DataFrame({"low": self.fe_params - wide, "high": self.fe_params + wide})

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Return the slopes before and after: `uncorrected`, `corrected`, `se`, `low`, `high`."""
        before = pd.Series(self.uncorrected.beta, index=self.fe_params.index)
        frame = pd.DataFrame({"uncorrected": before, "corrected": self.fe_params})
        return frame.assign(se=self.bse_fe).join(self.conf_int(level)).rename_axis("term")


def fit_corrected(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    reading_error: Mapping[str, float | ReadingError | None],
    trials: str | None = None,
    reml: bool | None = None,
    replicates: int = 200,
    seed: int = 1,
) -> CorrectedFit:
    """Fit a mixed model whose slopes are corrected for attenuation, by regression calibration.

    Parameters
    ----------
    formula : str
        The formula, written with the readings. Quantities read with error may enter sums,
        interactions, ``scale``, ``center``, ``within`` and ``between``; curved terms (squares,
        logs) are only roughly corrected.
    data : pandas.DataFrame
        One row an observation, each with a reading of its own.
    family : {"gaussian", "binomial"}
    reading_error : mapping of str to float or ReadingError
        For each such column the standard deviation of a reading's error, or a gauge study's
        ``error``.
    trials : str, optional
        The column of trials, for a binomial response of counts.
    reml : bool, optional
        For the Gaussian family, whether the likelihood is the restricted one; ``True`` unless
        given.
    replicates : int, default 200
        Bootstrap replicates, 2 at least.
    seed : int
        Of the bootstrap.

    Returns
    -------
    CorrectedFit

    Raises
    ------
    ModelError
        When a reliability is below 0.5: then the correction is worth less than better readings.
        When the model has no finite estimates (separation) or did not converge, or more than a
        fifth of the resampled benches are like that. When no column is named.
    FormulaError
        When a column named is not a quantity of the fixed part.
    DataError
        When an error is no number above zero, or a column that calibrates the readings has gaps.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds, _ = simulate_reeds(seed=1)
    >>> formula = "success ~ density_g_cm3 + (1 | supplier/lot)"
    >>> found = rl.fit_corrected(
    ...     formula, reeds, "binomial", reading_error={"density_g_cm3": 0.01}, replicates=10)
    >>> found.summary().columns.tolist()
    ['uncorrected', 'corrected', 'se', 'low', 'high']
    """
    errors = _errors(reading_error)
    design, recipe = build(formula, data, family, trials)
    check_options(family, reml)
    check_whole(replicates, 2, "replicates", "resampled benches")
    check_design(design, family)
    _check(recipe, errors, family)
    frame = data.iloc[np.asarray(design.rows_used)].reset_index(drop=True)
    readings = {
        column: build(_calibration_formula(recipe.formula, column), frame, "gaussian")[0]
        for column in errors
    }
    if any(reading.n < design.n for reading in readings.values()):
        raise DataError("A column that calibrates the readings is empty where the model has rows.")
    models = _Models(
        fit_design(design, family, reml=reml is not False),
        {column: fit_design(reading, "gaussian") for column, reading in readings.items()},
        _forget_group_means(recipe),
        frame[[c for c in frame if c in recipe.dtypes]],  # resampling takes rows of all columns
    )
    sds = {column: error.sd for column, error in errors.items()}
    _refuse_unusable(models.outcome, formula)
    shares = {c: 1 - (sd / models.calibrations[c].sigma) ** 2 for c, sd in sds.items()}
    reliability = pd.DataFrame({"sd": sds, "reliability": shares}).rename_axis("column")
    notes = _judged(reliability)
    corrected = models.corrected(sds)
    _refuse_unusable(corrected, formula)
    return CorrectedFit(
        uncorrected=models.outcome,
        corrected=corrected,
        reliability=reliability,
        draws=_bootstrap(models, errors, replicates, seed),
        clusters=models.lots.n_levels,
        notes=notes,
    )


def expect_truth(fitted: Fitted, sd: float) -> np.ndarray:
    """Return E(truth | readings, groups, covariates) (n,) from a mixed model of the readings.

    Each reading is drawn towards what its groups and covariates suggest; `sd` is that of its error.
    """
    design = fitted.design
    mean = design.X @ fitted.beta
    for term, modes in zip(design.terms, fitted.modes):
        mean = mean + np.sum(term.basis * modes[term.index], axis=1)
    # x̂ = m + λ (w - m), m the fitted value with the groups' modes and λ = 1 - sd² / var(w | m)
    # (Carroll et al. 2006, section 4.4)
    kept = max(0.0, 1.0 - (sd / fitted.sigma) ** 2)
    return np.asarray(mean + kept * (design.y - mean))


def _errors(reading_error: Mapping[str, Any]) -> dict[str, ReadingError]:
    """Read the error of each column's readings."""
    if not (isinstance(reading_error, Mapping) and reading_error):
        raise ModelError(
            "reading_error= names no column: give one with its error, as in {'hardness': 0.4}."
        )
    errors = {}
    for column, sd in reading_error.items():
        if sd is None:
            raise DataError(
                f"The reading error of {column!r} is not known: read ten pieces three times each "
                "and ask rl.gauge, or give a number."
            )
        if not isinstance(sd, ReadingError | Real):
            raise DataError(
                f"The reading error of {column!r} is a {type(sd).__name__}: give a number, or the "
                "`error` of what rl.gauge answers."
            )
        errors[column] = sd if isinstance(sd, ReadingError) else ReadingError(float(sd))
    return errors


def _check(recipe: Recipe, errors: Mapping[str, ReadingError], family: str) -> None:
    if family not in ("gaussian", "binomial"):
        raise ModelError(
            f"reading_error= is for the Gaussian and the binomial family, not for {family}: "
            "use fit()."
        )
    if not recipe.formula.random or recipe.formula.offset:
        raise FormulaError(
            f"The correction needs a grouping and knows no offset, unlike {recipe.formula.text!r}: "
            "add one such as '(1 | lot)', and leave offset() out."
        )
    for column in errors:
        if recipe.dtypes.get(column) is not False:
            raise FormulaError(
                f"reading_error= names {column!r}, which is not a measured quantity in the "
                f"fixed part of {recipe.formula.text!r}; name one that is."
            )


def _refuse_unusable(fitted: Fitted, formula: str) -> None:
    if fitted.separated:
        raise ModelError(
            f"Separation leaves {', '.join(fitted.separated)} of {formula!r} without a finite "
            "estimate, so that nothing can be corrected: leave the term out, or merge levels."
        )
    if not fitted.converged:
        raise ModelError(f"The fit of {formula!r} did not converge: leave a term out.")


def _calibration_formula(formula: MixedFormula, column: str) -> str:
    """Return the model of a column's readings: the other terms, and the same groups."""
    others = [
        _written(term)
        for term in coding(formula.fixed).formula
        if column not in names_of([term]).columns
    ]
    fixed = " + ".join(term for term in others if term != "1") or "1"
    groups = dict.fromkeys(":".join(f"`{c}`" for c in part.columns) for part in formula.random)
    return f"`{column}` ~ {fixed} + " + " + ".join(f"(1 | {group})" for group in groups)


def _written(term: Term) -> str:
    """Write a term, its columns in backticks: a column's name is never read as an expression."""
    return ":".join(
        f"`{factor.expr}`" if factor.eval_method is factor.EvalMethod.LOOKUP else factor.expr
        for factor in term.factors
    )


def _forget_group_means(recipe: Recipe) -> Recipe:
    """Let within() and between() take new means, while scale() keeps the readings' own."""
    state = {
        name: found for name, found in recipe.fixed.transform_state.items() if "means" not in found
    }
    return replace(recipe, fixed=recipe.fixed.update(transform_state=state))


def _judged(reliability: pd.DataFrame) -> tuple[str, ...]:
    """Refuse readings that are more error than cane, and warn of weak ones."""
    notes = []
    for column, (sd, share) in reliability.iterrows():
        name = str(column).replace("_", " ")
        if share < LEAST_RELIABILITY:
            raise ModelError(
                f"One reading of {name} has a reliability of {max(share, 0):.2f} within lots (error"
                f" sd {sd:.3g}), below {LEAST_RELIABILITY}: no correction can be trusted; take the "
                "mean of several readings of each piece and give its smaller sd."
            )
        if share < CAUTION_BELOW:
            notes.append(
                f"Caution: {name} has a reliability of {share:.2f} within lots, so that much of "
                "its corrected slope rests on the gauge study."
            )
    return tuple(notes)


@dataclass(frozen=True)
class _Models:
    """The model of the outcome, one of each column's readings, and the rows that they are of."""

    outcome: Fitted
    calibrations: Mapping[str, Fitted]
    recipe: Recipe
    frame: pd.DataFrame

    @property
    def lots(self) -> RandomTerm:
        """The grouping with most levels, which is resampled whole."""
        return max(self.outcome.design.terms, key=lambda term: term.n_levels)

    def corrected(self, sds: Mapping[str, float]) -> Fitted:
        """Fit the outcome on expected truths in the place of readings."""
        expected = {c: expect_truth(found, sds[c]) for c, found in self.calibrations.items()}
        X, bases = new_columns(self.recipe, self.frame.assign(**expected))
        design = self.outcome.design
        terms = tuple(replace(term, basis=basis) for term, basis in zip(design.terms, bases))
        design = replace(design, X=X, terms=terms)
        return self.outcome.refit(design, start=self.outcome.theta)

    def resampled(self, rng: np.random.Generator) -> _Models:
        """Return the models of a bench of resampled lots, those of the readings fitted to it."""
        lots, recipe = self.lots, self.recipe
        order = np.argsort(lots.index, kind="stable")
        of_lot = np.split(order, np.flatnonzero(np.diff(lots.index[order])) + 1)
        picked = [of_lot[i] for i in rng.integers(lots.n_levels, size=lots.n_levels)]
        rows = np.concatenate(picked)
        copy = np.repeat(np.arange(len(picked)), [len(members) for members in picked])
        key = lots.group.split(":")
        lot = key[-1]
        bench = self.frame.iloc[rows].reset_index(drop=True)
        bench[lot] = copy  # a lot that comes twice is two lots, also to within() and between()
        recipe = replace(recipe, factors={**recipe.factors, lot: tuple(range(len(picked)))})
        calibrations = {
            column: found.refit(_resampled(found.design, rows, copy, key), start=found.theta)
            for column, found in self.calibrations.items()
        }
        design = _resampled(self.outcome.design, rows, copy, key)
        return _Models(replace(self.outcome, design=design), calibrations, recipe, bench)


def _bootstrap(
    models: _Models, errors: Mapping[str, ReadingError], replicates: int, seed: int
) -> pd.DataFrame:
    """Return the fixed effects of resampled benches, one row each, with errors drawn anew."""
    draws = []
    with one_thread():
        for child in np.random.SeedSequence(seed).spawn(replicates):
            rng = np.random.default_rng(child)
            drawn = {column: error.draw(rng) for column, error in errors.items()}
            with suppress(ModelError):
                found = models.resampled(rng).corrected(drawn)
                if found.converged:
                    draws.append(found.beta)
    failed = replicates - len(draws)
    if failed > replicates // 5:
        raise ModelError(
            f"{failed} of {replicates} resampled benches do not determine the model "
            f"{models.recipe.formula.text!r}: simplify the fixed part, or record more lots."
        )
    return pd.DataFrame(draws, columns=[*models.outcome.design.fixed_names])


def _resampled(design: Design, rows: np.ndarray, copy: np.ndarray, key: list[str]) -> Design:
    """Return the design of some rows, in which each copy of a lot is a lot of its own."""
    terms = []
    for term in design.terms:
        own = set(key) <= set(term.group.split(":"))
        terms.append(term.take(rows, copy if own else 0))
        if terms[-1].n_levels < 2:
            raise ModelError(f"The resampled lots hold one level of {term.group!r} only.")
    return design.take(rows, tuple(terms))
