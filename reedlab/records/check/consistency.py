"""Rows that contradict one another: keys, dates, counts, losses noted twice."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd

from reedlab.cane import gouge
from reedlab.records.check.spelling import as_it_looks, once_for_all, respelled
from reedlab.records.findings import Findings, Severity
from reedlab.records.read.batch_rows import one_row_a_reed
from reedlab.records.read.cell_values import same_currency
from reedlab.records.settings import Settings
from reedlab.records.tables import COUNTED, TABLES, UNSALEABLE
from reedlab.records.tidy.days import by_month, exact
from reedlab.records.tidy.frames import looked_up, lots_of
from reedlab.records.tidy.losses_before_tying import bought
from reedlab.records.tidy.minutes import batches
from reedlab.records.tidy.pending_cutoff import cutoff, last_day

Tables = dict[str, pd.DataFrame]

_LONG = pd.Timedelta(days=730)
_OUTCOMES = 10  # with fewer, what is usual is not known
_ROUNDED = 0.05  # a price a piece and minutes are often rounded


def check(tables: Tables, settings: Settings, found: Findings, today: dt.date) -> None:
    """Look for contradictions within and between tables; values that cannot be used are emptied."""
    _future(tables, found, today)
    for look in (
        _repeats, _nowhere, _alike_lots, _lot_and_piece, _sizes, _dates, _outcomes,
    ):  # fmt: skip
        look(tables, found)
    _prices(tables, settings, found)
    for look in (_tally, _noted_twice, _half_timed, _sittings, _waiting):
        look(tables, found)


def _empty(tables: Tables, table: str, rows: pd.Index, columns: list[str]) -> None:
    if len(rows):
        tables[table] = tables[table].copy()
        tables[table].loc[rows, columns] = None


def _nothing(rows: pd.DataFrame) -> pd.Series:
    """Return an empty cell for each row."""
    return pd.Series("", index=rows.index)


def _future(tables: Tables, found: Findings, today: dt.date) -> None:
    """Days after today, which would also move the end of the records."""
    tomorrow = pd.Timestamp(today) + pd.Timedelta(days=1)  # which it is already in some time zone
    for name, table in TABLES.items():
        for column in table.columns.values():
            if column.kind in ("date", "time") and not column.ahead and len(tables[name]):
                values = tables[name][column.name]
                late = values[values > tomorrow]
                if len(late):
                    found.each(name, column.name, late, "error", "is in the future",
                               "check the year")  # fmt: skip
                    _empty(tables, name, late.index, [column.name])


def _repeats(tables: Tables, found: Findings) -> None:
    """Labels of two rows: only the first counts."""
    for name, table in TABLES.items():
        if table.key and len(tables[name]):
            labels = tables[name][table.key].dropna()
            again = labels[labels.duplicated()]
            first = labels[labels.isin(again)].drop_duplicates()
            says = {
                label: f"is already in row {row}; only that row is used"
                for row, label in first.items()
            }
            fix = f"give this {table.key} a label of its own"
            found.each(name, table.key, again, "error", says, fix)


def _nowhere(tables: Tables, found: Findings) -> None:
    """Labels of a lot, piece or reed that is not in its table."""
    for name, table in TABLES.items():
        for column in table.columns.values():
            if not column.refers or tables[name][column.name].isna().all():
                continue
            known = tables[column.refers][TABLES[column.refers].key].dropna().unique()
            labels = tables[name][column.name].dropna()
            astray = labels[~labels.isin(known)]
            hints = respelled(astray.unique(), known)
            if column.refers == "pieces":
                # A piece that was never measured needs no row, if its lot is known.
                alone = tables[name].loc[astray.index, "lot"].isna()
                _unmeasured(tables, astray[~alone], found)
                astray = astray[alone]
            if astray.nunique() > 1 and not len(known):
                found.add(
                    column.refers, None, "", "", "error",
                    f"has no rows, but {name} names {astray.nunique()} of them",
                    f"fill it in: one row for each {column.name}"
                    + (", or add a column supplier to reeds" if column.refers == "lots" else ""),
                )  # fmt: skip
                continue
            add = (
                "fill in its supplier"
                if column.refers in found.made
                else f"add it to {column.refers}"
            )
            fix = {
                label: f"write {hints[label]}, if you mean that{once_for_all(column.name, rows)}"
                if label in hints
                else f"{add}, or fix the label"
                for label, rows in astray.value_counts().items()
            }
            severity: Severity = "warning" if column.name == "retie_of" else "error"
            found.each(name, column.name, astray, severity, f"is not in {column.refers}", fix)


def _unmeasured(tables: Tables, astray: pd.Series, found: Findings) -> None:
    """Warn of pieces that have no row, where other pieces of their lot have one."""
    if astray.empty:
        return
    pieces = tables["pieces"].dropna(subset=["piece", "lot"])
    measured = pieces.groupby(pieces["lot"].astype(object))["piece"].agg(list).to_dict()
    lots = tables["reeds"]["lot"].reindex(astray.index)
    for row, label in astray.items():
        if known := measured.get(lots[row]):
            meant = next((p for p in known if as_it_looks(p) == as_it_looks(label)), None)
            near = difflib.get_close_matches(label, known, 1, 0)[0]
            found.add(
                "reeds", int(str(row)), "piece", label, "warning",
                "is not in pieces, where other pieces of its lot are"
                + ("" if meant else f" (the nearest there is {near})"),
                f"write {meant}, if you mean that" if meant
                else "add it to pieces, fix the label, or leave it if it was not measured",
            )  # fmt: skip


def _alike_lots(tables: Tables, found: Findings) -> None:
    """Warn of two lots made from rows of reeds whose labels differ in blanks or points alone."""
    lots = tables["lots"]["lot"].dropna()
    if not (lots.index < 0).any():
        return
    counts = lots_of(tables["reeds"], tables["pieces"]).value_counts()
    first: dict[str, str] = {}
    for label in sorted(lots, key=lambda label: (-counts.get(label, 0), label)):
        first.setdefault(as_it_looks(label), label)
    for row, label in lots[lots.index < 0].items():
        other = first[as_it_looks(label)]
        if other != label:
            found.add("lots", int(str(row)), "lot", label, "warning",
                      f"looks like {other}, and is taken as another lot",
                      f"write {other}, or leave it if both exist")  # fmt: skip


def _lot_and_piece(tables: Tables, found: Findings) -> None:
    """Reeds whose lot is not their piece's lot, reeds without either, a piece tied twice."""
    reeds = tables["reeds"]
    if reeds.empty:
        return
    unread = found.rows("reeds", "lot") | found.rows("reeds", "piece")
    unread |= found.rows("reeds", "supplier")  # a row of another supplier has lost its lot
    made = tables["pieces"]["piece"][tables["pieces"].index < 0]
    of_itself = reeds["piece"].isna() | reeds["piece"].isin(made)
    neither = reeds["lot"].isna() & of_itself & ~reeds.index.isin(list(unread))
    if None not in unread:  # a column that is not there is named once
        found.each("reeds", "lot", _nothing(reeds[neither]), "error", "has neither lot nor piece",
                   "fill in the lot it came from")  # fmt: skip
    pieces = tables["pieces"].dropna(subset=["piece", "lot"]).drop_duplicates("piece")
    lot_of = looked_up(reeds["piece"], pieces.set_index("piece")["lot"])
    differ = reeds.index[reeds["lot"].notna() & lot_of.notna() & reeds["lot"].ne(lot_of)]
    for row in differ:
        problem = f"is not the lot of its piece: {reeds.at[row, 'piece']} is from {lot_of[row]}"
        fix = "fix the lot or the piece; until then neither is used"
        found.add("reeds", int(row), "lot", reeds.at[row, "lot"], "error", problem, fix)
    _empty(tables, "reeds", differ, ["lot", "piece"])
    tied = reeds[reeds["piece"].notna() & reeds["retie_of"].isna()]
    again = tied.loc[tied.duplicated("piece"), "piece"]
    found.each("reeds", "piece", again, "warning", "is the piece of an earlier reed too",
               "fix the piece, or name the first reed under retie_of")  # fmt: skip


