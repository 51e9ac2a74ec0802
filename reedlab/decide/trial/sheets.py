"""The sheets of a trial, written and read back.

The folder of a trial holds three sheets and a plan:

``bench.csv``
    What the maker works from: order, pair, setting; to fill in: reed, rough_min, finish_min.
``judge.csv``
    What the judge works from: a random three-digit code and nothing about the setting; to
    fill in: outcome, judge, judged_on. Three digits at random are usual in sensory tests.
``key/key.csv``
    Which code belongs to which blank. A second person ties the numbers on, or the maker does it
    long before judging; it stays shut until every verdict is down.
``plan.toml``
    The lot, the two settings, the seed and the differences that the trial is meant to detect.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import pandas as pd

from reedlab.decide.trial.blanks import Plan, draw
from reedlab.errors import RecordError
from reedlab.records import Settings
from reedlab.records.findings import Findings
from reedlab.records.read.parsing import parse_table
from reedlab.records.read.sheets_as_text import as_table, read_csv
from reedlab.records.store import beside, write_table, write_text
from reedlab.records.tables import TABLES, Column, Table

BENCH, JUDGE, KEY, PLAN = "bench.csv", "judge.csv", "key/key.csv", "plan.toml"
LOST = ("given_up", "broken")


def write_trial(plan: Plan, folder: str | Path) -> Path:
    """Write the sheets of a trial into a folder, which is returned.

    It must not exist yet: a trial under way is never written over. Raises WriteError when it does
    or cannot be made.
    """
    drawn = draw(plan)
    to_make = drawn[["order", "pair", "setting"]]
    to_judge = drawn[["code"]].sort_values("code", ignore_index=True)
    with beside(folder) as fresh:
        fresh.mkdir()
        write_table(to_make.assign(reed="", rough_min="", finish_min="", note=""), fresh / BENCH)
        write_table(to_judge.assign(outcome="", judge="", judged_on="", note=""), fresh / JUDGE)
        write_table(drawn[["order", "code"]], fresh / KEY)
        write_text(_as_toml(plan), fresh / PLAN)
    return Path(folder)


def _as_toml(plan: Plan) -> str:
    values = {"format": 1, **asdict(plan), "settings": list(plan.settings)}
    lines = [f"{name} = {json.dumps(v, ensure_ascii=False)}" for name, v in values.items()]
    return (
        "# A trial of two settings on blanks of one lot, written by reedlab: do not change it.\n"
        + "\n".join(lines)
        + "\n"
    )


@dataclass(frozen=True)
class Trial:
    """A trial read back.

    Attributes
    ----------
    plan : Plan
        What was planned.
    reeds : pandas.DataFrame
        One row a blank: ``order``, ``pair``, ``setting``, ``code``, ``reed``, ``outcome``,
        ``success`` (1, 0, missing while pending), ``scrape_min`` (rough and finish together,
        missing for a blank that was lost on the way).
    """

    plan: Plan
    reeds: pd.DataFrame


def read_trial(folder: str | Path, settings: Settings | None = None) -> Trial:
    """Read a trial's sheets as far as they are filled in.

    The bench's settings say which outcomes count as success, and the maker's own words for them.
    Raises RecordError when a sheet is missing or changed in what reedlab wrote, or a verdict or a
    number of minutes cannot be read; the sentence names the file and the line.
    """
    folder = Path(folder)
    settings = settings or Settings()
    plan = _read_plan(folder / PLAN)
    bench, judge, key = (_read_sheet(folder / name, settings) for name in (BENCH, JUDGE, KEY))
    reeds = bench.merge(key, on="order", how="outer").merge(
        judge[["code", "outcome"]], on="code", how="outer"
    )
    pairs = reeds.groupby("pair")["setting"].agg(set)
    if len(reeds) != plan.blanks or not all(pair == set(plan.settings) for pair in pairs):
        raise RecordError(
            f"The sheets in {folder} no longer hold the {plan.blanks} blanks that were drawn: put "
            "the columns order, pair, setting and code back as they were."
        )
    outcome = reeds["outcome"].astype(object)
    judged, lost = outcome.notna(), outcome.isin(LOST)
    return Trial(
        plan,
        pd.DataFrame(
            {
                "order": reeds["order"].astype(int),
                "pair": reeds["pair"].astype(int),
                "setting": pd.Categorical(reeds["setting"], categories=list(plan.settings)),
                "code": reeds["code"].astype(int),
                "reed": reeds["reed"],
                "outcome": reeds["outcome"],
                "success": outcome.isin(settings.success).astype(float).where(judged),
                "scrape_min": (reeds["rough_min"] + reeds["finish_min"]).mask(lost),
            }
        ),
    )


def _read_plan(path: Path) -> Plan:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        names = {field.name for field in fields(Plan)}
        known = {name: value for name, value in values.items() if name in names}
        return Plan(**{**known, "settings": tuple(known["settings"])})
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise RecordError(
            f"{path} is missing or no longer as reedlab wrote it, so there is no trial to read."
        ) from error


def _read_sheet(path: Path, settings: Settings) -> pd.DataFrame:
    """Read one sheet as any spreadsheet saves it; the first error is raised."""
    table, found = _SHEETS[path.name], Findings()
    sheet = read_csv(path, table, settings, found)
    if sheet is not None:
        rows, origin = as_table(sheet, table, settings, found)
        typed = parse_table(table, rows, settings, found, origin)
    # The day of judging is for the maker: nothing depends on how it is written.
    errors = found.frame().query("severity == 'error' and column != 'judged_on'")
    if len(errors):
        first = errors.iloc[0]
        cell = f"row {first['row']}, {first['column']}, {first['value']!r}: "
        where = cell if first["column"] else ""
        raise RecordError(f"{path}: {where}{first['problem']}; {first['fix']}.")
    return typed


_REEDS = TABLES["reeds"].columns


def _sheet(name: str, says: str, *columns: Column) -> Table:
    return Table(name, says, {column.name: column for column in columns})


_SHEETS = {
    "bench.csv": _sheet(
        "bench",
        "a blank of a trial, as the maker works on it",
        Column("order", "number", "the order of making", needed=True),
        Column("pair", "number", "which two belong together", needed=True),
        Column("setting", "text", "how to make it", needed=True),
        *(_REEDS[name] for name in ("reed", "rough_min", "finish_min", "note")),
    ),
    "judge.csv": _sheet(
        "judge",
        "a finished reed of a trial, as the judge sees it",
        Column("code", "number", "the number tied to it", needed=True),
        *(_REEDS[name] for name in ("outcome", "judge", "judged_on", "note")),
    ),
    "key.csv": _sheet(
        "key",
        "which number belongs to which blank",
        Column("order", "number", "the order of making", needed=True),
        Column("code", "number", "the number tied to it", needed=True),
    ),
}
