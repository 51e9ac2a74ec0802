"""How sure a look at a trial may be, when trials are added until something shows.

Each trial read together with those before it is a look, and each look has its chance to mislead.
So the 5 in 100 are spent by how much of the blanks that it takes is there (Lan and DeMets 1983,
their second function, close to Pocock's boundary): a look spends what the one before has left of

    α(t) = α log(1 + (e - 1) t),

with t the share of the blanks that have been seen. All looks together then mislead no more often
than α, for a chance that any of several things happens is at most the sum of theirs. A single trial
of all the blanks that it takes has the whole α.

References
----------
Lan, K. K. G. and DeMets, D. L. (1983). Discrete sequential boundaries for clinical trials.
Biometrika 70, 659-663.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def spent(share: float, significance: float) -> float:
    """Return how much of the significance of all looks is spent once a share of the blanks is seen.

    The share is of the blanks that it takes; 1 and more spend all.

    Examples
    --------
    >>> [round(spent(share, 0.05), 4) for share in (0.0, 0.2, 1.0, 2.0)]
    [0.0, 0.0148, 0.05, 0.05]
    """
    return float(significance * np.log1p((np.e - 1) * min(share, 1.0)))


def level_of_last(blanks: Sequence[int], needed: int, level: float) -> float:
    """Return the level of an interval at the last of several looks, one a trial.

    `blanks` are those of each trial, in the order in which they were made; `needed` those that it
    takes. All intervals shall hold together at `level`; 1 comes back where the looks before have
    spent all: then nothing may be claimed any more.

    Examples
    --------
    >>> round(level_of_last([40], 40, 0.95), 3), round(level_of_last([20, 20], 40, 0.95), 3)
    (0.95, 0.981)
    """
    now, before = (sum(blanks[:n]) / needed for n in (len(blanks), len(blanks) - 1))
    return 1.0 - (spent(now, 1.0 - level) - spent(before, 1.0 - level))
