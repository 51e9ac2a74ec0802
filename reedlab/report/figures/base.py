"""Pictures: a tidy frame in, the matplotlib Axes out, all in one theme.

Every estimate is drawn with its interval, and every axis says what it shows and in which unit.
Colour never distinguishes alone: shapes differ too, and the palette's colours differ in lightness,
so that a page printed in grey can be read. A figure's label is its alternative text. A function
that draws is marked `picture`.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager
from contextvars import ContextVar
from functools import wraps
from itertools import cycle
from textwrap import wrap
from typing import TYPE_CHECKING, Any, ParamSpec

import numpy as np
import pandas as pd

from reedlab.report.figures.fonts import as_text, without_font_warnings
from reedlab.report.figures.theme import BY_NIGHT, DASHED, FONT, MARKERS, PALETTE, PERCENT, theme
from reedlab.report.words.numbers import heading

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, FigureBase

P = ParamSpec("P")
WIDTH_IN = 4.2  # small enough that its letters can be read on a phone
LETTERS_IN = 11  # on an inch of a label
NAME_LETTERS = 22  # of a row's name on one line


_within: ContextVar[bool] = ContextVar("_within", default=False)
"""Whether a picture is drawn by another one, which will see to its text."""


def picture(draw: Callable[P, Axes]) -> Callable[P, Axes]:
    """Have a function draw in the theme, every name on its picture as plain text."""

    @wraps(draw)
    def drawn(*args: P.args, **options: P.kwargs) -> Axes:
        if _within.get():
            return draw(*args, **options)
        token = _within.set(True)
        try:
            with _themed():
                ax = draw(*args, **options)
                as_text(_figure(ax))
        finally:
            _within.reset(token)
        return ax

    return drawn


def new_axes(height: float = 3.2) -> Axes:
    """Return empty Axes, `height` inches high, on a figure that no global state holds on to."""
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH_IN, height), layout="constrained").add_subplot()


def _themed() -> AbstractContextManager[None]:
    import matplotlib as mpl

    return mpl.rc_context(theme())  # type: ignore[arg-type]


def marks(
    ax: Axes, frame: pd.DataFrame, x: str, y: str, by: str, names: Iterable[Any], **style: Any
) -> dict[str, Artist]:
    """Draw a mark a row, each group in a colour and a shape of its own; return a mark of each.

    `x`, `y` and `by` are columns of `frame`; `names` are the groups in the order of their looks,
    and `style` is what `seaborn.scatterplot` takes.
    """
    import seaborn as sns
    from matplotlib.lines import Line2D

    texts = [str(name) for name in names]
    looks = {
        "palette": dict(zip(texts, cycle(PALETTE))),
        "markers": dict(zip(texts, cycle(MARKERS))),
    }
    groups = frame[by].astype(str).to_numpy()
    sns.scatterplot(
        x=frame[x].to_numpy(), y=frame[y].to_numpy(), hue=groups, style=groups, hue_order=texts,
        style_order=texts, legend=False, ax=ax, **looks, **style,
    )  # fmt: skip
    return {
        name: Line2D([], [], linestyle="", color=colour, marker=shape, markersize=6)
        for name, colour, shape in zip(texts, cycle(PALETTE), cycle(MARKERS))
    }


def legend(owner: Axes | FigureBase, keys: Mapping[str, Any], **place: Any) -> None:
    """Draw a legend of names and their artists that keeps every name, also one like _name."""
    made = owner.legend([*keys.values()], ["-"] * len(keys), **place)
    for text, name in zip(made.get_texts(), keys):  # matplotlib leaves out names with a leading _
        text.set_text(name)


def name_rows(ax: Axes, names: Iterable[Any], below: float = 0.5, above: float = 0.5) -> None:
    """Write the names of a picture's rows, the first on top, and draw no grid along them."""
    texts = [on_two_lines(str(name)) for name in names]
    ax.set_yticks(range(len(texts)), texts)
    ax.set_ylim(max(len(texts), 1) - 1 + below, -above)
    ax.grid(visible=False, axis="y")


def on_two_lines(name: str) -> str:
    """Break a name that would leave the picture no room."""
    if len(name) <= NAME_LETTERS:
        return name
    return "\n".join(wrap(name, NAME_LETTERS, max_lines=2, placeholder=" …"))


@picture
def intervals(
    frame: pd.DataFrame,
    name: str,
    value: str,
    low: str = "low",
    high: str = "high",
    xlabel: str = "",
) -> Axes:
    """Draw one dot with its interval a row, first row on top.

    For anything with an estimate and an interval: suppliers, coefficients, lots. Without `xlabel`
    the axis has the heading of `value`.

    >>> frame = pd.DataFrame({"lot": ["a"], "share": [0.5], "low": [0.3], "high": [0.7]})
    >>> intervals(frame, "lot", "share").get_xlabel()
    'share'
    """
    ax = new_axes(height=0.9 + 0.36 * max(len(frame), 2))
    rows = np.arange(len(frame))
    ax.hlines(rows, frame[low], frame[high], color=PALETTE[2], linewidth=2.4)
    ax.plot(frame[value], rows, "o", color=PALETTE[0], markersize=6.5)
    name_rows(ax, frame[name])
    ax.set_xlabel(xlabel or heading(value), loc="right")  # a long label has room to the left
    return ax


