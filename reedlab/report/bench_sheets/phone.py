"""The phone page: one HTML file in which what is done at the bench is noted, without a network.

It holds what entry needs: labels of lots and of blanks in progress, makers, vocabularies and rests.
Suppliers, customers and prices stay out. Its style and scripts are in ``phone_page/``, and are put
into the page as they are.
"""

from __future__ import annotations

import json
import re
import secrets
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.decide.orders.blanks_in_progress import DONE_ON, blanks
from reedlab.errors import RecordError
from reedlab.records.entries import BENCH_ID, DESK, entry_table, numbers_by_device
from reedlab.records.settings import STEPS
from reedlab.records.store import write_text
from reedlab.records.tables import FAULTS, STRENGTHS, TABLES
from reedlab.records.tidy.unnamed_makers import ONE
from reedlab.records.write.pencil_rows import ENDINGS, ROWS, labels_in_use
from reedlab.report.words.sentences import OF_THE_WORK

FOLDER = BENCH_ID.parent.name
"""Where the page and its folder for the web are, in the bench's folder."""
SITE = "site"
PAGE = "bench.html"
_PARTS = Path(__file__).resolve().parent / "phone_page"
_SCRIPTS = ("elements", "keeping", "progress", "sending", "stopwatch", "screens", "start")
_FAULTS_SHOWN, _LETTERS_SHOWN = 10, 6
_TRIED = {
    name: TABLES["reeds"].columns[name].words or ("yes", "no")
    for name in ("opening", "seals", "crow")
}
"""What is tried on a reed in progress, and how it may be."""
_WRITES = {
    "reeds": ("reed", "lot", "maker", "tied_on", "rough_on", "finished_on", "outcome", *_TRIED,
              "strength", "lost_at", "fault", "judged_on", "place"),
    "sittings": ("date", "stage", "reeds", "minutes"),
}  # fmt: skip
"""The columns that the page fills in, beside those of every entry and a note."""


def write_phone(bench: Any, to: Path | None = None) -> Path:
    """Write the phone page of a bench, and a folder for a web address of the maker's own.

    Both go to the bench's folder ``phone``, in place of earlier ones; the page goes to `to`
    instead, without the folder, where that is given and not there yet. Pages of one bench find each
    other's entries in a browser: the bench has an identifier of its own in ``phone/id.txt``. Raises
    RecordError for a bench that is not a folder.

    Examples
    --------
    >>> import shutil, tempfile
    >>> import reedlab as rl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     mine = shutil.copytree(rl.demo_bench().path, Path(folder) / "mine")
    ...     write_phone(rl.open_bench(mine, today="2026-10-02")).name
    'bench.html'
    """
    if bench.path is None or not bench.path.is_dir():
        raise RecordError("entries are kept in a bench's folder: give the folder, not a workbook.")
    folder = bench.path / FOLDER
    if to is not None:
        return write_text(phone_page(bench, _identifier(folder)), to)
    identifier = _identifier(folder)
    for name, text in site(bench, identifier).items():
        write_text(text, folder / SITE / name, replace=True)
    return write_text(phone_page(bench, identifier), folder / PAGE, replace=True)


def _identifier(folder: Path) -> str:
    """Return the bench's identifier, which is made up once."""
    path = folder / BENCH_ID.name
    known = path.read_text("utf-8").strip() if path.exists() else ""
    if not re.fullmatch(r"[0-9a-f]{12}", known):
        known = secrets.token_hex(6)
        write_text(known + "\n", path, replace=True)
    return known


def site(bench: Any, identifier: str) -> dict[str, str]:
    """Return the files of a folder for the web, by name: the page, and what keeps it offline."""
    manifest = {
        "name": f"At the bench: {_name(bench)}", "short_name": "Bench", "start_url": "./",
        "display": "standalone", "background_color": "#fbf7ee", "theme_color": "#1d3a4f",
        "icons": [{"src": "icon.svg", "sizes": "any", "type": "image/svg+xml"}],
    }  # fmt: skip
    return {
        "worker.js": _part("worker.js"),
        "icon.svg": _part("icon.svg"),
        "manifest.webmanifest": json.dumps(manifest, indent=1),
        "index.html": phone_page(bench, identifier, hosted=True),
    }


