"""What a bench's records say about its suppliers, before any model.

Rejects are known sooner than successes, so the newest reeds with an outcome would make whoever sold
the newest lot look bad. So pending reeds are kept beside those with an outcome, for a model that
weighs how long they have waited; what has no such model reads the settled ones only.
`Evidence.notes` says what is left out and what is filled in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.answer import About, CannotAnswer, RecordNext
from reedlab.decide.costs import Rates
from reedlab.decide.returns import returns
from reedlab.decide.worth import mean_price
from reedlab.records import flow
from reedlab.records.tidy.frames import looked_up
from reedlab.records.tidy.minutes import shared_minutes
from reedlab.records.tidy.pending_cutoff import last_day

YEARS = "years_from_today"
"""Column of evidence: years from the last day of the records back to tying, 0 or less."""
SHELF = "shelf_years"
"""Column of evidence: years from buying a reed's lot to tying; only where known of every reed."""
FEWEST_TIMED = 8
"""Timed reeds below which minutes count as not recorded."""
MOST_REEDS = 5000
"""Reeds that `some_lots` keeps."""
_FORGOTTEN_DAYS = 365.0
"""Days of waiting after which a reed counts as forgotten, unless another has waited for longer."""
_SHORTEST_DAYS = 90
"""Days that records count as at least, so that a first busy week is not taken for a year's pace."""
_BEFORE = {"cane": "what their cane cost", "minutes_before": "the minutes before tying"}


@dataclass(frozen=True)
class Evidence:
    """The frames that a comparison reads."""

    # dated reeds with a known outcome: supplier, lot, maker, season, success, scrape_min,
    # log_scrape_min and all else that `Bench.reeds` holds, with ``years_from_today``
    reeds: pd.DataFrame
    # what is compared, suppliers or forms of cane: one row for each that has such reeds, in the
    # order of their names: supplier (or form), lots, reeds, and per tied piece `cane` (its cost,
    # landed, with its share of what was lost before tying) and `minutes_before` (work before
    # scraping, tying where it is timed). Where a bound asks for it, also `untied_good`: pieces
    # never tied, for each one that was, counted as good reeds.
    arms: pd.DataFrame
    rates: Rates  # wage and prices
    price: float = float("nan")  # mean price of the reeds sold; NaN where none is kept
    notes: tuple[str, ...] = ()  # sentences: what was left out and what had to be filled in
    # dated reeds of these arms that have waited for no longer than a reed can, in the same columns;
    # their success is missing
    pending: pd.DataFrame = field(default_factory=pd.DataFrame)
    # how many sold reeds came back, by arm, see `returns.returns`; empty where no sale is noted
    back: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def settled(self) -> pd.DataFrame:
        """The reeds tied so long ago that nearly all of their outcomes are known."""
        return self.reeds[self.reeds["settled"]].reset_index(drop=True)

    def lacks(self, timed: bool) -> tuple[str, RecordNext | None]:
        """Say which part of a reed's cost is not known, and what to write; "" where none is."""
        if not timed and self.rates.wage_per_hour:
            minutes = RecordNext("Write the minutes of each sitting.", about=About.MINUTES)
            return "too few minutes are recorded", minutes
        if self.arms["cane"].isna().all():
            prices = RecordNext("Write price and quantity of each lot.", about=About.PRICES)
            return "no lot has a price", prices
        return "", None


