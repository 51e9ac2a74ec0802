"""Parts of a formula as formulaic reads them: what one may reach, and its columns for a frame.

A formula reaches columns of the frame and the transforms listed here, nothing else.

formulaic evaluates every call in a formula as Python, and some already while it reads the formula.
So each is taken apart here first, and evaluated only if nothing but columns, constants, arithmetic
and listed transforms is in it. What formulaic evaluates it in holds no more than that either.
"""

from __future__ import annotations

import ast
import builtins
import re
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from functools import lru_cache
from typing import Any, NoReturn

import numpy as np
import pandas as pd
from formulaic import Formula
from formulaic.parser.algos.sanitize_tokens import sanitize_tokens
from formulaic.parser.algos.tokenize import tokenize
from formulaic.parser.types import Term
from formulaic.transforms import TRANSFORMS as FORMULAIC
from formulaic.utils.code import sanitize_variable_names

from reedlab.errors import FormulaError
from reedlab.mixed.design.formula import QUOTE
from reedlab.mixed.design.transforms import between, within

_OF_FORMULAIC = (
    *("C", "I", "Treatment", "Sum", "Helmert", "Diff", "Poly"),
    *("log", "log2", "log10", "exp", "scale", "center", "standardize"),
    *("bs", "cc", "cr", "cs", "poly"),
)
OWN = {"within": within, "between": between}
TRANSFORMS = {**{name: FORMULAIC[name] for name in _OF_FORMULAIC}, **OWN}
# Behind the context are Python's builtins and formulaic's other names, numpy whole: hide them.
CONTEXT = {**dict.fromkeys([*dir(builtins), *FORMULAIC]), **TRANSFORMS}

_NODES = (
    *(ast.Expression, ast.Call, ast.keyword, ast.Name, ast.Load, ast.Constant, ast.List, ast.Tuple),
    *(ast.BinOp, ast.UnaryOp, ast.Compare, ast.operator, ast.unaryop, ast.cmpop),
)

_INSTEAD = {
    "factor": "C(...) for a factor",
    "weights": "weights='column' in rl.fit for weights",
    "offset": "offset(...) as a summand of its own",
    "cbind": "the successes as response, and the column of trials in trials='column'",
    "ns": "cr(x, df=4, constraints='center') or bs(x, df=4) for a smooth curve",
    "s": "cr(x, df=4, constraints='center') or bs(x, df=4) for a smooth curve",
    "sqrt": "I(x ** 0.5) for a square root",
    "Q": "a name in backticks, `odd name`, for a column with an odd name",
}
"""What to write for calls of other languages' formulas."""

_DOT = re.compile(r"(?<![\w.`)\]])\.(?![\w.])")
_POWER = re.compile(r"[\w`]\s*(\*\*|\^)\s*\d")

_MANY = 20_000  # rows from which on a frame is coded sooner than an array


@dataclass(frozen=True)
class Names:
    """What a part of a formula reaches."""

    columns: frozenset[str] = frozenset()  # columns that it names
    transforms: frozenset[str] = frozenset()  # transforms that it calls
    # columns used other than as the grouping of within() or between()
    values: frozenset[str] = frozenset()
    coded: frozenset[str] = frozenset()  # columns that are C()'s one argument somewhere
    # columns used other than as C()'s one argument or as such a grouping
    uncoded: frozenset[str] = frozenset()

    def __or__(self, other: Names) -> Names:
        """Return what both reach."""
        pairs = zip(astuple(self), astuple(other))
        return Names(*(ours | theirs for ours, theirs in pairs))


def read(text: str) -> Formula:
    """Read a formula, or a part of one, that reaches columns and listed transforms only."""
    _refuse_strange(text)
    try:
        for token in sanitize_tokens(tokenize(text)):  # what formulaic evaluates, as it does
            if token.kind is token.Kind.PYTHON:
                names_in(token.token)
        return Formula(text)
    except FormulaError:
        raise
    except Exception as error:
        why = str(getattr(error, "msg", error)).partition("\n")[0].rstrip(".")
        # formulaic takes a sign such as ³ for a letter of a name, and Python does not
        fix = "rename the column" if why.startswith("invalid character") else QUOTE
        raise FormulaError(
            f"The part {text!r} of the formula cannot be read: {why}; {fix}."
        ) from error


