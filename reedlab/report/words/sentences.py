"""What reedlab says in words: findings for the command line, and the cautions of each page."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.decide.evidence import count, listed
from reedlab.records import flow

if TYPE_CHECKING:
    from reedlab.records import Bench

OF_THE_WORK = (
    "Reed knives are sharp. Guard the finger. Do not breathe the dust. Keep reeds for others dry "
    "and clean. Local rules come first."
)
"""What a page of hers or a sheet says where the work is met."""
OF_THE_RECORDS = (
    "A ranking of suppliers is about your bench and these lots, not about a supplier's worth. "
    "Few lots say little."
)
"""What a page of hers says where suppliers are compared."""
ROUGH = "Some ranges of these answers are rougher than usual: read them as a hint."
"""What a maker can do with a warning of a posterior's checks."""
CAUTIONS = (  # of a researcher's pages
    "A ranking of suppliers is about this maker's bench and these lots, not about a supplier's "
    "worth. Few lots say little.",
    "Pieces never tied and reeds given up early bias a comparison (selection bias).",
    "A maker changes gouge and scrape because it is winter: what records show of season is "
    "association. Only a trial shows more: blanks of one lot, alternated at random between two "
    "settings, judged blind.",
    "Reed knives are sharp: guard the supporting finger. Dust from gouging and scraping is not "
    "for breathing. Reeds that others play are kept dry and clean. None of this replaces local "
    "rules or a doctor.",
)


def findings_count(bench: Bench) -> str:
    """Say which reeds could be used, what a bench holds and how many findings its check has."""
    held = [
        count(bench.tables["lots"]["lot"].nunique(), "lot"),
        count(len(bench.reeds), "reed"),
        count(len(bench.cane), "measured piece"),
    ]
    named = [count(n, severity) for severity, n in severities(bench.findings).items()]
    if notes := int((bench.findings["severity"] == "read_as").sum()):
        named.append(count(notes, "note"))
    used = flow.sentence(bench.flow(settled=False))
    return f"{used}\n{listed(held).capitalize()}; the check names {listed(named)}."


def findings_text(bench: Bench) -> str:
    """Write a bench's findings for a person: table by table, errors first, each with its fix."""
    from reedlab.report.words.finding_lines import finding_lines

    return "\n".join([findings_count(bench), *finding_lines(bench.findings, bench.settings)])


def severities(findings: pd.DataFrame) -> dict[str, int]:
    """Count findings by severity, the grave ones first."""
    return {name: int((findings["severity"] == name).sum()) for name in ("error", "warning")}


def findings_json(findings: pd.DataFrame) -> str:
    """Write findings as JSON for another program.

    An object with ``errors`` and ``warnings`` (counts) and ``findings`` (a list of objects with the
    columns of the frame as keys; what is missing is null).
    """
    counts = {f"{severity}s": n for severity, n in severities(findings).items()}
    rows = [
        {key: None if pd.isna(value) else value for key, value in row.items()}
        for row in findings.to_dict("records")
    ]
    return json.dumps({**counts, "findings": rows}, indent=2, ensure_ascii=False, default=str)
