"""Names as text on a picture: never markup, and in a font that has their letters.

The theme's font has the alphabets of Europe and some more. Letters that it lacks come from
another installed font; where none has them the picture shows a box, and one warning says so.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING

from reedlab.errors import FontWarning
from reedlab.report.figures.theme import FONT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_reported: set[str] = set()


def as_text(figure: Figure) -> None:
    """Have every text of a figure drawn letter by letter, in fonts that have its letters."""
    from matplotlib.text import Text

    texts = [text for text in figure.findobj(Text) if isinstance(text, Text)]
    for text in texts:
        text.set_parse_math(False)
    letters = {c for text in texts for c in text.get_text() if c.isprintable() and c != " "}
    if lacking := letters - _letters(FONT):
        families = [FONT, *_families(lacking)]
        for text in texts:
            if lacking & {*text.get_text()}:
                text.set_fontfamily(families)


def _families(letters: set[str]) -> Iterator[str]:
    """Yield the installed fonts that have what is lacking, and say once what none has."""
    for family in _installed():
        if not letters:
            return
        if found := letters & _letters(family):
            letters = letters - found
            yield family
    if unseen := sorted(letters - _reported):
        _reported.update(unseen)
        warnings.warn(
            f"No installed font has {' '.join(unseen)}: a picture shows a box instead; install a "
            "font that has it, such as one of the Noto fonts.",
            FontWarning,
            stacklevel=2,
        )


@cache
def _installed() -> tuple[str, ...]:
    """Name the installed fonts, plain sans-serif ones first; not those of formulas or boxes.

    Each has the usual weight: matplotlib logs a line on the page for a font that lacks it.
    """
    from matplotlib.font_manager import fontManager

    usual = ("normal", "regular", 400)
    upright = (font for font in fontManager.ttflist if font.style == "normal")
    names = {font.name for font in upright if font.weight in usual}
    usable = (n for n in names if not n.startswith(("cm", "STIXSize", "STIXNon", "Last Resort")))
    return tuple(sorted(usable, key=lambda n: ("Sans" not in n, "Mono" in n, n)))


@cache
def _letters(family: str) -> frozenset[str]:
    """Return the letters that a font can draw at any size."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    try:
        font = get_font(findfont(FontProperties(family=family), fallback_to_default=False))
    except (OSError, RuntimeError, ValueError):  # listed, and gone or damaged since
        return frozenset()
    return frozenset(map(chr, font.get_charmap())) if font.scalable else frozenset()


@contextmanager
def without_font_warnings() -> Iterator[None]:
    """Keep matplotlib from naming every missing letter with a place in the code."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+", category=UserWarning)
        yield
