"""Gaps filled in several times over: the values, how the chains went, and what to warn of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from reedlab.mixed.gaps.chained import Chain
from reedlab.mixed.gaps.incomplete import Gaps


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
        beside = {name: first[name].astype(object).to_numpy() for name in by if name in first}
        frames = []
        for (j, column), i in product(enumerate(self.gaps.columns), range(self.m + 1)):
            rows = np.flatnonzero(self.measured[:, j] == (i == 0))
            part = {"piece": rows, "column": column, "value": self.values[max(i - 1, 0), rows, j]}
            part |= {"measured": i == 0, "imputation": i}
            frames.append(pd.DataFrame(part | {k: v[rows] for k, v in beside.items()}))
        return pd.concat(frames, ignore_index=True)
