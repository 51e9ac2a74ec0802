"""A page to hand to a pupil: her own reeds, nobody else's name, no rank, lot or price."""

from __future__ import annotations

from html import escape
from pathlib import Path

import pandas as pd

from reedlab.decide.pupil import Pupil
from reedlab.errors import DecisionError
from reedlab.records.store import write_text
from reedlab.report.words.sentences import OF_THE_WORK

_STYLE = """
@page { margin: 16mm; }
:root { color-scheme: light dark; --ink: #1c1a17; --paper: #fff; --soft: #5a554d; --line: #8a8378;
  --mark: #2f5d62; --band: #2f5d6233; }
@media (prefers-color-scheme: dark) { :root { --ink: #ece8e1; --paper: #1b1a18; --soft: #b9b2a6;
  --line: #8a8378; --mark: #8fc3c8; --band: #8fc3c833; } }
@media print { :root { color-scheme: light; --ink: #111; --paper: #fff; --soft: #444;
  --mark: #222; --band: #2222; } }
body { font: 1.05rem/1.5 "DejaVu Sans", "Segoe UI", Helvetica, Arial, sans-serif; color: var(--ink);
  background: var(--paper); margin: 0 auto; padding: 1rem; max-width: 40rem; }
h1 { font-size: 1.6rem; margin: 0 0 .2rem; }
h2 { font-size: 1.1rem; margin: 1.6rem 0 .3rem; }
p { margin: .3rem 0; }
.soft { color: var(--soft); font-size: .9rem; }
.marks { font-size: 1.4rem; letter-spacing: .15em; overflow-wrap: anywhere; }
.practise { border-left: .3rem solid var(--mark); padding-left: .8rem; font-weight: bold; }
svg { width: 100%; height: auto; }
svg text { font-size: 13px; fill: var(--ink); }
.band { fill: var(--band); } .curve { fill: none; stroke: var(--mark); stroke-width: 2.5; }
.axis { stroke: var(--line); stroke-width: 1; } .month { fill: var(--ink); }
"""
_WIDE, _HIGH, _LEFT, _TOP = 560, 190, 40, 10


def pupil_page(answer: Pupil) -> str:
    """Return a page to hand to a pupil, as HTML that needs nothing else.

    Parameters
    ----------
    answer : Pupil
        From `reedlab.pupil`.

    Returns
    -------
    str
        What she made, where it went wrong most, one thing to practise, what has become better.

    Raises
    ------
    DecisionError
        When the answer is about nobody.

    Examples
    --------
    >>> import reedlab as rl
    >>> page = pupil_page(rl.pupil(rl.demo_bench(), "KL"))
    >>> "Practise" in page, "ochre" in page
    (True, False)
    """
    if answer.made is None:
        raise DecisionError(f"There is no page of nobody: {answer.sentence()}")
    made = answer.made
    sections = [
        ("What you made", [_made(made)]),
        ("Where it went wrong most", [answer.went_wrong()]),
        ("One thing to practise", [answer.to_do()]),
        ("What has become better", answer.has_become_better()),
    ]
    body = [f"<h1>The reeds of {escape(answer.maker)}</h1>", _period(answer)]
    for title, said in sections:
        name = ' class="practise"' if title.startswith("One") else ""
        body.append(f"<h2>{title}</h2>")
        body += [f"<p{name}>{escape(sentence)}</p>" for sentence in said]
    body.append(_marks(answer.marks) if answer.marks else _curve(answer))
    if answer.others:
        body.append(
            f'<p class="soft">The others: {answer.others} makers with ten reeds or more, as one '
            "group.</p>"
        )
    body.append(f'<p class="soft">{OF_THE_WORK}</p>')
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>The reeds of {escape(answer.maker)}</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body><main>{''.join(body)}</main></body></html>\n"
    )


