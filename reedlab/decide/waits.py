"""How long successes and failures wait for their outcome, and what a pending reed then says.

Rejects are known sooner than successes. So a reed that is still pending after A days is a success
with odds p S(A | success) : (1 - p) S(A | failure), with S the share that waits for longer. Waits
are log-normal, one for successes and one for failures, and learnt from all reeds: a noted day of
judgement says the wait, an outcome without its day that the wait is over by now, a pending reed
that it is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import log_ndtr

from reedlab.decide.evidence import YEARS
from reedlab.records.tidy.days import exact

_MEDIAN = (np.log(30.0), 1.5)
"""Prior of the median of log days: normal, mean and sd."""
_SPREAD = (np.log(0.7), 0.5)
"""Prior of the log of the standard deviation of log days."""


@dataclass(frozen=True)
class Waits:
    """What is known of the waits of reeds, one entry a reed.

    Attributes
    ----------
    unknown
        Whether the outcome is still unknown.
    age
        Log of days since tying.
    waited
        Log of days from tying to judging; NaN where not noted.
    """

    unknown: np.ndarray
    age: np.ndarray
    waited: np.ndarray

    @classmethod
    def of(cls, reeds: pd.DataFrame) -> Waits:
        """Read them off reeds of `Evidence`: success, tied_on, judged_on, years_from_today."""
        days = (exact(reeds, "judged_on") - exact(reeds, "tied_on")).dt.days.to_numpy(float)
        waited = np.log(np.where(days >= 0, days, np.nan) + 0.5)  # a day counts by its middle
        age = np.log(np.maximum(-365.25 * reeds[YEARS].to_numpy(float), 0.0) + 0.5)
        return cls(reeds["success"].isna().to_numpy(), age, waited)

    def log_odds(self, success: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Log of S(age | success) / S(age | failure) of the unknown reeds, both waits drawn.

        Parameters
        ----------
        success
            Of every reed, as completed (n,).
        rng
            Of the draws.
        """
        good, failed = (self._log_pending(success == s, rng) for s in (1.0, 0.0))
        return np.asarray(good - failed)

    def _log_pending(self, own: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Log share still pending at the unknown reeds' ages, of a wait drawn given its reeds."""
        noted = self.waited[own & ~self.unknown]
        over = self.age[own & ~self.unknown][np.isnan(noted)]
        noted, still = noted[~np.isnan(noted)], self.age[own & self.unknown]

        def minus_log_density(at: np.ndarray) -> float:
            median, sd = at[0], np.exp(at[1])
            said = -len(noted) * at[1] - 0.5 * np.sum(((noted - median) / sd) ** 2)
            said += log_ndtr((over - median) / sd).sum() + log_ndtr((median - still) / sd).sum()
            for value, (mean, wide) in zip(at, (_MEDIAN, _SPREAD), strict=True):
                said -= 0.5 * ((value - mean) / wide) ** 2
            return -float(said)

        start = noted if len(noted) > 1 else np.array([_MEDIAN[0] - 0.7, _MEDIAN[0] + 0.7])
        found = minimize(minus_log_density, [start.mean(), np.log(max(start.std(), 0.1))])
        median, log_sd = rng.multivariate_normal(found.x, found.hess_inv)
        age = self.age[self.unknown]
        return np.asarray(log_ndtr((median - age) / np.exp(log_sd)))