def _sizes(tables: Tables, found: Findings) -> None:
    """Sizes of one thing that cannot both be right."""
    pieces, lots, reeds = tables["pieces"], tables["lots"], tables["reeds"]
    deep = pieces["float_submerged_mm"][pieces["float_submerged_mm"] > pieces["length_mm"]]
    found.each("pieces", "float_submerged_mm", deep, "error", "is more than the piece's length",
               "measure it again; leave the cell empty for a piece that sinks")  # fmt: skip
    _empty(tables, "pieces", deep.index, ["float_submerged_mm"])
    for frame, table, small, large in (
        (lots, "lots", "diameter_min_mm", "diameter_max_mm"),
        (reeds, "reeds", "finished_length_mm", "tied_mm"),
        (reeds, "reeds", "staple_mm", "finished_length_mm"),
    ):
        wrong = frame[small][frame[small] > frame[large]]
        found.each(table, small, wrong, "warning", f"is more than {large}",
                   "check both; they may be swapped")  # fmt: skip
    shape = ["width", "diameter", "gouge_centre", "gouge_left", "gouge_right", "gouge_side_at"]
    readings = pieces[[f"{name}_mm" for name in shape]]
    unfit = gouge.impossible(*(readings[name] for name in readings))
    for row, reason in zip(readings.index, unfit):
        if reason is not None:
            read = ", ".join(f"{v:g}" for v in readings.loc[row].dropna())
            found.add("pieces", int(row), "gouge_centre_mm", read, "warning",
                      f"does not fit the piece's other readings: {reason}",
                      "measure the piece again: width, diameter and gouge")  # fmt: skip
    no_gauge = pieces["hardness"].notna() & pieces["hardness_gauge"].isna()
    if no_gauge.any():
        found.add("pieces", None, "hardness_gauge", "", "warning",
                  f"is empty for {no_gauge.sum()} pieces with a hardness",
                  "name the gauge: readings from two gauges cannot be compared")  # fmt: skip


