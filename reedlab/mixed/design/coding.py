"""A part of a formula as formulaic reads it: what it names, and its columns for a frame's rows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pandas as pd
from formulaic import Formula

from reedlab.mixed.design.expressions import CONTEXT, Names, names_of, read

_MANY = 20_000  # rows from which on a frame is coded sooner than an array


@dataclass(frozen=True)
class Coding:
    """A part of a formula as formulaic reads it.

    Parameters
    ----------
    formula : formulaic.Formula
    names : Names
        What it reaches.
    """

    formula: Formula
    names: Names

    def matrix(self, frame: pd.DataFrame) -> Any:
        """Code a frame's rows."""
        output = "numpy" if len(frame) < _MANY else "pandas"
        return self.formula.get_model_matrix(
            frame, na_action="raise", output=output, context=CONTEXT
        )


@lru_cache(maxsize=256)
def coding(text: str) -> Coding:
    """Read a part of a formula; bootstraps and power studies ask for the same ones again.

    Parameters
    ----------
    text : str
        A right-hand side, such as ``"season + scale(x)"``.

    Raises
    ------
    FormulaError
        When it reaches more than columns and listed transforms, or formulaic cannot read it.
    """
    formula = read(text)
    return Coding(formula, names_of(formula))
