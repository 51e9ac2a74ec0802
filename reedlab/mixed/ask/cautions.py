"""What a reader must know of a fit, in sentences made from its fields; nothing reads them back.

A fit that must not be used says so when it is made (a warning), in its summary (a note), and when
it is asked for what it has not (a refusal).
"""

from __future__ import annotations

import warnings

import numpy as np

from reedlab.errors import ConvergenceWarning, ModelError, SeparationWarning
from reedlab.mixed.design.refusals import fixed_too, same_levels
from reedlab.mixed.engine.fitted import Fitted
from reedlab.mixed.posterior.nested_laplace import Posterior

FEW_LEVELS = 5
"""Levels below which a grouping says little of its standard deviation (Bolker et al. 2009, Trends
in Ecology and Evolution 24, 127-135: five or six at least; from memory)."""

SENTENCES = {
    "separated": (
        "Separation by {names}: no outcome goes against it, so it has no finite estimate; leave "
        "the term out, merge levels, or take posterior(), whose prior holds it."
    ),
    "one_outcome": (
        "Every level of {group} has one outcome only, so its standard deviation has no upper bound "
        "in these data; leave the term out or take posterior(), whose prior holds it."
    ),
    "not_converged": "The fit did not converge; do not use its estimates.",
    "zero": (
        "The standard deviation of {group} is estimated as 0: the data do not distinguish its "
        "levels. That is an estimate, not a proof that they are alike; posterior() shows what is "
        "possible."
    ),
    "singular": (
        "The covariance of ({names} | {group}) is singular: fewer directions vary than the term "
        "has columns."
    ),
    "same_levels": (
        "{group} and {other} have the same levels in these rows: the data determine only the sum "
        "of their variances, and how it is shared out here says nothing."
    ),
    "fixed_too": (
        "The fixed part has an effect of each {group} already, so its variance cannot be estimated "
        "beside them: leave one of the two out, as (1 | a:b) does of (1 | a/b), or take "
        "posterior(), whose prior holds it."
    ),
    "few_levels": (
        "{group} has {n} levels only, which say little about its standard deviation; take "
        "intervals from posterior()."
    ),
}


def warn(fitted: Fitted) -> None:
    """Warn the caller's caller of a fit that must not be used.

    A singular fit is none: with few groups it is the normal case.
    """
    for sentence in _of_separation(fitted):
        warnings.warn(sentence, SeparationWarning, stacklevel=3)
    if not (fitted.converged or fitted.separated):
        warnings.warn(SENTENCES["not_converged"], ConvergenceWarning, stacklevel=3)


def refuse_unusable(
    fitted: Fitted, what: str, rows: np.ndarray | None = None, *, groups: bool = False
) -> None:
    """Refuse what needs finite estimates of a fit that has none, or that did not converge.

    `what` is in the plural: "Wald limits". It needs every coefficient, or the combinations `rows`
    (r, p) of them, and the `groups`' standard deviations if so said.
    """
    if fixed := fixed_too(fitted.design, fitted.family):
        raise ModelError(f"{what} cannot be had. {SENTENCES['fixed_too'].format(group=fixed[0])}")
    names = list(fitted.separated)
    if rows is not None and fitted.runaway is not None:
        moved = np.abs(rows @ fitted.runaway) > 1e-7 * np.abs(rows) @ np.abs(fitted.runaway)
        names = names if moved.any() else []
    if groups:
        names += [f"the standard deviation of {group}" for group in fitted.one_outcome]
    if names:
        raise ModelError(
            f"{what} need finite estimates, and separation leaves {', '.join(names)} without one: "
            "ask posterior(), whose prior holds it."
        )
    if not (fitted.converged or fitted.separated):
        raise ModelError(
            f"{what} need a fit that converged, and this one did not: leave a term out, or ask "
            "posterior()."
        )


def refuse_other_model(fitted: Fitted, other: Fitted | Posterior, *, filled: bool = False) -> None:
    """Refuse a posterior of another model, or of other rows unless some were `filled` in."""
    ours, theirs = (m.recipe.formula.text if m.recipe else "a design" for m in (fitted, other))
    if ours != theirs or not (filled or other.design.n == fitted.design.n):
        raise ModelError(
            f"The posterior given is that of {theirs!r} and {other.design.n} rows, not of {ours!r} "
            f"and {fitted.design.n}: ask the fit that it is from."
        )


def _of_separation(fitted: Fitted) -> list[str]:
    found = [SENTENCES["one_outcome"].format(group=group) for group in fitted.one_outcome]
    if fitted.separated:
        found.insert(0, SENTENCES["separated"].format(names=", ".join(fitted.separated)))
    return found


def notes(fitted: Fitted) -> tuple[str, ...]:
    """Say what a reader must know of a fit, in the order of weight."""
    terms, found = fitted.design.terms, _of_separation(fitted)
    if not fitted.converged:
        found.append(SENTENCES["not_converged"])
    for term in (terms[t] for t in fitted.singular):
        kind = "zero" if term.k == 1 else "singular"
        found.append(SENTENCES[kind].format(names=", ".join(term.names), group=term.group))
    for one, other in same_levels(fitted.design):
        found.append(SENTENCES["same_levels"].format(group=one, other=other))
    for group in fixed_too(fitted.design, fitted.family):
        found.append(SENTENCES["fixed_too"].format(group=group))
    for term in terms:
        if term.n_levels < FEW_LEVELS:
            found.append(SENTENCES["few_levels"].format(group=term.group, n=term.n_levels))
    return tuple(found)