def gather(bench: Any, arm: str = "supplier") -> Evidence:
    """Collect from a bench what a comparison of suppliers, or of forms, needs.

    Raises CannotAnswer when no dated reed has both an outcome and what is compared, or all are of
    one lot.
    """
    every = _with_shelf(with_years(bench), bench.tables["lots"]).dropna(subset=["supplier", arm])
    every = every[every["for_sale"].ne(False).fillna(True)]
    dated = every[every["tied_on"].notna()]
    reeds = dated[dated["success"].notna()].reset_index(drop=True)
    if reeds.empty:
        raise CannotAnswer(
            f"No reed has a {arm}, a day of tying and an outcome.",
            RecordNext("Record the outcome of each reed and the lot that it came from."),
        )
    if reeds["lot"].nunique() < 2:
        raise CannotAnswer(
            f"All {len(reeds)} reeds with an outcome are of one lot, which says nothing of "
            "another.",
            RecordNext(
                "Record outcome and minutes of five to ten reeds of at least two lots of each "
                f"{arm}."
            ),
        )
    pending = dated[(dated["status"] == "pending") & dated[arm].isin(reeds[arm].unique())]
    longest = _longest_wait(reeds)
    forgotten = -365.25 * pending[YEARS] > longest
    old = int(forgotten.sum())
    waits = (
        f"Pending for more than {longest:.0f} days, which is longer than a reed waits: {old}. They "
        "count neither as success nor as failure. Write how they ended."
    )
    reeds = as_factors(reeds, arm, "supplier", "lot", "maker")
    before, filled = before_tying(bench.losses, bench.tables["lots"], bench.settings.currency, arm)
    tying, timed = tying_minutes(bench)
    if timed:
        before["minutes_before"] = before["minutes_before"].add(tying, fill_value=0.0)
        takes = f"Tying counts with {tying:.0f} minutes a reed, the mean of {count(timed, 'reed')}."
    else:
        takes = "No minutes of tying are noted, so tying costs nothing here."
    counts = reeds.groupby(arm, observed=True).agg(lots=("lot", "nunique"), reeds=("reed", "size"))
    arms = counts.join(before).reset_index()
    arms[arm] = arms[arm].astype(str)
    return Evidence(
        reeds,
        arms,
        Rates.of(bench.settings),
        mean_price(every),
        (*([waits] if old else []), *_left_out(bench, counts.index, arm), *filled, takes),
        as_factors(pending[~forgotten].reset_index(drop=True), arm, "supplier", "lot", "maker"),
        returns(bench, arm),
    )


def _longest_wait(reeds: pd.DataFrame) -> float:
    """Days after which a reed without an outcome counts as lost or forgotten."""
    waited = (reeds["judged_on"] - reeds["tied_on"]).dt.days.max()
    return float(np.nanmax([waited, _FORGOTTEN_DAYS]))


def with_years(bench: Any) -> pd.DataFrame:
    """Return a bench's reeds with `YEARS`, counted from the last day of all its reeds' dates."""
    days = (bench.reeds["tied_on"] - last_day(bench.tables["reeds"])).dt.days
    return bench.reeds.assign(**{YEARS: days / 365.25})


def _with_shelf(reeds: pd.DataFrame, lots: pd.DataFrame) -> pd.DataFrame:
    """Return the reeds with `SHELF`, if every dated one's is known."""
    bought = lots.drop_duplicates("lot").set_index("lot")["bought_on"]
    shelf = (reeds["tied_on"] - looked_up(reeds["lot"], bought)).dt.days / 365.25
    known = shelf[reeds["tied_on"].notna() & reeds["lot"].notna()]
    if known.isna().any() or (known < 0).any():
        return reeds
    return reeds.assign(**{SHELF: shelf})


def pieces_a_year(reeds: pd.DataFrame) -> float:
    """Return how many pieces this bench ties in a year, from the dates of its settled reeds."""
    days = (reeds["tied_on"].max() - reeds["tied_on"].min()).days
    return float(len(reeds) * 365.25 / max(days, _SHORTEST_DAYS))


def as_factors(reeds: pd.DataFrame, *names: str) -> pd.DataFrame:
    """Return the reeds with these columns as categories of the levels that are there, by name."""
    return reeds.assign(**{name: pd.Categorical(reeds[name].astype(str)) for name in names})


def some_lots(reeds: pd.DataFrame, seed: int = 1, most: int | None = None) -> pd.DataFrame:
    """Draw whole lots at random where there are more than `most` reeds.

    For what takes tens or hundreds of fits: it shows in a part of the lots too, less exactly.

    Parameters
    ----------
    reeds : pandas.DataFrame
        One row a reed, with ``lot``.
    seed : int
        Of the drawing.
    most : int, optional
        `MOST_REEDS` unless given.

    Returns
    -------
    pandas.DataFrame
        The same columns, at most so many rows, but two lots at least.
    """
    most = most or MOST_REEDS
    if len(reeds) <= most:
        return reeds
    sizes = reeds["lot"].value_counts(sort=False).sample(frac=1.0, random_state=seed)
    kept = sizes.index[: max(2, (sizes.cumsum() <= most).sum())]
    return reeds[reeds["lot"].isin(kept)].reset_index(drop=True)


def _left_out(bench: Any, kept: pd.Index, arm: str) -> tuple[str, ...]:
    """Say which reeds do not count, and which suppliers or forms have none that does."""
    every = bench.reeds[arm].dropna().astype(str)
    missing = sorted(set(every) - set(kept.astype(str)))
    needed = [] if arm == "supplier" else [arm]
    counted = flow.sentence(bench.flow(*needed, settled=False))
    if not missing:
        return (counted,)
    return counted, f"No reed with an outcome yet from {listed(missing)}: not ranked."