def _new_years(years: pd.Series) -> pd.Series:
    """Return the first day of each year."""
    text = years.where(years % 1 == 0).astype("Int64").astype("string")
    return pd.to_datetime(text, format="%Y", errors="coerce")


def _dates(tables: Tables, found: Findings) -> None:
    """Days out of order, and steps that took years."""
    lots = tables["lots"].dropna(subset="lot").drop_duplicates("lot").set_index("lot")
    bought = lots["bought_on"].dropna().to_dict()
    harvest = _new_years(lots["harvest_year"]).dropna().to_dict()
    reeds = tables["reeds"]
    lot = lots_of(reeds, tables["pieces"]).astype(object)
    steps = {
        "the lot's harvest": lot.map(harvest),
        "the lot's bought_on": lot.map(bought),
        **{day: reeds[day] for day in ("tied_on", "rough_on", "finished_on", "judged_on")},
        "returned_on": reeds["returned_on"],
    }
    months = {day: by_month(reeds, day).to_numpy() for day in steps if day in reeds}
    _in_order("reeds", steps, found, months)
    own = tables["lots"]
    year = _new_years(own["harvest_year"])
    _in_order("lots", {"harvest_year": year, "bought_on": own["bought_on"]}, found)
    for name, day in (("pieces", "measured_on"), ("tally", "date")):
        arrived = tables[name]["lot"].astype(object).map(bought)
        days = tables[name][day]
        months = {day: days.dt.is_month_start.to_numpy()} if name == "tally" else {}
        _in_order(name, {"the lot's bought_on": arrived, day: days}, found, months)


def _in_order(
    table: str,
    steps: dict[str, pd.Series],
    found: Findings,
    months: Mapping[str, np.ndarray] | None = None,
) -> None:
    """Warn where a day is before the one of an earlier step, or years after it.

    Of the rows in `months` only a day's month is known: it may be any day of that month.
    """
    steps = {name: days for name, days in steps.items() if days.notna().any()}
    if not steps:
        return
    names = list(steps)
    dated = {c.name for c in TABLES[table].columns.values() if c.kind == "date"}
    own = np.array([name in dated for name in names])
    rows = next(iter(steps.values())).index
    latest = np.full(len(rows), np.datetime64("NaT"), dtype="datetime64[us]")
    step_of = np.zeros(len(rows), dtype=int)
    for step, name in enumerate(names):
        days = steps[name].to_numpy(dtype="datetime64[us]")
        same = days.astype("datetime64[M]") == latest.astype("datetime64[M]")
        early = (days < latest) & ~(same & (months or {}).get(name, False))
        late = (days - latest > _LONG.to_timedelta64()) & own[step_of] & own[step]
        for at in np.flatnonzero(early | late):
            before = f"{names[step_of[at]]} ({pd.Timestamp(latest[at]):%Y-%m-%d})"
            found.add(
                table, int(rows[at]), name, pd.Timestamp(days[at]), "warning",
                f"is before {before}" if early[at] else f"is more than two years after {before}",
                "check both days" if early[at] else "check the year",
            )  # fmt: skip
        take = ~np.isnat(days) & ~early
        latest = np.where(take, days, latest)
        step_of = np.where(take, step, step_of)


