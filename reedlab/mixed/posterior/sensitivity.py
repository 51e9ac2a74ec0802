"""What would be said under other priors: a posterior's summary beside those of scaled priors."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, Self

import pandas as pd


class Scalable(Protocol):
    """A posterior that can be had again under priors whose group scales are multiplied."""

    def summary(self, level: float = 0.95) -> pd.DataFrame:
        """Mean, sd, low and high, one row a parameter."""

    def scaled(self, factor: float) -> Self:
        """Return the posterior under scaled priors."""


def sensitivity(post: Scalable, scales: Sequence[float], level: float) -> pd.DataFrame:
    """Set a posterior's summary beside those under scaled priors; see `Posterior.sensitivity`."""
    own, frames = post.summary(level), []
    for scale in scales:
        under = own if scale == 1.0 else post.scaled(scale).summary(level)
        shift = (under["mean"] - own["mean"]) / own["sd"]
        frames.append(under.assign(shift=shift, scale=scale).rename_axis("parameter").reset_index())
    table = pd.concat(frames).sort_values("parameter", key=own.index.get_indexer, kind="stable")
    columns = ["parameter", "scale", "mean", "sd", "low", "high", "shift"]
    return table[columns].reset_index(drop=True)
