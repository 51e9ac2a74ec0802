"""What going on with a blank gains or loses, and what a rule that stops some of them saves.

Going on with a blank gains something if it turns out good and loses something if it does not. A
rule that stops some of them saves those losses, forgoes those gains, and costs the minutes that
its measurements take. All of it is counted against going on with every blank and measuring
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

NOTICE = 0.02
"""Savings below this share of what a failure costs are not worth a change of habit."""


@dataclass(frozen=True)
class Stakes:
    """What going on with one blank gains or loses, in money or in minutes.

    Attributes
    ----------
    value : float
        What a saleable reed is worth.
    if_good, if_bad : float
        What going on costs with a blank that turns out good, and with one that does not.
    sunk : float
        What a blank has cost before the decision, whichever way it goes.
    minute : float
        What a minute of measuring costs, in the same unit.
    """

    value: float
    if_good: float
    if_bad: float
    sunk: float
    minute: float

    @classmethod
    def at_replacement(
        cls, success: float, if_good: float, if_bad: float, sunk: float, minute: float
    ) -> Stakes:
        """Value a saleable reed at what another one costs to make, of blanks as they come.

        A rule then has a saving exactly if it makes saleable reeds cheaper.

        Examples
        --------
        >>> Stakes.at_replacement(0.5, if_good=14, if_bad=10, sunk=3, minute=0.3).value
        30.0
        """
        value = (sunk + success * if_good + (1 - success) * if_bad) / success
        return cls(value, if_good, if_bad, sunk, minute)

    @property
    def gain(self) -> float:
        """What going on brings with a blank that turns out good."""
        return self.value - self.if_good

    @property
    def threshold(self) -> float:
        """The chance of success at which going on breaks even (Pauker and Kassirer 1975)."""
        return 1.0 if self.gain <= 0 else self.if_bad / (self.gain + self.if_bad)

    @property
    def notice(self) -> float:
        """The least saving a blank that is worth a change of habit."""
        return NOTICE * self.if_bad

    def saving(self, keep: np.ndarray, good: np.ndarray, minutes: float = 0.0) -> np.ndarray:
        """Count what a rule saved with each blank (n,) against going on with each, unmeasured.

        `keep` says whether the rule goes on with it, `good` whether it turned out good (0 and 1, or
        chances); `minutes` is what the rule's measurements take for each blank. The mean over
        blanks is the difference of two net benefits in the sense of Vickers and Elkin (2006, Med
        Decis Making 26:565-574), times the gain.

        Examples
        --------
        >>> import numpy as np
        >>> stakes = Stakes(value=29.0, if_good=14.0, if_bad=10.0, sunk=4.0, minute=0.3)
        >>> stakes.saving(np.array([True, False, False]), np.array([1, 0, 1])).tolist()
        [0.0, 10.0, -15.0]
        """
        going_on = self.gain * good - self.if_bad * (1 - good)
        return np.where(keep, 0.0, -going_on) - self.minute * minutes


def by_outcome(cases: pd.DataFrame, minutes: str) -> tuple[float, float, float]:
    """Return the share of cases that turned out good, and the mean minutes of those and of others.

    The share has half a good case and half a bad one added, so that it is never 0 or 1 (Jeffreys'
    prior); where none of an outcome was timed, its mean is that of all cases.

    Examples
    --------
    >>> cases = pd.DataFrame({"good": [1, 1, 0], "finish_min": [20.0, 30.0, np.nan]})
    >>> by_outcome(cases, "finish_min")
    (0.625, 25.0, 25.0)
    """
    good = cases["good"] == 1
    means = [cases.loc[rows, minutes].mean() for rows in (good, ~good)]
    if_good, if_bad = np.nan_to_num(means, nan=cases[minutes].mean())
    return (float(good.sum()) + 0.5) / (len(cases) + 1), float(if_good), float(if_bad)