def before_tying(
    losses: pd.DataFrame, lots: pd.DataFrame, currency: str, arm: str = "supplier"
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Work out what a tied piece has cost in cane and in minutes before it was tied.

    A lot's landed cost per piece is divided by its yield before tying, so that the pieces lost on
    the way are paid for by those that are tied. A supplier's figure (or a form's) is the mean of
    its lots'; where none is known, that of lots in the same form is used, then that of all lots. A
    price in another currency is not used.

    Indexed by `arm` are ``cane`` (money) and ``minutes_before``, per tied piece; NaN where no lot
    of the bench has them. Sentences on what was filled in come along.
    """
    frame = losses.merge(lots[["lot", "form", "currency"]], on="lot", how="left")
    frame = frame.dropna(subset=arm).astype({arm: str})
    by = frame[arm]
    foreign = frame["currency"].notna() & (frame["currency"] != currency)
    cost = frame["cost_per_piece"].fillna(frame["cost_landed"] / frame["pieces_in"])
    kept = frame["yield_before_tying"]
    form = frame["form"].astype(object).fillna("")
    kept = kept.fillna(kept.groupby(by).transform("mean"))
    kept = kept.fillna(kept.groupby(form).transform("mean")).fillna(kept.mean()).fillna(1.0)
    frame["cane"] = (cost / kept.where(kept > 0)).where(~foreign)
    frame["minutes_before"] = frame["minutes_per_tied"]
    notes = []
    if foreign.any():
        notes.append(
            f"The price of {listed(frame.loc[foreign, 'lot'])} is in another currency than "
            f"{currency} and is not used."
        )
    out = {}
    for name, meaning in _BEFORE.items():
        own = frame.groupby(by)[name].mean()
        alike = frame[name].groupby(form).transform("mean").fillna(frame[name].mean())
        out[name] = own.fillna(alike.groupby(by).mean())
        if own.isna().any():
            says = "taken from lots of the same form" if out[name].notna().any() else "not known"
            notes.append(f"For {listed(own.index[own.isna()])}, {meaning} is {says}.")
    return pd.DataFrame(out), tuple(notes)


def tying_minutes(bench: Any) -> tuple[float, int]:
    """Return the mean minutes of tying a reed, 0 where none were noted, and how many reeds' were.

    They stand in the sittings, or in the tally of a lot's pieces.
    """
    sat = shared_minutes(bench.reeds, bench.tables["sittings"]).get("tie", pd.Series(dtype=float))
    tally = bench.tables["tally"]
    tied = tally[tally["stage"].astype(object).eq("tie")].dropna(subset=["minutes", "pieces_out"])
    timed = len(sat) + int(tied["pieces_out"].sum())
    return (float(sat.sum() + tied["minutes"].sum()) / timed if timed else 0.0), timed


def successes(reeds: pd.DataFrame, asked: str) -> pd.DataFrame:
    """Return the reeds that turned out well; where none did, raise CannotAnswer.

    `asked` is what is then not known, such as ``"how long a good reed takes"``.

    Examples
    --------
    >>> reeds = pd.DataFrame({"reed": ["1", "2"], "success": [1.0, 0.0]})
    >>> successes(reeds, "how long a good reed takes")["reed"].tolist()
    ['1']
    """
    good = reeds[reeds["success"] == 1]
    if good.empty:
        raise CannotAnswer(
            f"None of {count(len(reeds), 'settled reed')} has turned out well, so {asked} is not "
            "known.",
            RecordNext("Go on recording, and ask again when some have."),
        )
    return good


def listed(names: Any) -> str:
    """Join names as a sentence does.

    Examples
    --------
    >>> listed(["ochre", "indigo", "teal"])
    'ochre, indigo and teal'
    """
    names = [str(n) for n in names]
    return " and ".join([", ".join(names[:-1]), *names[-1:]] if len(names) > 1 else names)


def count(number: int, noun: str) -> str:
    """Write a count with its noun in the right number.

    Examples
    --------
    >>> count(1, "reed"), count(1200, "reed"), count(0, "error")
    ('1 reed', '1,200 reeds', 'no errors')
    """
    amount = f"{number:,}" if number else "no"
    return f"{amount} {noun}" if number == 1 else f"{amount} {noun}s"
