"""What a reader must know of a fit, in sentences made from its fields; nothing reads them back."""

from __future__ import annotations

from reedlab.mixed.design.refusals import same_levels
from reedlab.mixed.engine.fitted import Fitted

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
    "few_levels": (
        "{group} has {n} levels only, which say little about its standard deviation; take "
        "intervals from posterior()."
    ),
}


def notes(fitted: Fitted) -> tuple[str, ...]:
    """Say what a reader must know of a fit, in the order of weight.

    Returns
    -------
    tuple of str
        One sentence each, on separation, convergence, singular terms, groupings that are alike and
        groupings of few levels.
    """
    terms, found = fitted.design.terms, []
    if fitted.separated:
        found.append(SENTENCES["separated"].format(names=", ".join(fitted.separated)))
    found += [SENTENCES["one_outcome"].format(group=group) for group in fitted.one_outcome]
    if not fitted.converged:
        found.append(SENTENCES["not_converged"])
    for term in (terms[t] for t in fitted.singular):
        kind = "zero" if term.k == 1 else "singular"
        found.append(SENTENCES[kind].format(names=", ".join(term.names), group=term.group))
    for one, other in same_levels(fitted.design):
        found.append(SENTENCES["same_levels"].format(group=one, other=other))
    for term in terms:
        if term.n_levels < FEW_LEVELS:
            found.append(SENTENCES["few_levels"].format(group=term.group, n=term.n_levels))
    return tuple(found)
