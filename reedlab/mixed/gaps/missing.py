"""Measurements that only some pieces have: what leaving rows out does, and filling them in.

A model leaves out every reed whose piece was not measured. `dropped` says what that does to the
bench. `fit_filled` keeps those reeds instead: it fills the gaps in several times over (multiple
imputation by chained equations, `chained.py`), takes the posterior of the model on each completed
set, and mixes the draws in equal numbers, so that not knowing the readings widens the intervals.

What is filled in is drawn given the reed's outcome and its lot's share of it, its minutes, maker,
season and all else in the model, its supplier and its lot. The outcome has to be among
them: filled in without it, a measurement would look as if it did not matter.

A measurement is a piece's. Reeds tied on one piece (after a retie) share what is filled in, by the
mean of their outcomes and minutes. Values are not cut to a plausible range: a draw beyond it is as
likely as the model says, and cutting or rounding it would bend means and slopes (Horton, Lipsitz
and Parzen 2003). Reeds still without an outcome are left out, since they say nothing of the model
(von Hippel 2007).

When it is right: whether a piece was measured may depend on anything the model sees (outcome,
minutes, supplier, lot, season) but not on the unread value itself. Where the soft pieces were
thrown away unmeasured, no filling in brings them back.

References
----------
Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. Zhou, X. and Reiter, J. P.
(2010). A note on Bayesian inference after multiple imputation. The American Statistician 64,
159-163 (mixing draws; many imputations). van Buuren, S. (2018). Flexible Imputation of Missing
Data, 2nd ed. Carpenter, J. R. and Kenward, M. G. (2013). Multiple Imputation and its Application.
Grund, S., Luedtke, O. and Robitzsch, A. (2018). Multiple imputation of missing data for multilevel
models. Organizational Research Methods 21, 111-149 (the group's mean of the outcome). Horton,
N. J., Lipsitz, S. R. and Parzen, M. (2003). A potential for bias when rounding in multiple
imputation. The American Statistician 57, 229-232. von Hippel, P. T. (2007). Regression with missing
Ys. Sociological Methodology 37, 83-117.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from reedlab.elementary import wilson
from reedlab.errors import DataError
from reedlab.mixed.design.refusals import check_whole
from reedlab.mixed.gaps.chained import Chain, run_chain
from reedlab.mixed.gaps.incomplete import Gaps, Imputations, find_gaps
from reedlab.mixed.gaps.pooling import FilledPosterior, imputations_needed, posterior_of
from reedlab.mixed.parallel import run_seeded
from reedlab.mixed.posterior.nested_laplace import Posterior
from reedlab.mixed.posterior.priors import Priors

ALSO = ("success", "log_scrape_min")
"""Columns that help to fill in where they are not in the model anyway: outcome and minutes."""
MOST, _MORE = 40, 10
"""Imputations that `fit_filled` does not go beyond by itself, and how many follow at once where an
answer is not settled."""


def fit_filled(
    formula: str,
    data: pd.DataFrame,
    family: str = "gaussian",
    *,
    trials: str | None = None,
    also: Sequence[str] = ALSO,
    m: int = 20,
    cycles: int = 10,
    priors: Priors | None = None,
    draws: int = 4000,
    enough_for: Sequence[str] = (),
    settled: Callable[[FilledPosterior], bool] | None = None,
    seed: int = 1,
    workers: int = 1,
) -> FilledPosterior:
    """Return a model's posterior on all rows, those with missing predictors filled in.

    `reedlab.fit` leaves out a row that lacks a measurement. This fills in what is missing in the
    model's numeric columns, several times over, by chained equations from everything else that is
    known of the row, its response among it, and mixes the posteriors on the completed data. It is
    right where whether a value is missing does not depend on the value itself, the rest being
    known; ``delta_adjusted`` of what it returns shows how far the answer moves if it does.

    Parameters
    ----------
    formula, family, trials : str
        As in `reedlab.fit`. Rows without the response, a factor or a grouping are left out.
    data : DataFrame
        One row an observation; never changed. Rows with the same ``piece`` share their
        measurements, where there is such a column.
    also : sequence of str
        Further numeric columns that help to fill in; those not in the data are passed over.
    m : int
        Number of imputations, 2 at least. Twenty do where up to a half of the readings are missing;
        the ``information`` of what it returns says what more would change.
    cycles : int
        Visits of each column by a chain before its values are taken, 3 at least.
    priors : Priors, optional
        Of the model, `Priors.default` unless given.
    draws : int
        Number of draws held, spread evenly over the imputations: one of each at least.
    enough_for : sequence of str, default ()
        Parameters. `m` imputations are then a pilot, and as many more follow, up to `MOST`, as the
        greatest of their fractions of missing information asks for: see
        `reedlab.mixed.gaps.pooling.imputations_needed`.
    settled : callable, optional
        Whether a posterior says what it says whatever the imputations; until then, and up to
        `MOST`, more of them follow.
    seed, workers : int
        The same seed gives the same numbers on any number of processes.

    Returns
    -------
    FilledPosterior
        As `Fit.posterior` returns, its ``summary()`` with the fraction of missing information and
        notes; the method of `Fit.effects` takes it too.

    Raises
    ------
    DataError
        When nothing is missing, or too few pieces are measured to say how they vary.
    FormulaError, ModelError
        As `reedlab.fit` raises them.

    Examples
    --------
    >>> import reedlab as rl
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds, _ = simulate_reeds(seed=1, reeds=(10, 12))
    >>> reeds.loc[reeds.index % 3 == 0, "density_g_cm3"] = None
    >>> formula = "success ~ density_g_cm3 + (1 | supplier/lot)"
    >>> post = rl.fit_filled(formula, reeds, "binomial", m=2, draws=400)
    >>> post.draws().shape
    (400, 4)
    """
    check_whole(m, 2, "m", "imputations")
    check_whole(cycles, 3, "cycles", "cycles")
    check_whole(draws, m, "draws", "draws")
    gaps = find_gaps(formula, data, family, trials, also)
    task = partial(_fill_and_fit, gaps, cycles, formula, family, trials, priors, -(-draws // m))
    found = run_seeded(task, 1, seed)
    task = partial(task, near=found[0][1])  # the others' posteriors are looked for where it is
    found += run_seeded(task, m, seed, workers, first=1)
    post, wanted = _pooled(gaps, found, draws), m
    if enough_for:
        wanted = min(imputations_needed(float(post.missing[list(enough_for)].max()), m), MOST)
    while wanted > post.m or not (settled is None or post.m >= MOST or settled(post)):
        wanted = max(wanted, min(post.m + _MORE, MOST))
        found += run_seeded(task, wanted, seed, workers, first=post.m)
        post = _pooled(gaps, found, draws)
    return post


def _pooled(gaps: Gaps, found: Sequence[Any], draws: int) -> FilledPosterior:
    """Take as many draws of each completed set's posterior as makes `draws` of all."""
    chains, posteriors, warned = zip(*found)
    each = tuple(post.first(-(-draws // len(found))) for post in posteriors)
    return FilledPosterior(each, Imputations.of(gaps, chains), warned)


@dataclass(frozen=True)
class Dropped:
    """What leaving out the unmeasured does.

    Attributes
    ----------
    table : DataFrame
        One row a supplier: lots, lots_measured, reeds, measured, bench_share (of all reeds) and
        bench_share_kept (of those measured), then for kept and for left-out reeds with an outcome
        their number, share of success and its Wilson interval: kept, kept_success, kept_low,
        kept_high, left_out, left_success, left_low, left_high.
    lots : DataFrame
        The lots without a single measured piece: supplier, lot, reeds.
    columns : tuple of str
        What had to be measured.
    """

    table: pd.DataFrame
    lots: pd.DataFrame
    columns: tuple[str, ...]

    def sentence(self) -> str:
        """Say how many reeds go, how that tilts the bench, and which lots are not known at all."""
        table = self.table
        reeds, measured = int(table["reeds"].sum()), int(table["measured"].sum())
        text = f"{measured} of {reeds} reeds have {' and '.join(self.columns)}"
        if measured in (0, reeds):
            return text + "."
        tilt = (table["bench_share_kept"] - table["bench_share"]).abs()
        most = table.loc[tilt.idxmax()]
        text += (
            f"; leaving the others out takes {most.iloc[0]} from {most['bench_share']:.0%} to "
            f"{most['bench_share_kept']:.0%} of the bench"
        )
        if len(self.lots):
            text += (
                f", and nothing is known of {len(self.lots)} of {int(table['lots'].sum())} lots, "
                "of which no piece was measured"
            )
        return text + "."


def dropped(data: pd.DataFrame, columns: str | Collection[str]) -> Dropped:
    """Say what leaving out the reeds without a measurement does, supplier by supplier.

    Parameters
    ----------
    data : DataFrame
        One row a reed: supplier, lot, success (1, 0 or missing), and the measurements.
    columns : str or collection of str
        What has to be measured for a reed to be kept.

    Returns
    -------
    Dropped
        With 95 % Wilson intervals, which take reeds one by one: a description, no inference.

    Raises
    ------
    DataError
        When a column is missing.

    References
    ----------
    Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference.
    Journal of the American Statistical Association 22, 209-212.

    Examples
    --------
    >>> reeds = pd.DataFrame({"supplier": ["teal"] * 3 + ["plum"] * 2, "lot": list("aabcc"),
    ...     "hardness": [9.0, 8.0, None, 7.0, None], "success": [1.0, 0.0, 1.0, 1.0, 0.0]})
    >>> found = dropped(reeds, "hardness")
    >>> print(found.table[["supplier", "reeds", "measured", "bench_share_kept"]].round(2).to_string(
    ...     index=False))
    supplier  reeds  measured  bench_share_kept
        plum      2         1              0.33
        teal      3         2              0.67
    >>> found.lots["lot"].tolist()
    ['b']
    """
    columns = (columns,) if isinstance(columns, str) else tuple(columns)
    for name in (*columns, "success", "supplier", "lot"):
        if name not in data:
            raise DataError(f"The data have no column {name!r}.")
    kept = data[list(columns)].notna().all(axis=1)
    frame = data[["supplier", "lot"]].astype(object).assign(kept=kept, ended=data["success"])
    by_lot = (
        frame.groupby(["supplier", "lot"])["kept"].agg(reeds="size", measured="sum").reset_index()
    )
    table = by_lot.groupby("supplier").agg(
        lots=("reeds", "size"),
        lots_measured=("measured", np.count_nonzero),
        reeds=("reeds", "sum"),
        measured=("measured", "sum"),
    )
    table["bench_share"] = table["reeds"] / table["reeds"].sum()
    table["bench_share_kept"] = table["measured"] / table["measured"].sum()
    for rows, label, part in ((kept, "kept", "kept"), (~kept, "left_out", "left")):
        ended = frame["ended"].where(rows).groupby(frame["supplier"])
        known, hits = ended.count(), ended.sum()
        table[label], table[f"{part}_success"] = known, hits / known
        table[f"{part}_low"], table[f"{part}_high"] = wilson(hits, known, 0.95)
    lots = by_lot.loc[by_lot["measured"] == 0, ["supplier", "lot", "reeds"]]
    return Dropped(table.reset_index(), lots.reset_index(drop=True), columns)


def _fill_and_fit(
    gaps: Gaps,
    cycles: int,
    formula: str,
    family: str,
    trials: str | None,
    priors: Priors | None,
    draws: int,
    seed: np.random.SeedSequence,
    near: Posterior | None = None,
) -> tuple[Chain, Posterior, tuple[str, ...]]:
    """Fill in once and take the posterior on the completed set, with what it warned of."""
    rng = np.random.default_rng(seed)
    chain = run_chain(gaps.pieces, cycles, rng)
    frame = gaps.completed(chain.values)
    of_draws = int(rng.integers(2**31))
    return chain, *posterior_of(frame, formula, family, trials, priors, of_draws, draws, near)