def _undated(reeds: pd.DataFrame, found: Findings) -> pd.Series:
    """Say of each reed whether it has an outcome without a day."""
    undated = _known(reeds) & reeds["judged_on"].isna() & reeds["finished_on"].isna()
    for column in ("judged_on", "finished_on"):
        undated &= ~reeds.index.isin(list(found.rows("reeds", column)))
    return undated


def _known(reeds: pd.DataFrame) -> pd.Series:
    """Rows with an outcome, or with the counts of a batch."""
    return reeds["outcome"].notna() | reeds[list(COUNTED)].notna().any(axis=1)


def _mostly(undated: pd.Series, known: pd.Series) -> bool:
    """Say whether so many outcomes have no day that this is said once, of the column."""
    return bool(undated.sum() > max(10, known.sum() / 2))


def _outcomes(tables: Tables, found: Findings) -> None:
    """Outcomes without a day, days without an outcome, and signs of failure on good reeds."""
    reeds = tables["reeds"]
    known = _known(reeds)
    undated = _undated(reeds, found)
    fix = "fill in judged_on or finished_on: it says when the outcome was known"
    if _mostly(undated, known):
        found.add("reeds", None, "judged_on", "", "warning",
                  f"is empty for {undated.sum()} of {known.sum()} outcomes", fix)  # fmt: skip
    else:
        found.each("reeds", "judged_on", _nothing(reeds[undated]), "warning",
                   "is empty, but the reed has an outcome", fix)  # fmt: skip
    judged = reeds["judged_on"].notna() & ~known
    judged &= ~reeds.index.isin(list(found.rows("reeds", "outcome")))
    found.each("reeds", "outcome", _nothing(reeds[judged]), "warning",
               "is empty, but the reed was judged", "fill in the outcome")  # fmt: skip
    lost = reeds["lost_at"][reeds["lost_at"].notna() & reeds["outcome"].eq("good")]
    found.each("reeds", "lost_at", lost, "warning", "is where a reed failed, but this one is good",
               "fix the outcome, or empty this cell")  # fmt: skip
    sold = reeds["sold_for"].gt(0) & reeds["outcome"].isin(UNSALEABLE)
    found.each("reeds", "sold_for", reeds["sold_for"][sold], "warning",
               "is the price of a reed that failed", "fix the outcome or the price")  # fmt: skip


def _prices(tables: Tables, settings: Settings, found: Findings) -> None:
    """Prices in another currency, and quantities without a unit."""
    lots = tables["lots"]
    money = ["price", "freight", "price_per_piece", "price_per_kg"]
    priced = lots[money].notna().any(axis=1)
    same = lots["currency"].map(partial(same_currency, other=settings.currency), na_action="ignore")
    wrong = lots.index[priced & same.eq(False)]
    problem = f"is not {settings.currency}, the currency of bench.toml; the price is not used"
    fix = f"write the price in {settings.currency}"
    found.each("lots", "currency", lots.loc[wrong, "currency"], "error", problem, fix)
    written = lots["currency"].mask(same.eq(True), settings.currency)
    tables["lots"] = lots.assign(currency=written)
    _empty(tables, "lots", wrong, money)
    lots = tables["lots"]
    each = lots["price"] / bought(lots)
    differ = (lots["price_per_piece"] / each - 1).abs() > _ROUNDED
    found.each("lots", "price_per_piece", lots.loc[differ, "price_per_piece"], "warning",
               "is not price divided by quantity; price and quantity are used",
               "check the three of them")  # fmt: skip
    unsaid = lots["quantity"].notna() & lots["quantity_unit"].isna()
    unsaid &= ~lots["form"].isin(["split", "gouged", "shaped"])
    found.each("lots", "quantity", lots.loc[unsaid, "quantity"], "warning",
               "does not say what it counts",
               "fill in quantity_unit: piece, tube, g or kg")  # fmt: skip


