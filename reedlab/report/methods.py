"""A methods paragraph: what was done to the records, in the words that a paper needs.

Written from the fit and its posterior themselves, so that it cannot say other than what was done.
"""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

from reedlab.decide.evidence import listed
from reedlab.report.prose import count

if TYPE_CHECKING:
    from reedlab.mixed.posterior import Posterior
    from reedlab.mixed.results import Fit

_MODEL = {
    "gaussian": "a linear mixed model",
    "binomial": "a binomial mixed model with logit link",
    "ordinal": "a cumulative-logit mixed model",
}
_SOFTWARE = ("reedlab", "numpy", "scipy", "pandas", "formulaic")


def paragraph(fit: Fit, posterior: Posterior | None = None, rows: str = "reeds") -> str:
    """Write the methods paragraph of one model for a paper.

    It names what a reader needs to do the same again: response, rows and why rows were left out,
    fixed and random part, estimation, what a variance at zero means here, priors and draws.
    `software` adds the versions.

    Parameters
    ----------
    fit : Fit
        What ``rl.fit`` returned.
    posterior : Posterior, optional
        What ``fit.posterior`` returned, where intervals come from it.
    rows : str
        What one row of the frame is, in the plural: ``"settled reeds"``.

    Returns
    -------
    str
        Several sentences.

    Examples
    --------
    >>> import pandas as pd, reedlab as rl
    >>> minutes = [30.0, 32, 31, 36, 37, 35, 28, 27, 29]
    >>> frame = pd.DataFrame({"lot": [*"aaabbbccc"], "minutes": minutes})
    >>> print(paragraph(rl.fit("minutes ~ 1 + (1 | lot)", frame)).split(". ")[0])
    The response minutes of 9 reeds was modelled with a linear mixed model, minutes ~ 1 + (1 | lot)
    """
    sentences = [_model(fit, rows), _left_out(fit), _random(fit), _estimation(fit)]
    if posterior is not None:
        sentences += [_priors(posterior), _draws(posterior)]
    return " ".join(filter(None, sentences))


def software() -> str:
    """Name the versions that computed the numbers, in a sentence for the same paragraph."""
    return f"Software: {listed([f'{name} {version(name)}' for name in _SOFTWARE])}."


def _model(fit: Fit, rows: str) -> str:
    response = fit.fitted.recipe.formula.response
    model = _MODEL[fit.family]
    return f"The response {response} of {fit.nobs} {rows} was modelled with {model}, {fit.formula}."


def _left_out(fit: Fit) -> str:
    design = fit.fitted.design
    if not design.n_dropped:
        return "No row was left out."
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
    return f"Random effects, normal with mean zero: {listed(kinds)}."


def _estimation(fit: Fit) -> str:
    fitted = fit.fitted
    if fitted.family == "gaussian":
        how = "restricted maximum likelihood" if fitted.reml else "maximum likelihood"
    elif fitted.quadrature == 1:
        how = "maximum likelihood with the Laplace approximation"
    else:
        how = f"maximum likelihood with {fitted.quadrature} nodes of adaptive quadrature"
    told = f"Estimates are by {how}"
    if fit.singular_terms:
        told += (
            f"; the covariance of {listed(fit.singular_terms)} was estimated on its boundary "
            "(a variance of zero or a correlation of one), which few groups often bring"
        )
    return f"{told}."


def _priors(posterior: Posterior) -> str:
    priors = posterior.priors
    groups = [term.group for term in posterior.design.terms]
    scales = sorted({priors.group_scale(group) for group in groups})
    residual = (
        f", half-normal with scale {priors.residual_scale:.3g} for the residual's"
        if posterior.family == "gaussian"
        else ""
    )
    return (
        "Intervals are quantiles of the posterior, the uncertainty of the variances included. "
        f"Priors: half-normal with scale {listed([f'{scale:.3g}' for scale in scales])} for the "
        f"standard deviations of the random effects{residual}; normal with standard deviation "
        f"{priors.coefficient_sd:.3g} for coefficients of standardised predictors and normal "
        f"({priors.intercept_mean:.3g}, {priors.intercept_sd:.3g}) for the intercept at the "
        "predictors' means."
    )


def _draws(posterior: Posterior) -> str:
    sample = posterior.sample
    return (
        "It was computed by nested Laplace approximation over the standard deviations and "
        f"{len(sample.points)} draws, corrected by importance weights (Pareto k "
        f"{sample.pareto_k:.1f}, {100 * sample.effective:.0f}% of the draws effective; seed "
        f"{posterior.seed})."
    )
