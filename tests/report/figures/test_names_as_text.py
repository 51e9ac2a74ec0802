"""Names from records stand on a picture as they are written, in whatever script."""

import string
import warnings

import pandas as pd
import pytest
from matplotlib.text import Text

from reedlab.errors import FontWarning
from reedlab.report.figures import base, draw_cane, draw_lots, draw_missing, draw_suppliers, fonts

SCRIPTS = {
    "Latin": "Żółć & Søn", "Greek": "Καλάμι", "Cyrillic": "Тростник", "Armenian": "Եղեգ",
    "Georgian": "ლერწამი", "Hebrew": "קנה", "Arabic": "قصب", "Han": "芦苇商行", "Hiragana": "あし",
    "Hangul": "갈대",
}  # fmt: skip
MARKUP = [r"$\frac{1}{$", "$a_b$", "_first", "__", "$", r"\alpha", "<b>&amp;", "a\nb", "%s {0}"]
NAMES = [*MARKUP, *SCRIPTS.values(), *(f"{c}a{c}" for c in string.printable[:95])]


def by_lot(names):
    cane = pd.DataFrame({"supplier": names, "lot": names, "hardness": range(len(names))})
    return draw_lots.by_lot(
        pd.concat([cane, cane.assign(hardness=cane["hardness"] + 1)]), "hardness"
    )


def intervals(names):
    frame = pd.DataFrame({"supplier": names, "share": 0.5, "low": 0.3, "high": 0.7})
    return base.shares(frame, "supplier", xlabel=names[0])


def gauge_readings(names):
    table = pd.DataFrame({"piece": names, "operator": names, "value": 1.0, "quantity": "hardness"})
    return draw_cane.gauge_readings(table, "hardness")


def drift(names):
    day = pd.to_datetime("2025-01-01")
    pieces = pd.DataFrame({"set_up": names, "measured_on": day, "gouge_centre_mm": 0.5})
    slopes = pd.DataFrame({"set_up": names, "reading": "centre", "first": day, "last": day,
                           "start_mm": 0.5, "per_100_days_mm": 0.0})  # fmt: skip
    return draw_cane.drift(pieces, slopes, "gouge_centre_mm", "centre")


def chances(names):
    frame = pd.DataFrame({"variant": names, "supplier": names, "prob_best": 0.5})
    return draw_suppliers.chances(pd.concat([frame, frame.assign(variant=names[0])]), "variant")


def bench_shares(names):
    table = pd.DataFrame({"supplier": names, "reeds": 9, "measured": 4, "bench_share": 0.2,
                          "bench_share_kept": 0.1})  # fmt: skip
    return draw_missing.bench_shares(table)


PICTURES = [by_lot, intervals, gauge_readings, drift, chances, bench_shares]


def written(ax):
    return [text for text in ax.figure.findobj(Text) if text.get_text()]


@pytest.mark.parametrize("draw", PICTURES)
def test_every_name_is_drawn_as_it_is_written(draw):
    names = [*MARKUP, *SCRIPTS.values()]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", FontWarning)
        ax = draw(names)
        assert base.svg(ax).startswith("<?xml")
    said = [text.get_text() for text in written(ax)]
    assert all(any(name in text for text in said) for name in names)
    assert not any(text.get_parse_math() for text in written(ax))


@pytest.mark.parametrize("draw", [intervals, gauge_readings])
def test_every_printable_character_can_stand_in_a_name(draw):
    """Rows and a legend: the two ways in which a name comes onto a picture."""
    ax = draw(NAMES[len(MARKUP) + len(SCRIPTS) :])
    assert base.svg(ax).startswith("<?xml")
    said = {text.get_text() for text in written(ax)}
    assert {f"{c}a{c}" for c in string.printable[:95]} <= said


def test_a_letter_that_the_font_lacks_is_looked_for_among_those_installed(monkeypatch):
    have = {fonts.FONT: frozenset("abc"), "Other": frozenset("字"), "Third": frozenset("字갈")}
    monkeypatch.setattr(fonts, "_letters", lambda family: have[family])
    monkeypatch.setattr(fonts, "_installed", lambda: ("Other", "Third"))
    ax = base.new_axes()
    plain, foreign = ax.text(0, 0, "abc"), ax.text(0, 0, "a字갈")
    ax.set_axis_off()
    fonts.as_text(ax.figure)
    assert foreign.get_fontfamily() == [fonts.FONT, "Other", "Third"]
    assert plain.get_fontfamily() != foreign.get_fontfamily()


def test_a_letter_that_no_font_has_is_said_once_without_a_path(monkeypatch):
    monkeypatch.setattr(fonts, "_installed", lambda: ())
    monkeypatch.setattr(fonts, "_reported", set())
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        for _ in range(2):
            base.svg(intervals(["\N{RUNIC LETTER FEHU FEOH FE F}", "字"]))
    (one,) = raised
    assert one.category is FontWarning
    assert "\N{RUNIC LETTER FEHU FEOH FE F} 字" in str(one.message)
