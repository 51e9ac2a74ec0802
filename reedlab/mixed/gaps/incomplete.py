"""A frame with gaps: what `chained.py` fills them in from, and what it filled in.

The unit is the piece: reeds tied on one piece share its measurements, and their outcomes and
minutes are averaged. Predictors of what was not read are the outcome, the outcome's mean in the
finest grouping (a lot whose reeds fail says something of its pieces that one reed does not), every
other column of the model, and columns that help. The model's groupings have random effects here
too. A factor one of whose levels was never measured is taken as a grouping as well: its level then
gets what is known of levels in general, where a coefficient of its own would be known of nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from reedlab.errors import DataError
from reedlab.mixed.design.expressions import coding, names_of
from reedlab.mixed.design.formula import parse
from reedlab.mixed.design.matrices import Recipe, build
from reedlab.mixed.design.refusals import check_design
from reedlab.mixed.design.terms import Design
from reedlab.mixed.gaps.chained import LEAST_SHARED, Chain, Pieces
from reedlab.mixed.posterior.priors import column_scale

LEAST = 10
"""Measured pieces below which a column is not filled in."""
_STRAIGHT = {"scale", "center", "within", "between"}


@dataclass(frozen=True)
class Unread:
    """Levels of a grouping without a single reading of some columns."""

    group: str  # the grouping
    levels: tuple[str, ...]  # its levels without a reading
    n_levels: int  # how many levels it has in all
    columns: tuple[str, ...]  # what was not read


@dataclass(frozen=True)
class Gaps:
    """A frame made ready to be filled in."""

    data: pd.DataFrame  # the rows that the model can use, gaps and all
    columns: tuple[str, ...]  # the model's columns that have gaps
    piece: np.ndarray  # (rows,) the piece (counted from 0) of each row
    pieces: Pieces  # what is known of each piece
    # for each column, how many rows were left out because it was empty there
    dropped: Mapping[str, int]
    n_dropped: int  # number of rows left out
    # the columns that do more in the model than draw a straight line of one slope
    curved: tuple[str, ...]
    unread: tuple[Unread, ...]  # levels of which no piece has a reading

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know, one sentence each."""
        notes = []
        if self.n_dropped:
            why = ", ".join(f"{name} is empty in {n}" for name, n in self.dropped.items())
            notes.append(f"{self.n_dropped} rows are left out all the same: {why}.")
        notes += [
            f"{name} is filled in as if it had one straight line, which draws its interactions, "
            "curves and slopes by group towards none."
            for name in self.curved
        ]
        notes += [
            f"No piece of {', '.join(none.levels)} ({none.group}: {len(none.levels)} of "
            f"{none.n_levels}) has {' or '.join(none.columns)}: what is filled in for them comes "
            "from the spread of the others and from the outcomes, not from their own pieces."
            for none in self.unread
        ]
        return tuple(notes)

    @property
    def first(self) -> np.ndarray:
        """The first row of each piece."""
        return first_rows(self.piece)

    def completed(self, values: np.ndarray) -> pd.DataFrame:
        """Return the data with values (pieces, columns) in their gaps."""
        filled = {
            name: self.data[name].astype(float).fillna(pd.Series(values[self.piece, j]))
            for j, name in enumerate(self.columns)
        }
        return self.data.assign(**filled)


