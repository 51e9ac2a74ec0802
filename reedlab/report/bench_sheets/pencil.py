"""A pencil sheet of one batch, in the order of the work, and labels for finished reeds."""

from __future__ import annotations

from html import escape
from typing import Any

import pandas as pd

from reedlab.records.tables import FAULTS
from reedlab.records.write.pencil_rows import PencilSheet
from reedlab.report.words.sentences import OF_THE_WORK

_BOX = '<span class="box"></span>'
_STYLE = """
@page { size: landscape; margin: 9mm; } /* A4 or Letter, as the printer has it */
* { box-sizing: border-box; }
body { font: 10pt/1.25 "DejaVu Sans", "Segoe UI", Helvetica, Arial, sans-serif; color: #111;
  background: #fff; margin: 0 auto; max-width: 261mm; }
header, footer { display: flex; flex-wrap: wrap; gap: 2mm 7mm; align-items: baseline; }
h1 { font-size: 15pt; margin: 0; }
.line { border-bottom: 0.3mm solid #444; display: inline-block; min-width: 17mm; height: 5.5mm; }
.line.filled { min-width: 0; padding: 0 1.5mm; font-weight: bold; }
table { border-collapse: collapse; width: 100%; margin: 2mm 0; table-layout: auto; }
caption { text-align: left; font-size: 8.5pt; }
th, td { border: 0.25mm solid #666; padding: 0 1.2mm; text-align: center; white-space: nowrap; }
thead th { font-size: 8pt; font-weight: normal; padding: 0.8mm; vertical-align: bottom; }
thead b { font-size: 9pt; }
tbody tr { height: 13mm; }
tbody:has(tr:nth-child(11)) tr { height: 12mm; } /* twelve rows fit too */
tbody tr:nth-child(even) { background: #f2f2ee; print-color-adjust: exact; }
tbody th { font-size: 12pt; }
.box { display: inline-block; width: 5mm; height: 5mm; border: 0.35mm solid #222; margin: 0 0.7mm;
  vertical-align: middle; background: #fff; }
.wide { width: 30mm; }
.small { font-size: 8.5pt; }
.labels { display: grid; grid-template-columns: repeat(5, 48mm); gap: 2mm; }
.label { border: 0.25mm dashed #888; padding: 2mm; height: 20mm; break-inside: avoid; }
.label b { font-size: 13pt; }
@media print { body { max-width: none; } }
"""


_COLUMNS = (
    ("place", "", 0),
    ("no.", "", 0),
    ("rough", "ok · lost", 2),
    ("open", "s · m · l", 3),
    ("seals", "", 1),
    ("crow", "- · o · +", 3),
    ("finish", "ok · lost", 2),
    ("play", "GOOD · PLAYS · NO", 3),
    ("strength", "S · MS · M · MH · H", 5),
    ("fault", "", 0),
    ("note", "", 0),
)
"""Of each column its heading, what its boxes mean and how many there are."""


def pencil_page(sheet: PencilSheet) -> str:
    """Return a pencil sheet as a page: ten rows on A4 across, Letter too."""
    rows = sheet.rows
    lot, day, who = (_one(rows[name]) for name in ("lot", "tied_on", "maker"))
    head = [
        f"<h1>Sheet {sheet.number}</h1>",
        *(f"<span>{_field(name, value)}</span>"
          for name, value in (("lot", lot), ("tied on", day), ("by", who), ("staple", ""),
                              ("tied (mm)", ""))),
        f'<span class="small">{OF_THE_WORK}</span>',
    ]  # fmt: skip
    heading = "".join(
        f'<th scope="col"><b>{name}</b>{"<br>" + says if says else ""}</th>'
        for name, says, _ in _COLUMNS
    )
    body = "".join(_row(reed) for _, reed in rows.iterrows())
    faults = " · ".join(
        f"{number} {escape(fault)}" for number, fault in enumerate(FAULTS[:9], start=1)
    )
    minutes = "".join(f"<span>{_field(name, '')}</span>" for name in ("tie", "rough", "finish"))
    days = "".join(
        f"<span>{_field(name, '')}</span>" for name in ("roughed on", "finished on", "verdicts on")
    )
    return _page(
        f"Sheet {sheet.number}",
        f"<header>{''.join(head)}</header><table><caption>Leave empty what is as usual.</caption>"
        f"<thead><tr>{heading}</tr></thead><tbody>{body}</tbody></table>"
        f"<footer><span>minutes of the batch:</span>{minutes}<span>{_field('room (%)', '')}</span>"
        f"{days}"
        f'<span class="small">faults: {faults} · 0 other</span></footer>',
    )


def labels_page(bench: Any) -> str:
    """Return small labels for good reeds in stock: number, strength, pitch and day."""
    from reedlab.decide.orders.blanks_in_progress import stock

    there = stock(bench)["reed"]
    reeds = bench.reeds[bench.reeds["reed"].isin(there)]
    cells = "".join(
        f'<div class="label"><b>{escape(str(reed.reed))}</b><br>'
        f"{escape(' · '.join(_said(reed)))}</div>"
        for reed in reeds.itertuples()
    )
    return _page("Labels", f'<div class="labels">{cells or "No good reed is in stock."}</div>')


def _said(reed: Any) -> list[str]:
    day = reed.finished_on
    return [
        *([reed.strength.replace("_", " ")] if isinstance(reed.strength, str) else []),
        *([f"crow {reed.crow}"] if isinstance(reed.crow, str) else []),
        *([f"{day.day} {day:%b %Y}"] if pd.notna(day) else []),
    ]


def _one(values: pd.Series) -> str:
    """Give the one value that all rows share, or nothing."""
    return str(values.iloc[0]) if values.nunique() == 1 else ""


def _field(name: str, value: str) -> str:
    filled = " filled" if value else ""
    return f'{escape(name)} <span class="line{filled}">{escape(value)}</span>'


def _row(reed: pd.Series) -> str:
    cells = "".join(f"<td>{_BOX * boxes}</td>" for _, _, boxes in _COLUMNS if boxes)
    return (
        f"<tr><td>{escape(reed['place'])}</td>"
        f'<th scope="row">{escape(reed["reed"])}</th>{cells}'
        '<td></td><td class="wide"></td></tr>'
    )


def _page(title: str, body: str) -> str:
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(title)}</title>"
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head>'
        f"<body>{body}</body></html>\n"
    )
