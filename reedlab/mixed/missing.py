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
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.mixed.chained import Chain, run_chain
from reedlab.mixed.dropped import Dropped, dropped
from reedlab.mixed.gaps import Gaps, find_gaps
from reedlab.mixed.matrices import build
from reedlab.mixed.pooling import information, rubin
from reedlab.mixed.posterior import Posterior, design_posterior, summarise
from reedlab.mixed.priors import Priors
from reedlab.mixed.workers import run_seeded

__all__ = ["Dropped", "FilledPosterior", "Imputations", "dropped", "impute", "posterior", "rubin"]

ALSO = ("success", "log_scrape_min")
"""Columns that help to fill in where they are not in the model anyway: outcome and minutes."""
_HELD = 1000
"""Draws made of each completed set's posterior before they are thinned."""


@dataclass(frozen=True)
class Imputations:
    """The gaps of a frame filled in several times over.

    Attributes
    ----------
    gaps
        The rows that the model can use, the columns filled in, and the pieces of the rows.
    values
        For each imputation every piece's readings, filled in where there were none:
        (m, pieces, columns); further columns that only helped stand behind.
    trace
        How the chains went: imputation, cycle, column, mean and sd of what was filled in.
    """

    gaps: Gaps
    values: np.ndarray
    trace: pd.DataFrame

    @property
    def m(self) -> int:
        """Number of imputations."""
        return len(self.values)

    def completed(self, i: int) -> pd.DataFrame:
        """Return the usable rows with the i-th imputation's values in their gaps."""
        return self.gaps.completed(self.values[i])

    @property
    def measured(self) -> np.ndarray:
        """Mask (pieces, columns) of what was read."""
        return ~np.isnan(self.gaps.pieces.values)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, one sentence each."""
        return (*self.gaps.notes, *self._drift(), *self._outside())

    def _drift(self) -> list[str]:
        """Say which columns still move on the whole between the chains' second and last thirds."""
        notes, last = [], self.trace["cycle"].max()
        third = np.ceil(3 * self.trace["cycle"] / last).to_numpy()
        for name, trace in self.trace.groupby("column", sort=False):
            means = (
                trace["mean"].groupby([trace["imputation"], third[trace.index]]).mean().unstack()
            )
            moved = means[3.0] - means[2.0]
            if abs(moved.mean()) > 4.0 * moved.std() / np.sqrt(self.m):
                notes.append(f"What is filled in for {name} still drifts: ask for more cycles.")
        return notes

    def _outside(self) -> list[str]:
        """Say where much of what was filled in lies beyond everything that was read."""
        notes = []
        for j, name in enumerate(self.gaps.columns):
            read = self.values[0, self.measured[:, j], j]
            drawn = self.values[:, ~self.measured[:, j], j]
            beyond = float(np.mean((drawn < read.min()) | (drawn > read.max())))
            if beyond > 0.05 + 2.0 / (len(read) + 1.0):  # so much by chance alone
                notes.append(
                    f"{beyond:.0%} of what is filled in for {name} lies beyond what was read "
                    f"({read.min():.3g} to {read.max():.3g}): much is guessed outside the records."
                )
        return notes

    def frame(self, by: Sequence[str] = ("supplier", "lot")) -> pd.DataFrame:
        """Return what was read and what was filled in, for pictures.

        Parameters
        ----------
        by
            Columns of the data to set beside each value; those that are missing are passed over.

        Returns
        -------
        DataFrame
            One row a piece's reading or a piece's filled-in value: piece, column, value, measured,
            imputation (from 1; 0 for a reading), and the columns of `by`.
        """
        first = self.gaps.data.iloc[self.gaps.first]
        of = {name: first[name].astype(object).to_numpy() for name in by if name in first}
        frames = []
        for j, column in enumerate(self.gaps.columns):
            seen = self.measured[:, j]
            for i in range(self.m + 1):
                rows = np.flatnonzero(seen if i == 0 else ~seen)
                part = {"piece": rows, "column": column}
                part["value"] = self.values[max(i - 1, 0), rows, j]
                part |= {"measured": i == 0, "imputation": i}
                frames.append(pd.DataFrame(part | {k: v[rows] for k, v in of.items()}))
        return pd.concat(frames, ignore_index=True)


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
    task = _Task(find_gaps(formula, data, family, trials, also, piece), m, cycles)
    return _gathered(task.gaps, run_seeded(task.fill, m, seed, workers))


