"""How far the numbers can be trusted, in words: what the calibration study found.

The study's tables are shipped in ``data/calibration``, made by ``tests/benchmarks/calibration.py``:
thousands of simulated benches whose truth is known, each analysed as a maker's own is. Its table of
workshops that are not as the models assume is made by ``tests/benchmarks/outside_worlds.py``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.paths import shipped
from reedlab.report.words.numbers import number, percent

NEXT_LOT = "next lot's success"
BASE = "all is as assumed"
"""The world of the table ``outside`` that the others are compared with."""


def study() -> dict[str, pd.DataFrame]:
    """Read the tables of the calibration study.

    Returns
    -------
    dict of str to pandas.DataFrame
        ``coverage`` (share of intervals that held the truth), ``uniform`` (tests of the truths'
        ranks), ``best`` (stated and met probability of being the best), ``fixed`` (coverage and
        width at fixed truths, by method), ``small`` (the stated probability that a standard
        deviation is small) and ``outside`` (workshops that are not as the models assume).

    Examples
    --------
    >>> sorted(study())
    ['best', 'coverage', 'fixed', 'outside', 'small', 'uniform']
    """
    folder = shipped("data") / "calibration"
    return {path.stem: pd.read_csv(path) for path in sorted(folder.glob("*.csv"))}


def sentence(tables: dict[str, pd.DataFrame], suppliers: int) -> str:
    """Say how often 95 % intervals held the truth, for a bench with so many suppliers.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        What `study` gave.
    suppliers : int
        How many suppliers the maker's bench has; the nearest of the study's designs is quoted.

    Returns
    -------
    str

    Examples
    --------
    >>> sentence(study(), 4).startswith("On simulated benches with")
    True
    """
    held = tables["coverage"][np.isclose(tables["coverage"]["level"], 0.95)]
    sizes = held["design"].str.extract(r"(\d+)", expand=False).astype(int)
    size = min(sizes.unique(), key=lambda number: (abs(number - suppliers), number))
    own = held[sizes == size].set_index("quantity")
    stated = own.loc[~own.index.str.startswith("plug-in")]
    likely = tables["best"].iloc[(tables["best"]["stated"] - 0.75).abs().argmin()]
    verdict = (
        "every quantity's intervals held as often as they say, within what "
        f"{own['benches'].min():,} benches can show"
        if stated["within"].all()
        else f"the intervals of {', '.join(stated.index[~stated['within']])} did not hold as often "
        "as they say"
    )
    return (
        f"On simulated benches with {size} suppliers (yours has {suppliers}), their truths drawn "
        "from reedlab's own priors, which tests the code and not the priors, 95% intervals for a "
        f"supplier's next lot held the truth in {number(100 * own.loc[NEXT_LOT, 'share'], 1)} of a "
        f"hundred, where intervals with estimated variances treated as known held it in "
        f"{number(100 * own.loc[f'plug-in: {NEXT_LOT}', 'share'], 1)}; {verdict}. Of "
        f"{int(likely['suppliers']):,} suppliers said to be the best with "
        f"{percent(likely['stated'])}, {percent(likely['was_best'])} were. {_at_fixed(tables)} "
        f"{_outside(tables)} For your bench, look at how well the model predicts held-out lots."
    )


def _at_fixed(tables: dict[str, pd.DataFrame]) -> str:
    """Say how the intervals hold where truths do not follow the priors."""
    fixed = tables["fixed"]
    own = fixed[(fixed["what"] == NEXT_LOT) & (fixed["method"] == "posterior")]
    alike = own[own["sd_supplier"] == own["sd_supplier"].min()]
    low, high = (f"{100 * share:.0f}" for share in (own["coverage"].min(), own["coverage"].max()))
    return (
        f"At each of {len(own)} fixed truths {low} to {high} of 100 intervals held; where "
        f"suppliers hardly differ, they are up to {100 * (alike['relative_width'].max() - 1):.0f} "
        "% wider than need be."
    )


def _outside(tables: dict[str, pd.DataFrame]) -> str:
    """Say how 90 % ranges hold in workshops that are not as the models assume."""
    held = tables["outside"][tables["outside"]["world"] != BASE]
    success, cost = (
        f"{100 * held[f'holds_{of}'].min():.0f} to {100 * held[f'holds_{of}'].max():.0f}"
        for of in ("success", "cost")
    )
    worst = held.loc[held["holds_cost"].idxmin(), "world"]
    error = 100 * held[["holds_success_se", "holds_cost_se"]].max(axis=None)
    return (
        f"In {len(held)} kinds of workshop that are not as the models assume, "
        f"{held['benches'].min():,} benches or more of each, 90% ranges of success held in "
        f"{success} of 100 and those of cost in {cost} (standard errors up to {error:.1f}), least "
        f"where {worst}."
    )


def workshops(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Return how often 90 % ranges held the truth, workshop by workshop.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        What `study` gave.

    Returns
    -------
    pandas.DataFrame
        ``workshop`` (in words, the one as assumed first), ``benches``, and per cent of the ranges
        of a next lot that held it: ``success`` and ``cost``, each with its standard error.

    Examples
    --------
    >>> workshops(study()).columns.tolist()
    ['workshop', 'benches', 'success', 'success_se', 'cost', 'cost_se']
    """
    held = tables["outside"].set_index(["world", "benches"]).filter(regex="^holds_")
    return (
        (100 * held)
        .rename(columns=lambda name: name.removeprefix("holds_"))
        .reset_index()
        .rename(columns={"world": "workshop"})
    )
