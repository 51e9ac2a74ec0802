"""Measurements that only some pieces have: what leaving rows out does, and filling them in.

A model leaves out every reed whose piece was not measured. `dropped` says what that does to the
bench. `posterior` keeps those reeds instead: it fills the gaps in several times over (multiple
imputation by chained equations, `chained.py`), takes the posterior of the model on each completed
set, and mixes the draws in equal numbers, so that not knowing the readings widens the intervals.

What is filled in is drawn given the reed's outcome and its lot's share of it, its minutes, maker,
season and whatever else stands in the model, its supplier and its lot. The outcome has to be among
them: filled in without it, a measurement would look as if it did not matter.

A measurement is a piece's. Reeds tied on one piece (after a retie) share what is filled in, by the
mean of their outcomes and minutes. Values are not cut to a plausible range: a draw beyond it is as
likely as the model says, and cutting or rounding it would bend means and slopes (Horton, Lipsitz
and Parzen 2003). Reeds still without an outcome are left out, since they say nothing of the model
(von Hippel 2007).

When it is right: whether a piece was measured may hang on anything the model sees (outcome,
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

import warnings
from collections.abc import Sequence
from functools import partial

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.design.matrices import build
from reedlab.mixed.gaps.chained import Chain, run_chain
from reedlab.mixed.gaps.dropped import Dropped, dropped
from reedlab.mixed.gaps.imputations import Imputations
from reedlab.mixed.gaps.incomplete import Gaps, find_gaps
from reedlab.mixed.gaps.pooling import HELD, FilledPosterior, rubin
from reedlab.mixed.parallel import run_seeded
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior
from reedlab.mixed.posterior.priors import Priors

__all__ = ["Dropped", "FilledPosterior", "Imputations", "dropped", "impute", "posterior", "rubin"]

ALSO = ("success", "log_scrape_min")
"""Columns that help to fill in where they are not in the model anyway: outcome and minutes."""


def impute(
    formula: str,
    data: pd.DataFrame,
    family: str = "binomial",
    *,
    trials: str | None = None,
    also: Sequence[str] = ALSO,
    piece: str = "piece",
    m: int = 20,
    cycles: int = 10,
    seed: int = 1,
    workers: int = 1,
) -> Imputations:
    """Fill in the measurements that a model needs and some pieces lack, several times over.

    Parameters
    ----------
    formula, family, trials
        The model that the completed data are for, as in :func:`reedlab.fit`. Its numeric columns
        with gaps are filled in; rows without the response, a factor or a grouping are left out.
    data
        One row a reed; never changed.
    also
        Further columns that help to fill in; those not in the data are passed over.
    piece
        The column that says which rows share their measurements, if there is one; a row without it
        stands for itself.
    m
        Number of imputations.
    cycles
        Visits of each column by a chain before its values are taken.
    seed
        The same seed gives the same numbers whatever the number of workers.
    workers
        Number of processes.

    Raises
    ------
    DataError
        When nothing is missing, or too few pieces are measured to say how they vary.
    FormulaError, ModelError
        As :func:`reedlab.fit` raises them.

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds, _ = simulate_reeds(seed=1, reeds=(10, 12))
    >>> reeds.loc[reeds.index % 3 == 0, "density_g_cm3"] = None
    >>> filled = impute("success ~ density_g_cm3 + (1 | supplier/lot)", reeds, m=3)
    >>> [int(filled.completed(i)["density_g_cm3"].isna().sum()) for i in range(3)]
    [0, 0, 0]
    """
    _refuse_few(m, cycles)
    gaps = find_gaps(formula, data, family, trials, also, piece)
    return Imputations.of(gaps, run_seeded(partial(_fill, gaps, cycles), m, seed, workers))


def posterior(
    formula: str,
    data: pd.DataFrame,
    family: str = "binomial",
    *,
    trials: str | None = None,
    also: Sequence[str] = ALSO,
    piece: str = "piece",
    m: int = 20,
    cycles: int = 10,
    priors: Priors | None = None,
    draws: int = 4000,
    seed: int = 1,
    workers: int = 1,
    progress: bool = False,
) -> FilledPosterior:
    """Return a model's posterior on all reeds, measured or not.

    Parameters
    ----------
    formula, data, family, trials, also, piece, m, cycles, seed, workers
        As in `impute`. Twenty imputations do where up to a half of the readings are missing;
        `FilledPosterior.information` says what more would change.
    priors
        Of the model, `Priors.default` unless given.
    draws
        Number of draws held, spread evenly over the imputations.
    progress
        Whether a progress bar is shown.

    Raises
    ------
    DataError, FormulaError, ModelError
        As in `impute`.

    Examples
    --------
    >>> from reedlab.simulate import simulate_reeds
    >>> reeds, _ = simulate_reeds(seed=1, reeds=(10, 12))
    >>> reeds.loc[reeds.index % 3 == 0, "density_g_cm3"] = None
    >>> post = posterior("success ~ density_g_cm3 + (1 | supplier/lot)", reeds, m=2, draws=400)
    >>> post.draws().shape
    (400, 4)
    """
    _refuse_few(m, cycles)
    gaps = find_gaps(formula, data, family, trials, also, piece)
    task = partial(_fill_and_fit, gaps, cycles, formula, family, trials, priors, -(-draws // m))
    found = run_seeded(task, m, seed, workers, progress, "Filling in")
    chains, posteriors, warned = zip(*found)
    return FilledPosterior(posteriors, Imputations.of(gaps, chains), warned)


def _refuse_few(m: int, cycles: int) -> None:
    if m < 2 or cycles < 3:
        raise ModelError(
            f"{m} imputations by chains of {cycles} cycles tell nothing of what is not known: ask "
            "for at least 2, of 3 cycles."
        )


def _fill(gaps: Gaps, cycles: int, seed: np.random.SeedSequence) -> Chain:
    return run_chain(gaps.pieces, cycles, np.random.default_rng(seed))


def _fill_and_fit(
    gaps: Gaps,
    cycles: int,
    formula: str,
    family: str,
    trials: str | None,
    priors: Priors | None,
    draws: int,
    seed: np.random.SeedSequence,
) -> tuple[Chain, Posterior, tuple[str, ...]]:
    """Fill in once and take the posterior on the completed set, with what it warned of."""
    rng = np.random.default_rng(seed)
    chain = run_chain(gaps.pieces, cycles, rng)
    design, recipe = build(formula, gaps.completed(chain.values), family, trials)
    priors = priors or Priors.default(family, design.y)
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        post = design_posterior(
            design, family, priors, int(rng.integers(2**31)), max(HELD, draws), recipe
        )
    return chain, post.first(draws), tuple(str(w.message) for w in warned)
