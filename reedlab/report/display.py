"""What notebooks show: `reedlab.show`, and the tables, sentences and pictures beside the answers.

    import reedlab as rl
    from reedlab.report import display

A notebook needs these two imports. `show` displays anything; the rest returns frames, text and
Axes for it: counts of the records, ratios and methods of a fit, the priors, the calibration study,
and what other libraries say of the same rows.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import singledispatch
from html import escape
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from reedlab.cane.density import compare_routes as compare_density_routes
from reedlab.decide.answer import Answer
from reedlab.decide.evidence import some_lots
from reedlab.errors import DecisionError, ReedlabError
from reedlab.mixed.gaps.pooling import NotedFrame
from reedlab.mixed.posterior.prior_check import implied
from reedlab.records.tables import dictionary
from reedlab.report.cross_checks import beside_gee, beside_mixedlm, cane_pairs, lot_contrasts
from reedlab.report.figures.base import alternative_text, svg
from reedlab.report.figures.base import ratios as draw_ratios
from reedlab.report.figures.draw_cane import cross_section as draw_cross_section
from reedlab.report.figures.draw_cane import density_routes as draw_density_routes
from reedlab.report.figures.draw_lots import by_lot as draw_by_lot
from reedlab.report.figures.draw_priors import implied as draw_implied
from reedlab.report.figures.draw_trust import coverage as draw_coverage
from reedlab.report.figures.draw_trust import fixed_truths as draw_fixed_truths
from reedlab.report.figures.draw_trust import stated_and_met as draw_stated_and_met
from reedlab.report.figures.of_answers import figure
from reedlab.report.words.coefficients import effects_in_words, ratios, typical
from reedlab.report.words.coefficients import sentence as differences
from reedlab.report.words.counts import (
    findings_by_table,
    held,
    recorded,
    records_sentence,
    shares_by,
)
from reedlab.report.words.methods import paragraph as methods
from reedlab.report.words.methods import software
from reedlab.report.words.numbers import NONE, table_html, written
from reedlab.report.words.printed_tables import for_print, in_words
from reedlab.report.words.prior_words import sentence as priors_sentence
from reedlab.report.words.prior_words import verdicts as priors_verdicts
from reedlab.report.words.trust_words import NEXT_LOT
from reedlab.report.words.trust_words import sentence as calibration_sentence
from reedlab.report.words.trust_words import study as calibration_study
from reedlab.report.words.trust_words import workshops as calibration_workshops

__all__ = [
    "NEXT_LOT",
    "beside_gee",
    "beside_mixedlm",
    "calibration_sentence",
    "calibration_study",
    "calibration_workshops",
    "cane_pairs",
    "compare_density_routes",
    "dictionary",
    "differences",
    "draw_by_lot",
    "draw_coverage",
    "draw_cross_section",
    "draw_density_routes",
    "draw_fixed_truths",
    "draw_implied",
    "draw_ratios",
    "draw_stated_and_met",
    "effects_in_words",
    "findings_by_table",
    "for_print",
    "held",
    "implied",
    "in_words",
    "lot_contrasts",
    "methods",
    "priors_sentence",
    "priors_verdicts",
    "ratios",
    "recorded",
    "records_sentence",
    "refusals_shown",
    "shares_by",
    "show",
    "software",
    "some_lots",
    "typical",
]


@singledispatch
def show(what: Any, *, digits: int | Mapping[str, int] = 2, alt: str = "") -> None:
    """Display something in a notebook, its numbers written by one set of rules.

    Parameters
    ----------
    what : Answer, DataFrame, Axes, str, sequence of str, or anything with ``_repr_html_``
        An answer shows its sentence, its picture, its table and its notes. Text is shown as text,
        never as markup; a frame without rows says that there are none; Axes on which nothing is
        drawn show nothing.
    digits : int or mapping of str to int
        For a frame: decimals of the floats, one for all or one a column.
    alt : str
        For Axes, alternative text: what the picture shows, in a sentence or two. What
        `reedlab.figure` draws has its own.

    Raises
    ------
    ValueError
        For Axes without alternative text.

    Examples
    --------
    >>> import pandas as pd
    >>> show(pd.DataFrame({"lot": ["L01"], "density_g_cm3": [0.5512]}))
    lot density (g/cm³)
    L01            0.55
    """
    from IPython.display import display

    if hasattr(what, "as_raw_html"):  # a table for print, whose own view has random ids
        _display(alt, {"text/html": what.as_raw_html()})
    else:
        display(what)


@show.register
def _text(what: str, *, digits: Any = 2, alt: str = "") -> None:
    _display(what, {"text/html": f'<p class="answer">{escape(what)}</p>'})


@show.register(list)
@show.register(tuple)
def _sentences(what: list[str] | tuple[str, ...], *, digits: Any = 2, alt: str = "") -> None:
    if what:
        items = "".join(f"<li>{escape(sentence)}</li>" for sentence in what)
        _display("\n".join(what), {"text/html": f"<ul>{items}</ul>"})


@show.register
def _frame(what: pd.DataFrame, *, digits: int | Mapping[str, int] = 2, alt: str = "") -> None:
    if what.empty:
        _display(NONE, {"text/html": f"<p>{NONE}</p>"})
    else:
        plain = written(what, digits).to_string(index=False)
        _display(plain, {"text/html": table_html(what, digits)})


@show.register
def _noted(what: NotedFrame, *, digits: int | Mapping[str, int] = 2, alt: str = "") -> None:
    show(pd.DataFrame(what), digits=digits)
    show(what.notes)


@show.register
def _axes(what: Axes, *, digits: Any = 2, alt: str = "") -> None:
    if not what.has_data():
        return
    alt = alt.strip() or alternative_text(what)
    if not alt:
        raise ValueError("a picture needs alternative text: say what it shows.")
    content = base64.b64encode(svg(what).encode()).decode("ascii")
    source = f"data:image/svg+xml;base64,{content}"
    _display(alt, {"text/html": f'<img alt="{escape(alt)}" src="{source}" width="520">'})


@show.register
def _answer(what: Answer, *, digits: int | Mapping[str, int] | None = None, alt: str = "") -> None:
    show(what.sentence())
    with suppress(DecisionError):  # a kind of answer without pictures
        show(figure(what), alt=alt)
    if not what.unanswered or len(what.table):
        show(in_words(what), digits=what.digits if digits is None else digits)
    show(what.notes)


@contextmanager
def refusals_shown() -> Iterator[None]:
    """Show why the records cannot answer what is asked in a block, and go on after it.

    Examples
    --------
    >>> with refusals_shown():
    ...     raise DecisionError("All reeds are of one lot.")
    All reeds are of one lot.
    """
    try:
        yield
    except ReedlabError as refusal:
        show(str(refusal))


def _display(plain: str, rich: dict[str, str]) -> None:
    """Publish something to a notebook; where there is none, print what it is in words."""
    from IPython import get_ipython
    from IPython.display import display

    if get_ipython() is None:
        print(plain)
    else:
        display({**rich, "text/plain": plain}, raw=True)