def _refuse_strange(text: str) -> None:
    """Refuse what reads as something else here than in other languages, and say what to write."""
    outside = re.sub(r"`[^`]*`", "``", text)
    if "as.factor(" in outside:
        raise FormulaError(f"The part {text!r} of the formula uses as.factor(): write C(...).")
    if _DOT.search(outside):
        raise FormulaError(
            f"The part {text!r} of the formula uses '.', which stands for every column elsewhere: "
            "name the predictors, as in 'season + maker'."
        )
    flat = outside
    while (fewer := re.sub(r"\w\([^()]*\)", "x", flat)) != flat:  # calls, from the inside out
        flat = fewer
    if _POWER.search(flat):
        raise FormulaError(
            f"The part {text!r} of the formula has a power of one column, which there means its "
            "interactions with itself, so the column alone: write I(x ** 2), or poly(x, 2)."
        )


def names_of(terms: Iterable[Term]) -> Names:
    """Return what terms reach, all together."""
    found = Names()
    for factor in {factor for term in terms for factor in term.factors}:
        if factor.eval_method is factor.EvalMethod.LOOKUP:
            name = frozenset({factor.expr})
            found |= Names(columns=name, values=name, uncoded=name)
        elif factor.eval_method is factor.EvalMethod.PYTHON:
            found |= names_in(factor.expr)
    return found


@lru_cache(maxsize=1024)
def names_in(expression: str) -> Names:
    """Return what a call reaches; refuse it if that is more than columns and listed transforms."""
    quoted: dict[str, str] = {}  # names in backticks, by their stand-ins in the code
    code = sanitize_variable_names(expression, {}, quoted, template="_quoted_{}")
    tree = ast.parse(code, mode="eval")
    if not isinstance(tree.body, ast.Call):
        _refuse(expression, tree.body)
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    functions = {id(call.func) for call in calls}
    names: dict[int, str] = {}
    for node in ast.walk(tree):
        if not isinstance(node, _NODES) or isinstance(node, ast.BitXor) or not _is_plain(node):
            _refuse(expression, node)
        if isinstance(node, ast.Name) and id(node) not in functions:
            names[id(node)] = quoted.get(node.id, node.id)
    for call in calls:
        if not isinstance(call.func, ast.Name) or call.func.id not in TRANSFORMS:
            _refuse(expression, call.func)
        # A second argument of numpy's functions is an array that they write to.
        if isinstance(TRANSFORMS[call.func.id], np.ufunc) and len(call.args + call.keywords) != 1:
            _refuse(expression, call)
    called = [(call.func.id, call.args) for call in calls if isinstance(call.func, ast.Name)]
    groupings = {id(args[1]) for name, args in called if name in OWN and len(args) == 2}
    coded = {id(args[0]) for name, args in called if name == "C" and args}
    return Names(
        columns=frozenset(names.values()),
        transforms=frozenset(name for name, _ in called),
        values=frozenset(name for at, name in names.items() if at not in groupings),
        coded=frozenset(name for at, name in names.items() if at in coded),
        uncoded=frozenset(name for at, name in names.items() if at not in groupings | coded),
    )


def _is_plain(node: ast.AST) -> bool:
    """Whether a name, a constant or a keyword evaluates nothing further."""
    if isinstance(node, ast.Name):
        return not node.id.startswith("__")
    if isinstance(node, ast.keyword):  # formulaic fills in _state and its like; ** has no name
        return node.arg is not None and not node.arg.startswith("_")
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str):  # formulaic writes it into code of its own
            return node.value.isprintable() and not set(node.value) & set("'\"`\\")
        return node.value is None or isinstance(node.value, bool | int | float)
    return True


def _refuse(expression: str, node: ast.AST) -> NoReturn:
    what = ast.unparse(node) or type(node).__name__.lower()
    if isinstance(node, ast.BitXor):
        raise FormulaError(f"The part {expression!r} of the formula uses '^': write ** for powers.")
    if what in _INSTEAD:
        raise FormulaError(
            f"The part {expression!r} of the formula uses {what!r}, which is not a listed "
            f"transform: write {_INSTEAD[what]}."
        )
    raise FormulaError(
        f"The part {expression!r} of the formula uses {what!r}, which is neither a column nor a "
        f"listed transform: write columns, numbers, arithmetic, words without quotation marks in "
        f"them, and calls of {', '.join(TRANSFORMS)} only."
    )


@dataclass(frozen=True)
class Coding:
    """A part of a formula as formulaic reads it."""

    formula: Formula
    names: Names  # what it reaches

    def matrix(self, frame: pd.DataFrame) -> Any:
        """Code a frame's rows."""
        output = "numpy" if len(frame) < _MANY else "pandas"
        return self.formula.get_model_matrix(
            frame, na_action="raise", output=output, context=CONTEXT
        )


@lru_cache(maxsize=256)
def coding(text: str) -> Coding:
    """Read a part of a formula; bootstraps and power studies ask for the same ones again."""
    formula = read(text)
    return Coding(formula, names_of(formula))
