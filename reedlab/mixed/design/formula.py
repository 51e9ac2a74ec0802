"""Read a mixed-model formula: the random terms are ours, the rest is formulaic's.

``success ~ scale(density_g_cm3) + season + (1 | supplier/lot)`` has a response, a fixed part that
goes to formulaic as it stands, and random terms in parentheses with a bar. This file only takes
the text apart; it never sees data.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from reedlab.errors import FormulaError

_NAME = re.compile(r"`[^`]+`|[^\W\d]\w*")
QUOTE = "put a column's name with spaces or signs between backticks, as in `lot no`"
"""What to do where a formula cannot be read."""
_OFFSET = re.compile(r"offset\s*(\(.*\))", re.DOTALL)


@dataclass(frozen=True)
class RandomPart:
    """One random term as written, after nesting is spelt out."""

    effects: str  # the left of the bar, a formulaic right-hand side such as ``"1"`` or ``"x"``
    # the columns whose combination is the grouping: ``("supplier", "lot")``
    columns: tuple[str, ...]
    correlated: bool  # ``True`` for ``|``, ``False`` for ``||``

    @property
    def group(self) -> str:
        """The grouping's name, ``"supplier:lot"``."""
        return ":".join(self.columns)


@dataclass(frozen=True)
class MixedFormula:
    """A formula taken apart."""

    text: str  # the formula as given
    response: str  # the left-hand side
    # the fixed part of the right-hand side, ``"1"`` when nothing but random terms is written
    fixed: str
    # the random terms, nested groupings spelt out from the outside in; empty for none
    random: tuple[RandomPart, ...]
    offset: tuple[str, ...] = ()  # what each ``offset(...)`` has between its brackets


def parse(text: str) -> MixedFormula:
    """Take a formula apart into response, fixed part and random terms.

    In ``response ~ fixed + (effects | grouping)`` a grouping is a column, ``a/b`` (b nested within
    a) or ``a:b`` (their combination); ``||`` leaves out the correlations. ``offset(x)`` is a
    summand that gets no coefficient.

    >>> parse("good ~ season + (1 | supplier/lot)").random[1].group
    'supplier:lot'
    """
    if not isinstance(text, str):
        raise FormulaError(
            f"The formula is a {type(text).__name__}, not text: write fit(formula, data, family)."
        )
    sides = _split(text, "~")
    if len(sides) != 2 or not sides[0][1].strip():
        raise FormulaError(
            f"The formula {text!r} needs a response and one '~', as in 'success ~ (1 | supplier)'."
        )
    fixed: list[str] = []
    random: list[RandomPart] = []
    offset: list[str] = []
    for sign, summand in _split(sides[1][1], "+-"):
        inner = _unwrap(summand)
        if inner is not None and len(_split(inner, "|")) > 1:
            if sign == "-":
                raise FormulaError(f"The random term {summand.strip()} cannot be subtracted.")
            random.extend(_random_parts(inner))
        elif (inside := _offset(summand)) is not None:
            if sign == "-" or inside in offset:
                raise FormulaError(
                    f"The offset {summand.strip()} cannot be subtracted or written twice: make "
                    "what is to be added a column, and name it once."
                )
            offset.append(inside)
        elif "|" in re.sub(r"`[^`]*`", "", summand):
            raise FormulaError(
                f"Write the random term in {summand.strip()!r} in parentheses of its own, "
                "as in '+ (1 | supplier)'."
            )
        elif summand.strip():
            fixed.append(f"{sign} {summand.strip()}")
    _refuse_repeats(random)
    whole = " ".join(fixed).lstrip("+ ") or "1"
    return MixedFormula(text, sides[0][1].strip(), whole, (*random,), (*offset,))


def _split(text: str, marks: str) -> list[tuple[str, str]]:
    """Cut at any of ``marks`` outside brackets and backticks; each piece with the mark before."""
    pieces, depth, quoted, start, sign = [], 0, False, 0, "+"
    for at, char in enumerate(text):
        if char == "`":
            quoted = not quoted
        elif quoted:
            continue
        elif char in "([{":
            depth += 1
        elif char in ")]}":
            depth -= 1
            if depth < 0:
                break
        elif depth == 0 and char in marks:
            pieces.append((sign, text[start:at]))
            start, sign = at + 1, char
    if depth != 0 or quoted:
        raise FormulaError(f"The brackets or backticks in {text.strip()!r} do not match.")
    return [*pieces, (sign, text[start:])]


def _unwrap(summand: str) -> str | None:
    """Return the inside of a summand's own pair of parentheses, if it has one."""
    text = summand.strip()
    if not (text.startswith("(") and text.endswith(")")):
        return None
    inner = text[1:-1]
    try:
        _split(inner, "|")
    except FormulaError:
        return None
    return inner


def _offset(summand: str) -> str | None:
    """Return what ``offset(...)`` has between its brackets, if the summand is one."""
    called = _OFFSET.fullmatch(summand.strip())
    return None if called is None else _unwrap(called[1])


def _random_parts(inner: str) -> list[RandomPart]:
    pieces = [piece for _, piece in _split(inner, "|")]
    correlated = len(pieces) == 2
    if not correlated and not (len(pieces) == 3 and not pieces[1].strip()):
        raise FormulaError(f"The random term ({inner}) needs one '|' or one '||'.")
    effects, grouping = pieces[0].strip(), pieces[-1].strip()
    if not effects or not grouping:
        raise FormulaError(
            f"The random term ({inner}) needs effects before the bar and a grouping behind it, "
            "as in '(1 | lot)'."
        )
    nested = [_columns(part, inner) for _, part in _split(grouping, "/")]
    return [
        RandomPart(
            effects, tuple(name for part in nested[: depth + 1] for name in part), correlated
        )
        for depth in range(len(nested))
    ]


def _columns(part: str, inner: str) -> tuple[str, ...]:
    names = tuple(name.strip() for _, name in _split(part, ":"))
    if not all(_NAME.fullmatch(name) for name in names):
        raise FormulaError(
            f"The grouping in ({inner}) must be a column, 'a/b' or 'a:b'; {QUOTE}, and make any "
            "other grouping a column first."
        )
    return tuple(name.strip("`") for name in names)


def _refuse_repeats(random: list[RandomPart]) -> None:
    keys = [(part.effects, frozenset(part.columns)) for part in random]
    for i, part in enumerate(random):
        if keys[i] in keys[:i]:
            raise FormulaError(
                f"The random term ({part.effects} | {part.group}) is written twice; keep one."
            )
