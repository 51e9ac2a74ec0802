"""A methods paragraph: what was done to the records, as a paper reports it.

It is written from the fit and its posterior, so it says what was done.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING

from reedlab.decide.evidence import count, listed
from reedlab.mixed.design.refusals import same_levels
from reedlab.report.words.numbers import number, percent

if TYPE_CHECKING:
    from reedlab.mixed.fitting import Fit
    from reedlab.mixed.gaps.missing import FilledPosterior
    from reedlab.mixed.posterior.nested_laplace import Posterior

_MODEL = {
    "gaussian": "a linear mixed model",
    "binomial": "a binomial mixed model with logit link",
    "ordinal": "a cumulative-logit mixed model",
}
_SOFTWARE = ("reedlab", "numpy", "scipy", "pandas", "formulaic")


def paragraph(
    fit: Fit, posterior: Posterior | FilledPosterior | None = None, rows: str = "reeds"
) -> str:
    """Write the methods paragraph of one model for a paper.

    It names what a reader needs to reproduce the fit: response, rows and why rows were left out or
    how they were filled in, fixed and random part, estimation and whether it converged, what a
    variance at zero means here, priors and draws. `software` adds the versions. Rows that were
    taken out before the fit are for `rows` to say: ``"settled reeds (of 700 tied)"``.

    Parameters
    ----------
    fit : Fit
        What ``rl.fit`` returned.
    posterior : Posterior or FilledPosterior, optional
        What ``fit.posterior`` or `reedlab.fit_filled` returned, where intervals
        come from it.
    rows : str
        What one row of the frame is, in the plural: ``"settled reeds"``.

    Returns
    -------
    str
        Several sentences.

    Raises
    ------
    ModelError
        For a posterior of another model.

    Examples
    --------
    >>> import pandas as pd, reedlab as rl
    >>> minutes = [30.0, 32, 31, 36, 37, 35, 28, 27, 29]
    >>> frame = pd.DataFrame({"lot": [*"aaabbbccc"], "minutes": minutes})
    >>> print(paragraph(rl.fit("minutes ~ 1 + (1 | lot)", frame)).split(". ")[0])
    The response minutes of 9 reeds was modelled with a linear mixed model, minutes ~ 1 + (1 | lot)
    """
    from reedlab.mixed.ask.cautions import refuse_other_model
    from reedlab.mixed.posterior.nested_laplace import Posterior

    parts = [_model(fit, rows), _left_out(fit), _random(fit), _alike(fit), _estimation(fit)]
    if isinstance(posterior, Posterior):
        refuse_other_model(fit.fitted, posterior)
        parts += [_INTERVALS, _priors(posterior), _draws([posterior])]
    elif posterior is not None:
        each = posterior.posteriors
        refuse_other_model(fit.fitted, each[0], filled=True)
        parts += [_filled_in(posterior), _INTERVALS, _priors(each[0]), _draws(each)]
    return " ".join(filter(None, parts))


def software() -> str:
    """Name the versions that computed the numbers, in a sentence for the same paragraph."""
    return f"Software: {listed([f'{name} {version(name)}' for name in _SOFTWARE])}."


def _model(fit: Fit, rows: str) -> str:
    fitted = fit.fitted
    response = fitted.recipe.formula.response
    if fitted.design.trials is not None:
        response += f", successes out of {fitted.recipe.trials},"
    if fitted.design.grades:
        response += f" (ordered: {' < '.join(fitted.design.grades)})"
    model = _MODEL[fit.family]
    if not fitted.design.terms:
        model = model.replace(" mixed model", " model")
    if fitted.recipe.weights:
        model += f" weighted by {fitted.recipe.weights}"
    return f"The response {response} of {fit.nobs} {rows} was modelled with {model}, {fit.formula}."


def _left_out(fit: Fit) -> str:
    design = fit.fitted.design
    if not design.n_dropped:
        return "None of these rows lacked a value."
    why = listed([f"{column} ({n})" for column, n in design.dropped.items()])
    return f"{count(design.n_dropped, 'row')} {_was(design.n_dropped)} left out for want of {why}."


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def _random(fit: Fit) -> str:
    kinds = []
    for term in fit.fitted.design.terms:
        slopes = [name for name in term.names if name != "Intercept"]
        what = "intercepts" if "Intercept" in term.names else ""
        what = listed([*filter(None, [what, *(f"slopes of {name}" for name in slopes)])])
        how = ", uncorrelated," if len(term.names) > 1 and not term.correlated else ""
        group = " within ".join(reversed(term.group.split(":")))
        kinds.append(f"{what}{how} by {group} ({count(term.n_levels, 'level')})")
    return f"Random effects, normal with mean zero: {listed(kinds)}." if kinds else ""


def _alike(fit: Fit) -> str:
    return " ".join(
        f"The levels of {one} and {other} are the same in these rows, so only the sum of "
        "their variances can be estimated."
        for one, other in same_levels(fit.fitted.design)
    )


def _estimation(fit: Fit) -> str:
    fitted = fit.fitted
    if fitted.family == "gaussian":
        how = "restricted maximum likelihood" if fitted.reml else "maximum likelihood"
    elif not fitted.design.terms:
        how = "maximum likelihood"
    elif fitted.quadrature == 1:
        how = "maximum likelihood with the Laplace approximation"
    else:
        how = f"maximum likelihood with {fitted.quadrature} nodes of adaptive quadrature"
    how = f"Estimates are by {how}"
    if fit.singular_terms:
        how += (
            f"; the covariance of {listed(fit.singular_terms)} was estimated on its boundary "
            "(a variance of zero or a correlation of one), which few groups often bring"
        )
    if fit.converged:
        return f"{how}. The search converged."
    because = f" (separation by {listed(fitted.separated)})" if fitted.separated else ""
    return f"{how}. The search did not converge{because}: do not use the estimates."


_INTERVALS = (
    "Intervals are quantiles of the posterior, equal in both tails, the uncertainty of the "
    "variances included."
)


def _filled_in(posterior: FilledPosterior) -> str:
    made = posterior.imputations
    data, cycles = made.gaps.data, int(made.trace["cycle"].max())
    gaps = listed([f"{name} ({data[name].isna().sum()})" for name in made.gaps.columns])
    return (
        f"The posterior is of {len(data):,} rows: readings that were missing, of {gaps}, were "
        f"filled in {made.m} times by chained equations of {cycles} cycles, from the response, the "
        "other predictors and the groups, as missing at random given these, and equal numbers of "
        "draws of the completed sets were mixed."
    )


def _priors(posterior: Posterior) -> str:
    priors, design = posterior.priors, posterior.design
    by_scale: dict[str, list[str]] = {}
    for term in design.terms:
        by_scale.setdefault(f"{priors.group_scale(term.group):.3g}", []).append(term.group)
    scales = [
        scale if len(by_scale) == 1 else f"{scale} ({listed(dict.fromkeys(groups))})"
        for scale, groups in by_scale.items()
    ]
    parts = [f"half-normal with scale {listed(scales)} for the standard deviations of the groups"]
    parts = parts if design.terms else []
    if any(name != "Intercept" for term in design.terms for name in term.names):
        parts[0] += " (of slopes, per standard deviation of their predictor)"
    if posterior.conditional.scales.cor_names:
        parts.append(f"LKJ with shape {priors.correlation_eta:.3g} for their correlations")
    if posterior.family == "gaussian":
        parts.append(
            f"half-normal with scale {priors.residual_scale:.3g} for the residual's standard "
            "deviation"
        )
    parts.append(
        f"normal (0, {priors.coefficient_sd:.3g}) for coefficients of standardised predictors, a "
        "column of two values counting in its range"
    )
    parts += [f"normal (0, {sd:.3g}) for that of {name}" for name, sd in priors.by_column.items()]
    if "Intercept" in design.fixed_names:
        parts.append(
            f"normal ({priors.intercept_mean:.3g}, {priors.intercept_sd:.3g}) for the intercept at "
            "the predictors' means"
        )
    if design.grades:
        parts.append(
            f"normal (0, {2 * priors.intercept_sd:.3g}) for each threshold there, in their order"
        )
    return f"Priors: {'; '.join(parts)}."


def _draws(completed: Sequence[Posterior]) -> str:
    samples = [posterior.sample for posterior in completed]
    draws = sum(len(sample.points) for sample in samples)
    k, effective = max(s.pareto_k for s in samples), min(s.effective for s in samples)
    one = len(samples) == 1
    source = f"; seed {completed[0].seed}" if one else ", at worst"
    return (
        "It was computed by nested Laplace approximation over the standard deviations and "
        f"{draws} draws, corrected by importance weights (Pareto k {number(k, 1)}, "
        f"{percent(effective)} of the draws effective{source})."
    )