@dataclass(frozen=True)
class Imputations:
    """The gaps of a frame filled in several times over.

    Attributes
    ----------
    gaps : Gaps
        The rows that the model can use, the columns filled in, and the pieces of the rows.
    values : ndarray, shape (m, pieces, columns)
        For each imputation every piece's readings, filled in where there were none; columns that
        only helped come last.
    trace : DataFrame
        How the chains went: imputation, cycle, column, mean and sd of what was filled in.
    """

    gaps: Gaps
    values: np.ndarray
    trace: pd.DataFrame

    @classmethod
    def of(cls, gaps: Gaps, chains: Sequence[Chain]) -> Imputations:
        """Gather what the chains ended in."""
        frames = []
        for (i, chain), (j, name) in product(enumerate(chains, 1), enumerate(gaps.pieces.names)):
            part = {"imputation": i, "cycle": np.arange(1, len(chain.means) + 1), "column": name}
            part |= {"mean": chain.means[:, j], "sd": chain.sds[:, j]}
            frames.append(pd.DataFrame(part))
        values = np.array([chain.values for chain in chains])
        return cls(gaps, values, pd.concat(frames, ignore_index=True))

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
        drift = [
            f"What is filled in for {name} still drifts: ask for more cycles."
            for name in self.drifting
        ]
        beyond = []
        for name, share in self.beyond.items():
            read = self._read(name)
            beyond.append(
                f"{share:.0%} of what is filled in for {name} is beyond what was read "
                f"({read.min():.3g} to {read.max():.3g}): much is guessed outside the records."
            )
        return (*self.gaps.notes, *drift, *beyond)

    @property
    def drifting(self) -> tuple[str, ...]:
        """Columns that still move on the whole between the chains' second and last thirds."""
        moving, last = [], self.trace["cycle"].max()
        third = np.ceil(3 * self.trace["cycle"] / last).to_numpy()
        for name, trace in self.trace.groupby("column", sort=False):
            by_third = trace["mean"].groupby([trace["imputation"], third[trace.index]])
            means = by_third.mean().unstack()
            moved = means[3.0] - means[2.0]
            if abs(moved.mean()) > 4.0 * moved.std() / np.sqrt(self.m):
                moving.append(str(name))
        return tuple(moving)

    @property
    def beyond(self) -> dict[str, float]:
        """Share of what was filled in beyond everything read, for columns where that is much."""
        much = {}
        for j, name in enumerate(self.gaps.columns):
            read, drawn = self._read(name), self.values[:, ~self.measured[:, j], j]
            share = float(np.mean((drawn < read.min()) | (drawn > read.max())))
            if share > 0.05 + 2.0 / (len(read) + 1.0):  # so much by chance alone
                much[name] = share
        return much

    def _read(self, name: str) -> np.ndarray:
        j = self.gaps.columns.index(name)
        return np.asarray(self.values[0, self.measured[:, j], j])

    def frame(self) -> pd.DataFrame:
        """Return what was read and what was filled in, for pictures.

        Returns
        -------
        DataFrame
            One row a piece's reading or a piece's filled-in value: piece, column, value, measured,
            imputation (from 1; 0 for a reading), and supplier and lot where the data have them.
        """
        first = self.gaps.data.iloc[self.gaps.first]
        beside = {
            name: first[name].astype(object).to_numpy()
            for name in ("supplier", "lot")
            if name in first
        }
        frames = []
        for (j, column), i in product(enumerate(self.gaps.columns), range(self.m + 1)):
            rows = np.flatnonzero(self.measured[:, j] == (i == 0))
            part = {"piece": rows, "column": column, "value": self.values[max(i - 1, 0), rows, j]}
            part |= {"measured": i == 0, "imputation": i}
            frames.append(pd.DataFrame(part | {k: v[rows] for k, v in beside.items()}))
        return pd.concat(frames, ignore_index=True)


def first_rows(codes: np.ndarray) -> np.ndarray:
    """Return the first row of each code, counted from 0."""
    return np.unique(codes, return_index=True)[1]


def find_gaps(
    formula: str,
    data: pd.DataFrame,
    family: str,
    trials: str | None,
    also: Sequence[str],
) -> Gaps:
    """Find what a model lacks and what is known beside it; see `reedlab.mixed.gaps.missing`.

    Raises DataError when nothing is missing, or too few pieces are measured to say how they vary.
    """
    design, recipe = _with_means(formula, data, family, trials)
    frame = data.iloc[design.rows_used].reset_index(drop=True)
    numeric = [
        name
        for name, factor in sorted(recipe.dtypes.items())  # the same order in every run
        if not factor and pd.api.types.is_numeric_dtype(frame[name].dtype)
    ]
    columns = tuple(name for name in numeric if frame[name].isna().any())
    if not columns:
        raise DataError(
            f"Every row that {formula!r} can use has all its measurements: there is nothing to "
            "fill in; take fit(...).posterior()."
        )
    unit = _pieces(frame)
    _refuse(frame, columns, unit)
    check_design(design, family)
    means = frame[numeric].astype(float).groupby(unit).mean()
    used = {*recipe.dtypes} | coding(recipe.formula.response + " - 1").names.columns
    helping = _helping(frame, also, unit, used, means[list(columns)])
    gappy = means[list(columns)].join(helping.loc[:, helping.isna().any()])
    complete = means.drop(columns=list(columns)).join(helping.loc[:, helping.notna().all()])
    groups = _groups(frame, design, recipe, unit, means[list(columns)])
    alone = np.zeros(len(means), dtype=int)
    finest = max((codes for codes, _ in groups.values()), key=np.max, default=alone)
    known = [*_outcomes(design, unit, finest), *complete.to_numpy().T]
    for name in sorted(set(recipe.factors) - set(groups)):
        known += list(pd.get_dummies(frame[name].iloc[first_rows(unit)]).to_numpy(float).T[1:])
    centre, scale = gappy.mean().to_numpy(), gappy.std().to_numpy()
    pieces = Pieces(
        names=tuple(gappy),
        values=(gappy.to_numpy() - centre) / scale,
        centre=centre,
        scale=scale,
        known=np.column_stack([(x - x.mean()) / column_scale(x) for x in known if np.ptp(x) > 0]),
        groups=tuple(codes for codes, _ in groups.values()),
    )
    return Gaps(
        frame,
        columns,
        unit,
        pieces,
        dropped=design.dropped,
        n_dropped=design.n_dropped,
        curved=_curved(recipe, columns),
        unread=_unread(groups, means[list(columns)]),
    )