def write_pupil_page(answer: Pupil, home: Path) -> Path:
    """Write a pupil's page into the folder ``pupils`` of a bench, and return its path.

    `home` is the bench's folder, or its workbook.
    """
    name = "".join(c if c.isalnum() else "-" for c in answer.maker)
    folder = home if home.is_dir() else home.parent
    return write_text(pupil_page(answer), folder / "pupils" / f"{name}.html", replace=True)


def _made(made: pd.Series) -> str:
    parts = [f"{made['good']} good"]
    parts += [f"{made['playable']} to practise on"] * bool(made["playable"])
    parts += [f"{made['lost']} that did not get there"] * bool(made["lost"])
    parts += [f"{made['waiting']} not judged yet"] * bool(made["waiting"])
    helped = f" In {made['helped']} more a teacher helped." * bool(made["helped"])
    alone = made["made"] - made["helped"]
    return f"You made {alone} by yourself: {', '.join(parts)}.{helped}"


def _period(answer: Pupil) -> str:
    months = answer.months["month"]
    if months.empty:
        return ""
    first, last = f"{months.min():%B %Y}", f"{months.max():%B %Y}"
    return f'<p class="soft">{first if first == last else f"{first} to {last}"}</p>'


def _marks(marks: str) -> str:
    shown = "".join("●" if mark == "+" else "○" for mark in marks)
    good = marks.count("+")
    return (
        f'<p class="marks" role="img" aria-label="{good} good of {len(marks)} judged">{shown}</p>'
        '<p class="soft">Your judged reeds in the order of tying: ● good, ○ not.</p>'
    )


def _curve(answer: Pupil) -> str:
    """Draw the learning curve with its band, and the share of good reeds in each month."""
    curve, months = answer.curve, answer.months
    if len(curve) < 2:
        return ""
    start, end = curve["month"].min(), curve["month"].max()

    def x(month: pd.Timestamp) -> float:
        return _LEFT + (_WIDE - _LEFT - 15) * float((month - start) / (end - start))

    def y(share: float) -> float:
        return _TOP + (_HIGH - _TOP - 35) * (1 - share)

    line = " ".join(f"{x(row.month):.1f},{y(row.good):.1f}" for row in curve.itertuples())
    upper = [f"{x(row.month):.1f},{y(row.high):.1f}" for row in curve.itertuples()]
    lower = [f"{x(row.month):.1f},{y(row.low):.1f}" for row in curve.itertuples()]
    dots = "".join(
        f'<circle class="month" cx="{x(row.month):.1f}" cy="{y(row.good / row.reeds):.1f}" '
        f'r="{2 + min(row.reeds, 16) ** 0.5:.1f}"/>'
        for row in months.itertuples()
    )
    rules = "".join(
        f'<line class="axis" x1="{_LEFT}" x2="{_WIDE}" y1="{y(share)}" y2="{y(share)}"/>'
        f'<text x="{_LEFT - 6}" y="{y(share) + 4}" text-anchor="end">{100 * share:.0f}</text>'
        for share in (0.0, 0.5, 1.0)
    )
    first, last = curve.iloc[0], curve.iloc[-1]
    alt = (
        f"Good reeds in a hundred by month: about {100 * first.good:.0f} in {first.month:%B %Y}, "
        f"about {100 * last.good:.0f} in {last.month:%B %Y} "
        f"({100 * last.low:.0f} to {100 * last.high:.0f})."
    )
    return (
        f'<svg viewBox="0 0 {_WIDE} {_HIGH}" role="img" aria-label="{alt}">{rules}'
        f'<polygon class="band" points="{" ".join(upper + lower[::-1])}"/>'
        f'<polyline class="curve" points="{line}"/>{dots}'
        f'<text x="{_LEFT}" y="{_HIGH - 8}">{start:%b %Y}</text>'
        f'<text x="{_WIDE - 15}" y="{_HIGH - 8}" text-anchor="end">{end:%b %Y}</text></svg>'
        '<p class="soft">Good reeds in a hundred, month by month: a dot a month, larger with more '
        f"reeds; the line is the best guess for a new lot, its band holds {100 * answer.level:.0f} "
        "times in a hundred.</p>"
    )
