"""How long successes and failures wait for their outcome, and what a pending reed then says.

Rejects are known sooner than successes. So a reed that is still pending after A days is a success
with odds p S(A | success) : (1 - p) S(A | failure), with S the share that waits for longer. Waits
are log-normal, one for successes and one for failures, and learnt from all reeds: a noted day of
judgement says the wait, an outcome without its day that the wait is over by now, a pending reed
that it is not. The waits are drawn with the pending outcomes summed over, not given outcomes that
were drawn from the waits before: where no day is noted the two hold each other fast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import log_expit, log_ndtr

from reedlab.decide.evidence import YEARS
from reedlab.records.tidy.days import exact

_MEDIAN = (np.log(30.0), 1.5)
"""Prior of the median of log days: normal, mean and sd."""
_SPREAD = (np.log(0.7), 0.5)
"""Prior of the log of the standard deviation of log days."""
_MEAN, _SD = (np.tile(at, 2) for at in zip(_MEDIAN, _SPREAD, strict=True))
_ROUNDS = 4
_PROPOSED, _DEGREES = 300, 5
"""Waits proposed, and degrees of freedom of the t distribution that they come from."""


@dataclass(frozen=True)
class Waits:
    """What is known of the waits of reeds, one entry a reed.

    Attributes
    ----------
    success
        1 or 0; NaN where the outcome is still unknown.
    age
        Log of days since tying.
    waited
        Log of days from tying to judging; NaN where not noted.
    """

    success: np.ndarray
    age: np.ndarray
    waited: np.ndarray

    @classmethod
    def of(cls, reeds: pd.DataFrame) -> Waits:
        """Read them off reeds of `Evidence`: success, tied_on, judged_on, years_from_today."""
        days = (exact(reeds, "judged_on") - exact(reeds, "tied_on")).dt.days.to_numpy(float)
        waited = np.log(np.where(days >= 0, days, np.nan) + 0.5)  # a day counts by its middle
        age = np.log(np.maximum(-365.25 * reeds[YEARS].to_numpy(float), 0.0) + 0.5)
        return cls(reeds["success"].to_numpy(float), age, waited)

    @property
    def unknown(self) -> np.ndarray:
        """Whether the outcome is still unknown."""
        return np.isnan(self.success)

    def proposed(self, seed: int = 1) -> Proposed:
        """Propose waits: median and log sd of log days, of successes and of failures.

        They come from a t distribution about the mode of their posterior, with the same chance of
        success for every pending reed.
        """
        from scipy.optimize import minimize

        known = [self.success == s for s in (1.0, 0.0)]
        noted = [self.waited[own & ~np.isnan(self.waited)] for own in known]
        over = [self.age[own & np.isnan(self.waited)] for own in known]
        still, good = self.age[self.unknown], float(known[0].sum())
        share = (good + 0.5) / (good + known[1].sum() + 1.0)

        def minus_log(at: np.ndarray, log_p: tuple[float, float]) -> tuple[float, np.ndarray]:
            said = -0.5 * float(np.sum(((at - _MEAN) / _SD) ** 2))
            slope, waiting = -(at - _MEAN) / _SD**2, []
            for k, x, beyond, log_share in zip((0, 2), noted, over, log_p, strict=True):
                sd = np.exp(at[k + 1])
                z, w, v = (x - at[k]) / sd, (beyond - at[k]) / sd, (at[k] - still) / sd
                said += -len(x) * at[k + 1] - 0.5 * np.sum(z**2) + log_ndtr(w).sum()
                h = _mills(w)
                slope[k] += (z.sum() - h.sum()) / sd
                slope[k + 1] += np.sum(z**2) - len(x) - h @ w
                waiting.append((log_share + log_ndtr(v), v, sd))
            # A pending reed is a success that waits on or a failure that does.
            total = np.logaddexp(waiting[0][0], waiting[1][0])
            for k, (log_part, v, sd) in zip((0, 2), waiting, strict=True):
                h = np.exp(log_part - total) * _mills(v)
                slope[k] += h.sum() / sd
                slope[k + 1] -= h @ v
            return -(said + float(total.sum())), -slope

        start = np.concatenate(
            [[x.mean(), np.log(max(x.std(), 0.1))] if len(x) > 1 else m
             for x, m in zip(noted, np.split(_MEAN, 2), strict=True)]
        )  # fmt: skip
        for _ in range(_ROUNDS):  # the share of successes, pending reeds among them, by EM
            log_p = float(np.log(share)), float(np.log1p(-share))
            start = minimize(minus_log, start, (log_p,), jac=True, method="L-BFGS-B").x
            parts = [lp + log_ndtr((start[k] - still) / np.exp(start[k + 1]))
                     for k, lp in zip((0, 2), log_p, strict=True)]  # fmt: skip
            pending_good = np.exp(parts[0] - np.logaddexp(*parts)).sum()
            share = (good + pending_good + 0.5) / (len(self.age) + 1.0)
        mode = start
        step = 1e-4 * np.eye(4)
        curve = (
            np.array([minus_log(mode + h, log_p)[1] - minus_log(mode - h, log_p)[1] for h in step])
            / 2e-4
        )
        # A little of the prior's curvature more, so that rounding leaves it positive.
        root = np.linalg.cholesky((curve + curve.T) / 2 + np.diag(0.05 / _SD**2))
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(13,)))
        noise = rng.standard_normal((_PROPOSED, 4))
        noise /= np.sqrt(rng.chisquare(_DEGREES, _PROPOSED) / _DEGREES)[:, None]
        at = mode + np.linalg.solve(root.T, noise.T).T
        # log density of the waits, less that of their proposal, less what the pending reeds say
        pending = [log_ndtr((at[:, [k]] - still) / np.exp(at[:, [k + 1]])) for k in (0, 2)]
        both = np.logaddexp(log_p[0] + pending[0], log_p[1] + pending[1]).sum(axis=1)
        square = np.sum(noise**2, axis=1)
        log_weight = 0.5 * (_DEGREES + 4) * np.log1p(square / _DEGREES) - both
        log_weight -= [minus_log(each, log_p)[0] for each in at]
        return Proposed(log_weight, pending[0], pending[1])


@dataclass(frozen=True)
class Proposed:
    """Waits that were proposed, and what pending reeds say under each.

    Attributes
    ----------
    log_weight
        Log of what is known of the waits without the pending reeds over their proposal's density,
        shape (proposals,).
    good, failed
        Log share of successes and of failures that still wait at each pending reed's age, shape
        (proposals, pending).
    """

    log_weight: np.ndarray
    good: np.ndarray
    failed: np.ndarray

    def log_odds(self, eta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Log of S(age | success) / S(age | failure) of the pending reeds, both waits drawn.

        `eta` are their log odds of success, their waiting left aside.
        """
        waiting = np.logaddexp(log_expit(eta) + self.good, log_expit(-eta) + self.failed)
        log_weight = self.log_weight + waiting.sum(axis=1)
        weight = np.exp(log_weight - log_weight.max())
        one = rng.choice(len(weight), p=weight / weight.sum())
        return np.asarray(self.good[one] - self.failed[one])


def _mills(z: np.ndarray) -> np.ndarray:
    """Divide the standard normal density by its distribution function."""
    return np.exp(-0.5 * (z**2 + np.log(2 * np.pi)) - log_ndtr(z))
