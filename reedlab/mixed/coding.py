"""A part of a formula as formulaic reads it: what it names, and its columns for a frame's rows."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pandas as pd
from formulaic import Formula
from formulaic.transforms import TRANSFORMS as FORMULAIC
from formulaic.utils.variables import get_required_variables

from reedlab.errors import FormulaError
from reedlab.mixed.transforms import between, within

TRANSFORMS = {"within": within, "between": between}
_MANY = 20_000  # rows from which on a frame is coded sooner than an array


@dataclass(frozen=True)
class Coding:
    """A part of a formula as formulaic reads it.

    Parameters
    ----------
    formula : formulaic.Formula
    columns : frozenset of str
        Columns that it names.
    outside_groupings : frozenset of str
        Those that stand elsewhere than as the grouping of within() or between().
    factored : frozenset of str
        Those that stand in C() alone, and so are factors though they may hold numbers.
    """

    formula: Formula
    columns: frozenset[str]
    outside_groupings: frozenset[str]
    factored: frozenset[str]

    def matrix(self, frame: pd.DataFrame) -> Any:
        """Code a frame's rows."""
        output = "numpy" if len(frame) < _MANY else "pandas"
        return self.formula.get_model_matrix(
            frame, na_action="raise", output=output, context=TRANSFORMS
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
        When formulaic cannot read it.
    """
    try:
        formula = Formula(text)
    except Exception as error:
        raise FormulaError(f"The part {text!r} of the formula cannot be read: {error}") from error
    outside_groupings, factored = _standing(formula)
    return Coding(formula, frozenset(columns_of(formula)), outside_groupings, factored)


def columns_of(formula: Formula) -> set[str]:
    """Columns that a formula names.

    ``required_variables`` of formulaic 1.2 finds none in ``scale(x)`` and other transforms that
    keep a state, so the factors are read here.
    """
    names: set[str] = set()
    for factor in (factor for term in formula for factor in term.factors):
        if factor.eval_method is factor.EvalMethod.LOOKUP:
            names.add(factor.expr)
        elif factor.eval_method is factor.EvalMethod.PYTHON:
            names |= {str(v.root) for v in get_required_variables(factor.expr, {})}
    return names - set(FORMULAIC) - set(TRANSFORMS)


def _standing(formula: Formula) -> tuple[frozenset[str], frozenset[str]]:
    """Columns that stand elsewhere than as the grouping of within() or between(); in C() alone."""
    outside: set[str] = set()
    factored: set[str] = set()
    elsewhere: set[str] = set()
    for expression in {factor.expr for term in formula for factor in term.factors}:
        try:
            tree = ast.parse(expression, mode="eval")
        except SyntaxError:  # a name in backticks
            outside.add(expression)
            continue
        calls = [
            (call.func.id, call.args)
            for call in ast.walk(tree)
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name)
        ]
        groupings = {id(args[1]) for name, args in calls if name in TRANSFORMS and len(args) == 2}
        coded = {id(args[0]) for name, args in calls if name == "C" and args}
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and id(node) not in groupings:
                outside.add(node.id)
                (factored if id(node) in coded else elsewhere).add(node.id)
    return frozenset(outside), frozenset(factored - elsewhere)