@picture
def shares(frame: pd.DataFrame, name: str, value: str = "share", xlabel: str = "") -> Axes:
    """Draw shares with their intervals on an axis from 0 to 100 %."""
    ax = intervals(frame, name, value, xlabel=xlabel)
    ax.set_xlim(0, 1)
    ax.xaxis.set_major_formatter(PERCENT)
    return ax


@picture
def ratios(frame: pd.DataFrame, name: str, value: str = "ratio", xlabel: str = "") -> Axes:
    """Draw ratios with their intervals on a logarithmic axis, with a dashed line at no difference.

    Parameters
    ----------
    frame, name, value, xlabel
        As in `shares`, a ratio in the place of a share.

    Returns
    -------
    matplotlib.axes.Axes
    """
    from matplotlib.ticker import LogLocator

    ax = intervals(frame, name, value, xlabel=xlabel)
    ax.axvline(1, **DASHED)
    ax.set_xscale("log")
    wide = frame["high"].max() / frame["low"].min() > 3
    steps = (1, 2, 5) if wide else (1, 1.1, 1.2, 1.3, 1.5, 2, 2.5, 3, 5, 6, 7, 8, 9)
    ax.xaxis.set_major_locator(LogLocator(subs=steps))
    ax.xaxis.set_major_formatter("{x:g}")
    ax.xaxis.set_minor_formatter("")
    return ax


@picture
def said_and_met(frame: pd.DataFrame, said: str, met: str, xlabel: str, ylabel: str) -> Axes:
    """Draw how often something came true against the chance that was stated of it.

    A dashed diagonal marks chances that are right. A bin's ``low`` and ``high`` are an interval of
    the share, or the range that it keeps to where the chance is right.
    """
    ax = new_axes(height=3.8)
    ax.plot([0, 1], [0, 1], **DASHED)
    ax.vlines(frame[said], frame["low"], frame["high"], color=PALETTE[2], linewidth=2.4)
    ax.plot(frame[said], frame[met], "o", color=PALETTE[0], markersize=6.5, clip_on=False)
    ax.set(xlim=(0, 1), ylim=(0, 1), ylabel=ylabel)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(PERCENT)
    ax.set_xlabel(xlabel, loc="right")
    return ax


def svg(ax: Axes) -> str:
    """Return the figure of an Axes as SVG, in the colours of the reader's screen, light or dark.

    It has no date and no program's version; text is text, coordinates have two decimals.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    file = io.StringIO()
    as_text(_figure(ax))  # also what was written on it since it was drawn
    _wrap_labels(_figure(ax))
    with _themed(), without_font_warnings():  # savefig would draw it a second time, unseen
        FigureCanvasSVG(_figure(ax)).print_svg(
            file, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type"))
        )
    drawn = re.sub(r"<[^<>]*>", _in_the_readers_colours, file.getvalue())
    names = {colour: f"--c{i}" for i, colour in enumerate(BY_NIGHT)}
    day = "".join(f"{name}:{colour};" for colour, name in names.items())
    night = "".join(f"{name}:{BY_NIGHT[colour]};" for colour, name in names.items())
    style = f":root{{{day}}}@media (prefers-color-scheme:dark){{:root{{{night}}}}}"
    return drawn.replace("<defs>", f"<style>{style}</style><defs>", 1)


def _wrap_labels(figure: Figure) -> None:
    """Break the names of axes that are longer than their axis."""
    for ax in figure.axes:
        for axis, inches in ((ax.xaxis, WIDTH_IN), (ax.yaxis, figure.get_figheight())):
            axis.label.set_text("\n".join(wrap(axis.label.get_text(), int(LETTERS_IN * inches))))


def _in_the_readers_colours(tag: re.Match[str]) -> str:
    """Rewrite one tag of an SVG: colours by name, short numbers, a font that others have too."""
    text = re.sub(r"\d+\.\d{3,}", lambda number: f"{float(number[0]):.2f}", tag[0])
    for place, colour in enumerate(BY_NIGHT):
        text = text.replace(colour, f"var(--c{place})")
    return text.replace(f"'{FONT}'", f"'{FONT}', Verdana, sans-serif")


def described(ax: Axes, alt: str) -> Axes:
    """Give a picture its alternative text, which goes wherever its figure goes."""
    _figure(ax).set_label(alt)
    return ax


def alternative_text(ax: Axes) -> str:
    """Return what `described` gave a picture; ``""`` where it has none."""
    return str(_figure(ax).get_label() or "")


@picture
def without_data(sentence: str) -> Axes:
    """Return Axes without data that say why there are none, also as their alternative text."""
    from textwrap import fill

    ax = new_axes(height=1.6)
    ax.axis("off")
    ax.text(0.5, 0.5, fill(sentence, 60), ha="center", va="center", transform=ax.transAxes)
    return described(ax, sentence)


def _figure(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    assert figure is not None  # Axes that were drawn have a figure
    return figure
