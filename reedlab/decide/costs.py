"""What a saleable reed costs in minutes and money: arithmetic on draws, and nothing else.

Every function takes arrays that broadcast together, usually one row a posterior draw and one
column a supplier, and returns an array of that shape. Of every piece tied, a share p turns out
saleable; a failure costs cane, thread, bench time and sometimes the staple as well, and all of it
is paid by the reeds that succeed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rates:
    """What the workshop pays, whoever sells the cane."""

    wage_per_hour: float = 20.0  # cost of an hour at the bench
    # staple_price, thread_price: cost of a staple, and of the thread for one reed
    staple_price: float = 3.0
    staple_recovered: float = 0.8  # share of failed reeds whose staple is used again
    thread_price: float = 0.1

    @classmethod
    def of(cls, settings: Any) -> Rates:
        """Take the rates from a bench's settings."""
        return cls(**{field.name: getattr(settings, field.name) for field in fields(cls)})


@dataclass(frozen=True)
class Tied:
    """What tying one piece of cane leads to; arrays that broadcast together, or plain numbers."""

    success: Floats  # chance that the reed turns out saleable
    # minutes_success, minutes_failure: expected minutes of scraping, given that it does or does not
    minutes_success: Floats
    minutes_failure: Floats
    # cost of the cane, landed, of those pieces that one tied piece took: itself and its share of
    # what was lost before tying
    cane: Floats
    minutes_before: Floats  # minutes of work before scraping, per tied piece

    def joined_by_good(self, more: Floats | float) -> Tied:
        """Tie `more` pieces for each one, of those that were passed over, and all turn out good.

        They were paid for already, so that cane and the work before tying are shared by more.

        Examples
        --------
        >>> tied = Tied(0.6, minutes_success=36, minutes_failure=24, cane=3, minutes_before=6)
        >>> both = tied.joined_by_good(0.5)
        >>> [round(float(x), 2) for x in (both.success, both.cane, both.minutes_before)]
        [0.73, 2.0, 4.0]
        """
        return replace(
            self,
            success=(self.success + more) / (1 + more),
            cane=self.cane / (1 + more),
            minutes_before=self.minutes_before / (1 + more),
        )

    def sent_back(self, share: Floats | float, adjusting: Floats | float = 0.0) -> Tied:
        """Count the good reeds that come back as failures, which took the minutes of a good one.

        `share` is of the good reeds; `adjusting` the minutes that a good reed takes on average to
        adjust after it came back.

        Examples
        --------
        Of 60 good in 100, a tenth comes back; the 40 took 24 minutes each and the 6 took 36:

        >>> tied = Tied(0.6, minutes_success=36, minutes_failure=24, cane=3, minutes_before=6)
        >>> stayed = tied.sent_back(0.1)
        >>> round(float(stayed.success), 2), round(float(stayed.minutes_failure), 2)
        (0.54, 25.57)
        """
        good = np.asarray(self.success, dtype=float)
        back, bad = good * share, 1 - good
        scraped = back * self.minutes_success + bad * self.minutes_failure
        return replace(
            self,
            success=good - back,
            minutes_success=self.minutes_success + adjusting,
            minutes_failure=scraped / (back + bad),
        )

    @property
    def minutes(self) -> Floats:
        """Bench minutes per tied piece."""
        p = np.asarray(self.success, dtype=float)
        scraping = p * self.minutes_success + (1 - p) * np.asarray(self.minutes_failure)
        return np.asarray(self.minutes_before + scraping)

    @property
    def minutes_per_saleable(self) -> Floats:
        """Bench minutes per saleable reed, failures included."""
        return self.minutes / np.asarray(self.success, dtype=float)


def materials(tied: Tied, rates: Rates) -> Floats:
    """Return what a tied piece costs in cane, staple and thread.

    The staple leaves with a reed that succeeds and is recovered from `staple_recovered` of those
    that fail, so a tied piece uses up 1 - (1 - p) x recovered of a staple.

    Examples
    --------
    >>> materials(Tied(0.6, 36, 24, cane=2.4, minutes_before=5), Rates()).round(2).item()
    4.54
    """
    kept = (1 - np.asarray(tied.success, dtype=float)) * rates.staple_recovered
    return np.asarray(tied.cane + rates.staple_price * (1 - kept) + rates.thread_price)


def cost_per_tied(tied: Tied, rates: Rates) -> Floats:
    """Return what a tied piece costs in all, bench time at the wage included."""
    return materials(tied, rates) + rates.wage_per_hour / 60 * tied.minutes


def cost_per_saleable(tied: Tied, rates: Rates) -> Floats:
    """Return what a saleable reed costs: the cost of a tied piece over the chance of success.

    Examples
    --------
    Six reeds in ten turn out well; 36 minutes for one that does, 24 for one that does not:

    >>> tied = Tied(success=0.6, minutes_success=36, minutes_failure=24, cane=2.4, minutes_before=5)
    >>> tied.minutes_per_saleable.round(1).item()
    60.3
    >>> cost_per_saleable(tied, Rates()).round(2).item()
    27.68
    """
    return cost_per_tied(tied, rates) / np.asarray(tied.success, dtype=float)


def net_benefit(tied: Tied, rates: Rates, value: float | Floats) -> Floats:
    """Return value x p - cost, per tied piece: linear in p, so its mean is never ruled by 1/p.

    `value` is what a saleable reed is worth to the maker, see `reedlab.decide.worth`. At the value
    that just covers the cost of the cheapest supplier, the supplier with the highest net benefit is
    that supplier.
    """
    return value * np.asarray(tied.success, dtype=float) - cost_per_tied(tied, rates)


def profit_per_hour(tied: Tied, rates: Rates, price: float | Floats) -> Floats:
    """Return what an hour at the bench earns, wage not yet paid.

    The price of a saleable reed times the share of tied pieces that fetch it, less materials, over
    the hours.
    """
    earned = price * np.asarray(tied.success, dtype=float) - materials(tied, rates)
    return earned / (tied.minutes / 60)