def phone_page(bench: Any, identifier: str, *, hosted: bool = False) -> str:
    """Return the phone page of a bench, which loads nothing from elsewhere.

    Its policy allows its own script and style alone. `identifier` is the name under which a browser
    keeps the entries of all pages of one bench; a `hosted` page is for a web address, with a
    manifest and a service worker beside it.
    """
    from jinja2 import Environment, FileSystemLoader
    from markupsafe import Markup

    script = "\n".join(['"use strict";', *(_part(f"{name}.js") for name in _SCRIPTS)])
    style = _part("style.css")
    data = {"id": identifier, "name": _name(bench), "hosted": hosted, **_known(bench)}
    # In a script element only "<" could end it, or begin a comment.
    embedded = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    policy = [
        "default-src 'none'",
        f"script-src {_allowed(script)}",
        f"style-src {_allowed(style)}",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    if hosted:
        policy += ["img-src 'self'", "manifest-src 'self'", "worker-src 'self'"]
    else:
        policy += ["img-src data:"]
    parts = Environment(loader=FileSystemLoader(_PARTS), autoescape=True, trim_blocks=True)
    return parts.get_template("page.html.j2").render(
        name=_name(bench), hosted=hosted, policy="; ".join(policy),
        style=Markup(style), script=Markup(script), bench=Markup(embedded),
    )  # fmt: skip


def _part(name: str) -> str:
    return (_PARTS / name).read_text("utf-8")


def _allowed(text: str) -> str:
    """Name a script or style by its hash, so that a page's policy lets it run and no other."""
    return f"'sha256-{b64encode(sha256(text.encode('utf-8')).digest()).decode('ascii')}'"


def _name(bench: Any) -> str:
    return str(bench.path.resolve().name)


def _known(bench: Any) -> dict[str, Any]:
    """Return what the page knows: codes, vocabularies, rests and blanks in progress."""
    labels = labels_in_use(bench)
    gathered = numbers_by_device(bench.path)
    week = bench.settings.week
    return {
        "made_on": f"{bench.today}",
        "caution": OF_THE_WORK,
        "steps": STEPS,
        "rests": dict(bench.settings.steps),
        "done_on": DONE_ON,
        "lost": {"rough": ENDINGS["r"], "finish": ENDINGS["f"]},
        "endings": {"good": ENDINGS["g"], "plays": ENDINGS["p"], "no": ENDINGS["n"]},
        "strengths": STRENGTHS,
        "tried": _TRIED,
        "faults": _commonest_faults(bench.reeds),
        "columns": _columns(),
        "lots": _lots(bench),
        "makers": [maker for maker in _latest_first(bench.reeds, "maker") if maker != ONE],
        "batch": week.blanks_a_sitting if week else ROWS,
        "letters": _free_letters(labels, gathered),
        "labels": _highest(labels),
        "gathered": gathered,
        "blanks": _in_progress(bench),
    }


def _columns() -> list[str]:
    """Return the columns of an export, in the order of its cells; a note is last."""
    own = [name for name in entry_table("reeds").columns if name in ("entry", "noted_at", "undoes")]
    theirs = [entry_table(kind).columns[name].name for kind, its in _WRITES.items() for name in its]
    return [*own, *theirs, "note"]


def _commonest_faults(reeds: pd.DataFrame) -> list[str]:
    """Return the ten commonest faults in the maker's words; the usual ones fill up."""
    main = reeds["fault"].dropna().astype(str).str.split(r"[;,]").str[0].str.strip().str.casefold()
    hers = main[main != ""].value_counts().index
    return list(dict.fromkeys([*hers, *FAULTS]))[:_FAULTS_SHOWN]


def _latest_first(reeds: pd.DataFrame, column: str) -> list[str]:
    """Return the names in a column, the one tied last first."""
    last = reeds.groupby(reeds[column].astype(object))["tied_on"].max()
    return [str(name) for name in last.sort_values(ascending=False, kind="stable").index]


def _lots(bench: Any) -> list[str]:
    """Return the labels of lots: those tied or bought last first."""
    tied = bench.reeds.groupby(bench.reeds["lot"].astype(object))["tied_on"].max()
    lots = bench.tables["lots"].drop_duplicates("lot").dropna(subset=["lot"])
    bought = pd.Series(lots["bought_on"].to_numpy(), index=lots["lot"].astype(object))
    last = pd.concat([tied[tied.index.isin(bought.index)], bought]).groupby(level=0).max()
    return [str(lot) for lot in last.sort_values(ascending=False, kind="stable").index]


def _highest(labels: list[str]) -> dict[str, int]:
    """Return the highest number of the labels that end in one, by what stands before it."""
    found: dict[str, int] = {}
    for label in labels:
        if match := re.fullmatch(r"(\D{0,4})(\d{1,9})", label):
            found[match[1]] = max(found.get(match[1], 0), int(match[2]))
    return found


def _free_letters(labels: list[str], gathered: dict[str, list[tuple[int, int]]]) -> list[str]:
    """Return letters for a new phone: no device has them, and no label begins with them."""
    taken = {DESK, *(device[0] for device in gathered), *(label[0] for label in labels if label)}
    return [letter for letter in "ABCEFGHKLMNPRSTUVWXYZ" if letter not in taken][:_LETTERS_SHOWN]


def _in_progress(bench: Any) -> list[dict[str, Any]]:
    """Return the blanks without an outcome, each with its last step and what was tried on it."""
    going = blanks(bench).dropna(subset=["reed", "lot", "tied_on"]).drop_duplicates("reed")
    known = bench.tables["reeds"].drop_duplicates("reed").set_index("reed").loc[going["reed"]]
    seals = known["seals"].map({True: "yes", False: "no"})
    noted = known.assign(seals=seals)[["place", *_TRIED]].astype(object)
    noted = noted.where(noted.notna(), "").to_dict("records")
    return [
        {"reed": row.reed, "lot": str(row.lot), "maker": _text(row.maker), "last": row.last,
         "tied_on": f"{row.tied_on:%Y-%m-%d}", "since": f"{row.since:%Y-%m-%d}",
         "late": bool(row.overdue), **its}
        for row, its in zip(going.itertuples(), noted)
    ]  # fmt: skip


def _text(value: Any) -> str:
    return str(value) if pd.notna(value) and value != ONE else ""
