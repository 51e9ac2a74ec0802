"""How much success and minutes change a year at this bench, whoever sold the cane."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.decide.draws import interval
from reedlab.decide.evidence import YEARS
from reedlab.mixed.posterior.nested_laplace import Posterior

CHANGES = ("measure", "per_year", "low", "high")
LEVEL = 0.9
"""Of the intervals of a change, and so of when it is said."""


def of_years(column: str) -> bool:
    """Whether a column of a design counts years, alone or by maker."""
    return YEARS in column.split(":")


def changes(success: Posterior, when_good: Posterior | None) -> pd.DataFrame:
    """Return what changes a year, over the makers as they shared the reeds.

    A row each for ``success`` (difference in the chance of a good reed) and ``minutes`` (of a good
    reed, as a share; they may be unknown), where the model has such a term: measure, per_year
    (median), low, high, at 90 %.
    """
    rows = []
    for measure, post in (("success", success), ("minutes", when_good)):
        slope = None if post is None else _slope(post)
        if post is None or slope is None:
            continue
        if measure == "success":
            good, n = post.design.y.sum(), post.design.n
            middle = np.log((good + 0.5) / (n - good + 0.5))  # all may have turned out good
            slope = expit(middle + slope / 2) - expit(middle - slope / 2)
        else:
            slope = np.expm1(slope)
        rows.append((measure, np.median(slope), *interval(slope, LEVEL)))
    return pd.DataFrame(rows, columns=list(CHANGES))


def _slope(post: Posterior) -> np.ndarray | None:
    """Draws of the mean change a year on the linear predictor's scale."""
    design = post.design
    of = [name for name in design.fixed_names if of_years(name)]
    if not of:
        return None
    names = list(design.fixed_names)
    # Of "maker[T.B]:years_from_today" each reed of B has the whole, the others nothing.
    others = [[part for part in name.split(":") if part != YEARS] for name in of]
    share = [np.prod([design.X[:, names.index(p)].mean() for p in parts]) for parts in others]
    return np.asarray(post.draws()[of].to_numpy() @ np.array(share))


def said(frame: pd.DataFrame) -> tuple[str, ...]:
    """Say of `changes` what has surely moved, in a sentence each; nothing where nothing has.

    Examples
    --------
    >>> said(pd.DataFrame([("minutes", -0.1, -0.15, -0.05)], columns=list(CHANGES)))[0][:64]
    'A good reed takes you about 10 % less time each year (5 to 15); '
    """
    notes = []
    for row in frame.itertuples():
        if row.low <= 0 <= row.high:
            continue
        size = 100 * abs(row.per_year)
        low, high = sorted((100 * abs(row.low), 100 * abs(row.high)))
        more = row.per_year > 0
        if row.measure == "success":
            what = f"Of 100 reeds about {size:.0f} {'more' if more else 'fewer'} turn out good"
        else:
            what = f"A good reed takes you about {size:.0f} % {'more' if more else 'less'} time"
        notes.append(f"{what} each year ({low:.0f} to {high:.0f}); the next lots are worked today.")
    return tuple(notes)
