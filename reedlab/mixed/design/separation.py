"""Separation: a column or a grouping that predicts every outcome without exception.

A coefficient then has no finite estimate (Albert and Anderson 1984, Biometrika 71, 1-10). Whether
it is so is a linear programme (Konis 2007, University of Oxford): is there a direction in which
the predictor never moves a row away from its outcome and moves some row towards it?
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reedlab.mixed.design.terms import Design, RandomTerm

_RUNAWAY = 12.0
"""A range of fixed predictors on the logit scale that no honest fit of few data reaches."""


@dataclass(frozen=True)
class Separation:
    """What separates the outcomes of a binomial or ordinal model."""

    # coefficients that run away; empty if the fixed effects do not separate the outcomes
    coefficients: tuple[str, ...]
    groups: tuple[str, ...]  # groupings each of whose levels has one outcome only
    # (p,) which way each coefficient runs away, 0 where it does not; the intercept's too. The
    # likelihood never falls along it.
    direction: np.ndarray


def find_separation(design: Design, beta: np.ndarray) -> Separation:
    """Find which coefficients and which groupings separate the outcomes.

    The programme is solved only if `beta`, where the fit ended, looks like a runaway.
    """
    runaway = bool(design.p) and np.ptp(design.X @ beta) > _RUNAWAY
    direction = _direction(design) if runaway else np.zeros(design.p)
    moved = zip(design.fixed_names, direction)
    return Separation(
        coefficients=tuple(name for name, d in moved if d and name != "Intercept"),
        groups=tuple(t.group for t in design.terms if _all_or_nothing(design, t)),
        direction=direction,
    )


def _direction(design: Design) -> np.ndarray:
    """Direction (p,) in which coefficients run away, by Konis' linear programme; 0 for none."""
    from scipy.optimize import linprog

    size = np.sqrt(np.einsum("np,np->p", design.X, design.X) / design.n)
    towards = _signed_rows(design, design.X / size)
    found = linprog(
        -towards.sum(axis=0), A_ub=-towards, b_ub=np.zeros(len(towards)), bounds=(-1.0, 1.0)
    )
    moved = found.x[: design.p] if found.success and -found.fun > 1e-6 else np.zeros(design.p)
    return np.where(np.abs(moved) > 1e-7, moved / size, 0.0)


def _signed_rows(design: Design, X: np.ndarray) -> np.ndarray:
    """Rows whose product with a direction says how far it moves each row to its outcome."""
    if design.grades:
        grade, cuts = design.y.astype(int), np.eye(len(design.grades) - 1)
        above, below = grade > 0, grade < len(cuts)
        return np.vstack(
            [
                np.hstack([X[above], -cuts[grade[above] - 1]]),
                np.hstack([-X[below], cuts[grade[below]]]),
            ]
        )
    trials = np.ones(design.n) if design.trials is None else design.trials
    return np.vstack([X[design.y > 0], -X[design.y < trials]])


def _all_or_nothing(design: Design, term: RandomTerm) -> bool:
    """Whether each level of a grouping has nothing but the lowest outcome, or the highest."""
    most = float(max(len(design.grades) - 1, 1)) if design.trials is None else design.trials
    total = np.bincount(term.index, design.y, term.n_levels)
    possible = np.bincount(term.index, np.broadcast_to(most, design.n), term.n_levels)
    return bool(((total == 0.0) | (total == possible)).all())