def _tally(tables: Tables, found: Findings) -> None:
    """More pieces out than in, at one stage or from one stage to the next; more reeds than cane."""
    tally, lots = tables["tally"], tables["lots"]
    more = tally["pieces_out"][tally["pieces_out"] > tally["pieces_in"]]
    # Splitting makes several pieces of a tube, so there the count may grow.
    more = more[tally.loc[more.index, "stage"].astype(object).ne("split")]
    found.each("tally", "pieces_out", more, "error", "is more than went in",
               "check both counts; they may be swapped")  # fmt: skip
    _empty(tables, "tally", more.index, ["pieces_out"])
    sums = tables["tally"].groupby(["lot", "stage"], observed=True)[["pieces_in", "pieces_out"]]
    for lot, stages in sums.sum().groupby(level="lot", observed=True):
        stages = stages.droplevel("lot")
        for before, after in zip(stages.index, stages.index[1:]):
            came, went = stages.at[before, "pieces_out"], stages.at[after, "pieces_in"]
            if went > came > 0:
                found.add(
                    "tally", None, "pieces_in", f"{went:g}", "warning",
                    f"is {went:g} for {after} in lot {lot}, more than the {came:g} that came out "
                    f"of {before}",
                    "look for a day that is missing or noted twice",
                )  # fmt: skip
    pieces = lots["quantity"].where(lots["quantity_unit"].eq("piece"))
    reeds = one_row_a_reed(tables["reeds"])
    tied = lots_of(reeds, tables["pieces"])[reeds["retie_of"].isna()]
    counts = lots["lot"].astype(object).map(tied.value_counts())
    for row in lots.index[counts > pieces]:
        problem = f"is less than the {counts[row]:g} reeds tied from lot {lots.at[row, 'lot']}"
        fix = "check the quantity, and the lot of its reeds"
        found.add("lots", int(row), "quantity", pieces[row], "warning", problem, fix)


def _noted_twice(tables: Tables, found: Findings) -> None:
    """Losses that are in two tables: they are counted once."""
    tally, pieces, reeds = tables["tally"], tables["pieces"], tables["reeds"]
    gone = (tally["pieces_in"] - tally["pieces_out"]).groupby(
        [tally["lot"], tally["stage"].astype(object)]
    )
    counted = gone.sum().to_dict()
    noted = pieces[pieces["lost_at"].notna()]
    # A tally counts measured pieces too, unless there are more of them than it has.
    for (lot, stage), marked in noted.groupby(["lot", noted["lost_at"].astype(object)]):
        if 0 < counted.get((lot, stage), 0) < len(marked):
            found.add(
                "pieces", int(marked.index[-1]), "lost_at", stage, "warning",
                f"is set for {len(marked)} pieces of lot {lot}, but tally has "
                f"{counted[lot, stage]:g} lost there; only tally is counted",
                "fix the tally of that lot",
            )  # fmt: skip
    at_tying = reeds[reeds["lost_at"].eq("tie")]
    for lot, rows in at_tying.groupby(lots_of(at_tying, pieces)):
        if counted.get((lot, "tie"), 0) > 0:
            found.add(
                "reeds", int(rows.index[0]), "lost_at", "tie", "warning",
                f"is noted twice for lot {lot}: {len(rows)} here and {counted[lot, 'tie']:g} in "
                "tally; only those here are counted",
                "keep losses at tying in one of the two",
            )  # fmt: skip
    tied = reeds[reeds["piece"].isin(noted["piece"].dropna())]
    made = dict(zip(tied["piece"], tied["reed"]))
    early = noted[noted["piece"].isin(list(made))]
    for row, piece in early["piece"].items():
        found.add("pieces", int(str(row)), "lost_at", early.at[row, "lost_at"], "warning",
                  f"says that {piece} was lost, but reed {made[piece]} was tied from it",
                  "empty this cell, or fix the reed's piece")  # fmt: skip


