"""Decisions: one file a question, each answer a frozen result with frames and a sentence.

=================  ============================================================
file               question
=================  ============================================================
``suppliers``      which supplier to buy from next
``robustness``     whether that choice hangs on how the models were set up
``selection``      what the comparison does not see, and what that could do to it
``equal_cane``     whether it is the supplier or the density of its cane
``earnings``       what an hour at the bench earns, by supplier, grade and form of cane
``culling``        which pieces to pass over before tying
``giveup``         which blanks to give up after the rough scrape
``seasons``        what goes with moisture and with the time of year
``trial``          what a setting of gouge or scrape does, by trying it
``unmeasured``     what pieces that were not measured do to an answer about measures
``gauge``          whether a gauge tells pieces apart, and how far two hands agree
``gouging``        whether the gouger drifts, and which lots come out uneven
``workshop``       how moist the workshop made the cane, month by month
=================  ============================================================
"""

from __future__ import annotations

from typing import Any

import pandas as pd


def rank_suppliers(bench: Any, seed: int = 1) -> pd.DataFrame:
    """Rank the suppliers of a bench by what a saleable reed of their next lot will cost.

    Parameters
    ----------
    bench : Bench
        The records.
    seed : int
        Seed of all draws.

    Returns
    -------
    pandas.DataFrame
        One row a supplier, the likeliest to be cheapest first: supplier, lots, reeds, success,
        success_low, success_high, minutes, cost, cost_low, cost_high, prob_best; intervals of
        90 %. See :func:`reedlab.decide.suppliers.comparison.compare` for the answer in full,
        with its sentence.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> rl.rank_suppliers(bench)[["supplier", "lots"]].shape
    (3, 2)
    """
    from reedlab.decide.suppliers.comparison import compare

    return compare(bench, seed).table
