"""What a model cannot be fitted to, refused before it is tried."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.linalg import qr

from reedlab.errors import DataError, ModelError
from reedlab.mixed.design.terms import Design, RandomTerm

_ALIASED, _NEARLY = 1e-9, 3e-6
"""What is left of a column of length 1 that others repeat, and of one that they all but repeat, so
that the normal equations lose its digits."""


def check_design(design: Design, family: str) -> None:
    """Refuse a design that the data do not determine."""
    if family == "binomial":
        _check_counts(design)
    if design.weights is not None:
        _refuse_row(design, design.weights <= 0.0, design.weights, "a weight that is not above 0")
    if design.y.min() == design.y.max() and (design.trials is None or design.y.max() == 0):
        value = design.grades[int(design.y[0])] if design.grades else f"{design.y[0]:g}"
        raise ModelError(
            f"The response has one value only ({value}) in the {design.n} rows used; there is "
            "nothing to explain."
        )
    if design.trials is not None and (design.y == design.trials).all():
        raise ModelError("Every trial is a success; there is nothing to explain.")
    if design.p > design.n:
        raise ModelError(
            f"The model has {design.p} coefficients and {design.n} rows; leave terms out of the "
            "fixed part."
        )
    _check_columns(design, family)
    for term in design.terms:
        if family == "gaussian" and term.n_levels * term.k >= design.n:
            raise ModelError(
                f"The term ({', '.join(term.names)} | {term.group}) has {term.n_levels * term.k} "
                f"random effects for {design.n} rows, so it cannot be distinguished from the "
                "residual; leave it out."
            )


def check_options(family: str, reml: bool | None, quadrature: int = 1) -> None:
    """Refuse options of a fit that its family does not look at, and wrong numbers of nodes."""
    if reml is not None and family != "gaussian":
        raise ModelError(f"reml= belongs to the Gaussian family, not to {family}: leave it out.")
    if quadrature != 1 and family == "gaussian":
        raise ModelError(
            "The Gaussian family's likelihood is exact, so quadrature= has no effect: leave it out."
        )
    check_whole(quadrature, 1, "quadrature", "nodes")


def check_whole(number: int, least: int, option: str, what: str) -> None:
    """Raise a ModelError for a number of things that is not whole or too small."""
    if not isinstance(number, int | np.integer) or number < least:
        raise ModelError(
            f"{option}= is {number!r}: give a whole number of {what}, {least} or more."
        )


def same_levels(design: Design) -> list[tuple[str, str]]:
    """Return pairs of groupings whose levels are the same in these rows.

    Where every supplier sold one lot, a supplier's effect is its lot's, and any share of their
    variances fits as well as another.
    """
    return [
        (one.group, other.group)
        for one, other in combinations(design.terms, 2)
        if set(one.names) & set(other.names)
        and one.n_levels == other.n_levels
        and len(np.unique(one.index * other.n_levels + other.index)) == one.n_levels
    ]


def fixed_too(design: Design, family: str) -> list[str]:
    """Return groupings of whose every level the fixed part has an effect already.

    The restricted likelihood is then flat in their variance, and every test of those effects takes
    it as it happens to be.
    """
    return [term.group for term in design.terms if _is_fixed_too(design, term, family)]


def _is_fixed_too(design: Design, term: RandomTerm, family: str) -> bool:
    """Whether a column of each level of a grouping is a sum of fixed columns."""
    if term.n_levels > design.p + (family == "ordinal"):
        return False
    fixed, _ = np.linalg.qr(_with_intercept(design, family)[0])
    for values in term.basis.T:
        own = np.zeros((design.n, term.n_levels))
        own[np.arange(design.n), term.index] = values
        left = own - fixed @ (fixed.T @ own)
        if np.linalg.norm(left) <= _ALIASED * np.linalg.norm(own):
            return True
    return False


def _with_intercept(design: Design, family: str) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the fixed columns and names, of grades with the intercept that thresholds replace."""
    X, names = design.X, design.fixed_names
    if family == "ordinal":
        X, names = np.column_stack([np.ones(design.n), X]), ("Intercept", *names)
    return X, names


def _check_counts(design: Design) -> None:
    y, m = design.y, design.trials
    if m is None:
        if not np.isin(y, (0.0, 1.0)).all():
            raise DataError(
                "A binomial response is 0 or 1 in each row; for counts of successes name the "
                "column of trials with trials=."
            )
        return
    for bad, what in (
        (m < 1, "fewer than one trial"),
        (m != np.round(m), "trials that are not a whole number"),
        (y < 0, "a negative number of successes"),
        (y != np.round(y), "successes that are not a whole number"),
        (y > m, "more successes than trials"),
    ):
        _refuse_row(design, bad, y, what, f" out of {m[int(np.argmax(bad))]:g}")


def _refuse_row(
    design: Design, bad: np.ndarray, values: np.ndarray, what: str, of: str = ""
) -> None:
    """Name the first of the bad rows, if there is one, and say how many they are."""
    if bad.any():
        at = int(np.argmax(bad))
        row = at if design.rows_used is None else int(design.rows_used[at])
        raise DataError(
            f"Row {row} (counted from 0) has {what}: {values[at]:g}{of}; "
            f"{int(bad.sum())} rows are so."
        )


def _check_columns(design: Design, family: str) -> None:
    """Name the first column that those before it already give."""
    X, names = _with_intercept(design, family)
    size = np.sqrt(np.einsum("np,np->p", X, X))
    empty = size == 0.0
    if empty.any():
        raise ModelError(
            f"The column {names[int(np.argmax(empty))]!r} is 0 in every row; leave it out."
        )
    gram = (X.T @ X) / np.outer(size, size)
    try:
        if np.diag(np.linalg.cholesky(gram)).min(initial=1.0) > 1e-4:
            return
    except np.linalg.LinAlgError:
        pass
    left = np.abs(np.diag(qr(X / size, mode="r", check_finite=False)[0][: X.shape[1]]))
    nearly = np.flatnonzero(left < _NEARLY)
    if len(nearly) and ("**" in names[nearly[0]] or left[nearly[0]] >= _ALIASED):
        raise ModelError(
            f"The coefficient {names[nearly[0]]!r} would lose its digits, for those before it all "
            "but repeat its column: count the predictor from its mean, as in center(x), or write "
            "poly(x, 3) for its powers."
        )
    aliased = np.flatnonzero(left < _ALIASED)
    if len(aliased):
        name, remedy = names[aliased[0]], "leave a term out"
        if name.startswith(("cr(", "cs(", "cc(")):
            remedy = "give it constraints='center', as in cr(x, df=4, constraints='center')"
        raise ModelError(
            f"The coefficient {name!r} cannot be distinguished from those before it: its column "
            f"repeats them; {remedy}."
        )