def _half_timed(tables: Tables, found: Findings) -> None:
    """Minutes of one scrape alone are only part of a reed's time; both together are its sum."""
    reeds = tables["reeds"]
    both = reeds["rough_min"] + reeds["finish_min"]
    differ = (reeds["scrape_min"] - both).abs() > _ROUNDED * both
    found.each("reeds", "scrape_min", reeds.loc[differ, "scrape_min"], "warning",
               "is not rough_min and finish_min together; those two are used",
               "check the three of them")  # fmt: skip
    if tables["sittings"]["stage"].ne("tie").any() or reeds["scrape_min"].notna().any():
        return
    for noted, other in (("rough_min", "finish_min"), ("finish_min", "rough_min")):
        tried = reeds[other].notna().any() or found.rows("reeds", other)
        if reeds[noted].notna().any() and not tried:
            found.add(
                "reeds", None, other, "", "warning",
                f"is empty in every row, so the {reeds[noted].notna().sum()} times under {noted} "
                "are only part of a reed's time",
                "fill it in too, or write one time for both under scrape_min",
            )  # fmt: skip


def _sittings(tables: Tables, found: Findings) -> None:
    """Batches whose reeds are missing, not named, or have minutes of their own."""
    reeds = tables["reeds"]
    if tables["sittings"].empty or reeds.empty:
        return
    known = set(reeds["reed"].dropna())
    timed = {
        stage: reeds["reed"][reeds[f"{stage}_min"].notna()].dropna().to_dict()
        for stage in ("rough", "finish")
    }
    for batch in batches(reeds, tables["sittings"]):
        astray = [label for label in batch.named if label not in known]
        hints = respelled(astray, known) if astray else {}
        for label in astray:
            hint = f"write {hints[label]}, if you mean that" if label in hints else "fix the label"
            found.add("sittings", batch.row, "reeds", label, "warning", "is not in reeds", hint)
        if not batch.named and not batch.places:
            found.add(
                "sittings", batch.row, "reeds", f"{batch.size:g}", "warning",
                "counts reeds, but its day and maker do not show which; its minutes are not used",
                "name them: 12; 13 (or 12; for one reed)",
            )  # fmt: skip
        alone = timed.get(batch.stage, {})
        own = [alone[row] for row in batch.places if row in alone]
        if own:
            listed = ", ".join(own[:5]) + (" and others" if own[5:] else "")
            found.add("sittings", batch.row, "minutes", batch.minutes, "warning",
                      f"covers reeds {listed}, which have minutes of their own; those are used",
                      f"empty their {batch.stage}_min to use this batch instead")  # fmt: skip


def _waiting(tables: Tables, found: Findings) -> None:
    """Name reeds that wait long for their outcome, or say that too few have one to know."""
    reeds = one_row_a_reed(tables["reeds"])
    last = last_day(reeds)
    tied = exact(reeds, "tied_on")
    took = (exact(reeds, "judged_on").fillna(exact(reeds, "finished_on")) - tied).dt.days
    took = took[reeds["outcome"].notna() & (took >= 0)]
    if len(took) >= _OUTCOMES:
        usual = took.quantile(0.9)
        waiting = reeds.assign(wait=(last - tied).dt.days)
        waiting = waiting[reeds["outcome"].isna() & reeds["reed"].notna()]
        waiting = waiting[~waiting.index.isin(list(found.rows("reeds", "outcome")))]
        waiting = waiting[waiting["wait"] > usual].sort_values("wait", ascending=False)
        for place, reed in enumerate(waiting[["reed", "wait"]].itertuples(), 1):
            found.add(
                "reeds", int(str(reed.Index)), "outcome", f"{reed.reed}, {reed.wait:.0f} days",
                "warning", f"waits longer than nine in ten took ({usual:.0f} days)",
                "fill in the outcome, such as given_up if it was thrown away", place,
            )  # fmt: skip
    said = _mostly(_undated(tables["reeds"], found), _known(tables["reeds"]))
    if reeds["outcome"].notna().any() and not said and pd.isna(cutoff(reeds).wait_days):
        problem = "is filled in too rarely to show how long an outcome takes, so all outcomes count"
        fix = "fill in judged_on and outcome for more reeds, the oldest first"
        found.add("reeds", None, "judged_on", "", "warning", problem, fix)