@dataclass(frozen=True)
class FilledPosterior:
    """A model's posterior with the missing measurements among the unknowns.

    It offers what a `Posterior` does; every answer takes equal numbers of draws from each
    imputation, in turn.

    Attributes
    ----------
    posteriors
        One a completed data set.
    imputations
        What was filled in.
    warnings
        What each posterior warned of.
    """

    posteriors: tuple[Posterior, ...]
    imputations: Imputations
    warnings: tuple[tuple[str, ...], ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, as in `Posterior.names`."""
        return self.posteriors[0].names

    @property
    def m(self) -> int:
        """Number of imputations."""
        return len(self.posteriors)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, one sentence each."""
        notes = list(self.imputations.notes)
        poor = [told[0] for told in self.warnings if told]
        if poor:
            notes.append(f"In {len(poor)} of {self.m} completed sets: {poor[0]}")
        found, table = self.information(), self.summary()
        error = found[["low_error", "high_error"]].max(axis=1)
        shaky = found.index[error > 0.1 * (table["high"] - table["low"])]
        if len(shaky):
            notes.append(
                f"The interval of {', '.join(shaky)} would move by more than a tenth of its width "
                f"with other imputations: ask for more than {self.m}."
            )
        return tuple(notes)

    def draws(self, n: int | None = None) -> pd.DataFrame:
        """Return draws of the parameters, one row a draw; see `Posterior.draws`."""
        each = self._each(lambda i, k: self.posteriors[i].draws(k).to_numpy(), n)
        return pd.DataFrame(each, columns=list(self.names))

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Return mean, sd and an equal-tailed interval of every parameter."""
        return summarise(self.draws(), level)

    def levels_draws(
        self, group: str, n: int | None = None, name: str = "Intercept"
    ) -> pd.DataFrame:
        """Return draws of a group's effects; see `Posterior.levels_draws`."""
        levels = self.posteriors[0].levels_draws(group, 1, name).columns
        each = self._each(
            lambda i, k: self.posteriors[i].levels_draws(group, k, name).to_numpy(), n
        )
        return pd.DataFrame(each, columns=levels)

    def predict(
        self,
        data: pd.DataFrame,
        new_levels: str | Collection[str] = (),
        n: int | None = None,
        seed: int | None = None,
    ) -> np.ndarray:
        """Draw what the model expects of new rows; see `Posterior.predict`."""

        def ask(i: int, k: int) -> np.ndarray:
            own = None if seed is None else seed + i  # new levels differ between imputations
            return self.posteriors[i].predict(data, new_levels, k, own)

        return self._each(ask, n)

    def information(self, level: float = 0.95) -> pd.DataFrame:
        """Say what the gaps cost each parameter, and how far chance in filling them in goes.

        `level` is that of the interval whose ends are judged; columns as in `pooling.information`.
        """
        per = np.array([post.draws().to_numpy() for post in self.posteriors])
        return information(per, self.names, level)

    def _each(self, ask: Callable[[int, int], np.ndarray], n: int | None) -> np.ndarray:
        """Ask each imputation's posterior for as many draws, and take them in turn."""
        held = len(self.posteriors[0].sample.points)
        n = self.m * held if n is None else n
        if n > self.m * held:
            raise ModelError(
                f"{n} draws are asked for and {self.m * held} are held: give draws= to posterior()."
            )
        each = np.stack([ask(i, -(-n // self.m)) for i in range(self.m)], axis=1)
        return each.reshape(-1, *each.shape[2:])[:n]


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
    task = _Task(
        find_gaps(formula, data, family, trials, also, piece),
        m, cycles, formula, family, trials, priors, -(-draws // max(m, 1)),
    )  # fmt: skip
    found = run_seeded(task.fit, m, seed, workers, progress, "Filling in")
    chains, posteriors, warned = zip(*found)
    return FilledPosterior(posteriors, _gathered(task.gaps, chains), warned)


@dataclass(frozen=True)
class _Task:
    """One imputation, and one completed set's posterior, from a seed; goes to the workers."""

    gaps: Gaps
    m: int
    cycles: int
    formula: str = ""
    family: str = ""
    trials: str | None = None
    priors: Priors | None = None
    draws: int = 0

    def __post_init__(self) -> None:
        if self.m < 2 or self.cycles < 3:
            raise ModelError(
                f"{self.m} imputations by chains of {self.cycles} cycles tell nothing of what is "
                "not known: ask for at least 2, of 3 cycles."
            )

    def fill(self, seed: np.random.SeedSequence) -> Chain:
        return run_chain(self.gaps.pieces, self.cycles, np.random.default_rng(seed))

    def fit(self, seed: np.random.SeedSequence) -> tuple[Chain, Posterior, tuple[str, ...]]:
        rng = np.random.default_rng(seed)
        chain = run_chain(self.gaps.pieces, self.cycles, rng)
        full = self.gaps.completed(chain.values)
        design, recipe = build(self.formula, full, self.family, self.trials)
        priors = self.priors or Priors.default(self.family, recipe.formula.response, design.y)
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            post = design_posterior(
                design,
                self.family,
                priors,
                int(rng.integers(2**31)),
                max(_HELD, self.draws),
                recipe,
            )
        sample = post.sample
        few = replace(
            sample, points=sample.points[: self.draws], effects=sample.effects[: self.draws]
        )
        return chain, replace(post, sample=few), tuple(str(w.message) for w in warned)


def _gathered(gaps: Gaps, chains: Sequence[Chain]) -> Imputations:
    frames = []
    for i, chain in enumerate(chains):
        cycles = np.arange(1, len(chain.means) + 1)
        for j, name in enumerate(gaps.pieces.names):
            part = {"imputation": i + 1, "cycle": cycles, "column": name}
            part |= {"mean": chain.means[:, j], "sd": chain.sds[:, j]}
            frames.append(pd.DataFrame(part))
    values = np.array([chain.values for chain in chains])
    return Imputations(gaps, values, pd.concat(frames, ignore_index=True))