def _with_means(
    formula: str, data: pd.DataFrame, family: str, trials: str | None
) -> tuple[Design, Recipe]:
    """Build the model with means in the gaps of its numbers, for its rows, levels and refusals."""
    if isinstance(data, pd.DataFrame):
        parsed = parse(formula)
        spared = coding(parsed.response + " - 1").names.columns | {trials}
        spared |= {name for part in parsed.random for name in part.columns}
        numbers = data.select_dtypes("number").drop(columns=[*spared], errors="ignore")
        numbers = numbers.loc[:, numbers.isna().any()]
        data = data.assign(**numbers.astype(float).fillna(numbers.mean().fillna(0.0)))
    return build(formula, data, family, trials)


def _pieces(frame: pd.DataFrame) -> np.ndarray:
    """Code of each row's piece; a row without a label is a piece of its own."""
    alone = np.arange(len(frame))
    if "piece" not in frame:
        return alone
    codes = pd.factorize(frame["piece"].astype(object))[0]
    return pd.factorize(np.where(codes < 0, len(frame) + alone, codes))[0]


def _refuse(frame: pd.DataFrame, columns: Sequence[str], unit: np.ndarray) -> None:
    for name in columns:
        by = frame[name].groupby(unit)
        if (by.nunique() > 1).any():
            raise DataError(
                f"{name!r} differs between reeds of one piece, so that it is no measurement of the "
                "piece; leave out the rows without it first."
            )
        read = by.mean().dropna()
        if len(read) < LEAST:
            raise DataError(
                f"{name!r} was read on {len(read)} pieces only: measure at least {LEAST} before "
                "the others are filled in."
            )
        if read.min() == read.max():
            raise DataError(
                f"{name!r} is {read.iloc[0]:g} in every reading, which distinguishes no pieces: "
                "leave it out of the model."
            )


def _helping(
    frame: pd.DataFrame, also: Sequence[str], unit: np.ndarray, used: set[str], read: pd.DataFrame
) -> pd.DataFrame:
    """Means by piece of further columns that vary and are known where the model's are not."""
    names = [name for name in also if name in frame and name not in used]
    for name in names:
        if not pd.api.types.is_numeric_dtype(frame[name].dtype):
            raise DataError(
                f"{name!r} is no number and cannot help to fill in; take it out of also=."
            )
    means = frame[names].astype(float).groupby(unit).mean()
    shared = [max(means.loc[read[c].isna(), name].notna().mean() for c in read) for name in names]
    return means.loc[:, (means.nunique() > 1) & (np.array(shared, dtype=float) >= LEAST_SHARED)]


Groups = dict[str, tuple[np.ndarray, tuple[str, ...]]]


def _groups(
    frame: pd.DataFrame, design: Design, recipe: Recipe, unit: np.ndarray, read: pd.DataFrame
) -> Groups:
    """Codes and levels of each grouping of the pieces; see the top of this file for factors."""
    first = first_rows(unit)
    found = {
        term.group: (term.index[first], term.levels)
        for term in design.terms
        if term.n_levels < len(first)
    }
    for name, levels in sorted(recipe.factors.items()):
        known = frame[name].iloc[first].astype(object)  # whatever categories it came with
        codes = pd.Categorical(known, categories=levels).codes
        if (read.groupby(codes).count() == 0).any(axis=None):
            found[name] = (codes.astype(np.intp), tuple(map(str, levels)))
    return found


def _outcomes(design: Design, unit: np.ndarray, finest: np.ndarray) -> list[np.ndarray]:
    """Mean response of each piece, and the mean of that in the finest grouping."""
    y = design.y if design.trials is None else design.y / design.trials
    own = pd.Series(y).groupby(unit).mean()
    return [own.to_numpy(), own.groupby(finest).transform("mean").to_numpy()]


def _curved(recipe: Recipe, columns: Sequence[str]) -> tuple[str, ...]:
    """Return the columns that do more than draw a straight line of one slope."""
    bent: set[str] = set()
    for part in recipe.formula.random:
        bent |= coding(part.effects).names.columns
    for term in coding(recipe.formula.fixed).formula:
        named = names_of([term])
        if len(term.factors) > 1 or not named.transforms <= _STRAIGHT:
            bent |= named.columns
    return tuple(name for name in columns if name in bent)


def _unread(groups: Groups, read: pd.DataFrame) -> tuple[Unread, ...]:
    """Return the levels that have no reading; columns that agree share an entry."""
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for group, (codes, levels) in groups.items():
        counts = read.groupby(codes).count()
        for name in read:
            none = tuple(levels[code] for code in counts.index[counts[name] == 0])
            if none:
                alike.setdefault((group, none), []).append(str(name))
    return tuple(
        Unread(group, none, len(groups[group][1]), tuple(names))
        for (group, none), names in alike.items()
    )
