"""What a saleable reed costs, what to ask for it, and what an hour at the bench earns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.decide.answer import (
    SURE_FROM,
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.costs import Rates, Tied, cost_per_saleable, materials
from reedlab.decide.draws import amount, interval, places
from reedlab.decide.evidence import Evidence, count, gather, listed, successes
from reedlab.decide.returns import BACK, stayed_good
from reedlab.decide.shared_models.models import Models, fit_models

Floats = NDArray[np.float64]
_MOST_SOLD_UNKNOWN = 0.5


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Price(Answer):
    """What to ask for a reed; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a supplier, the cheapest first: ``supplier``; ``cost`` of a saleable reed of its
        next lot with ``cost_low`` and ``cost_high``; ``ask`` (the mean price at which an hour earns
        the wage) with ``ask_low`` and ``ask_high``; ``fetched`` (mean price of its reeds that were
        sold), ``priced`` (how many); ``hour`` (what an hour earns at that price) with ``hour_low``
        and ``hour_high``; ``loses`` (probability that an hour earns less than the wage).
    grades
        One row a grade: ``grade``, ``share`` (of the good reeds), ``now`` (mean price), ``ask``
        (with the present ratios between grades, for the cheapest supplier).
    pieces
        One row a supplier: ``supplier``, ``pays`` (for a piece, landed), ``at_most`` (what a piece
        could cost before another supplier is the better buy); missing where it is not known.
    back
        One row a supplier, see `returns.returns`.
    currency
        Of all money here.
    wage
        An hour's, in `currency`.
    """

    table: pd.DataFrame = empty(
        "supplier", "cost", "cost_low", "cost_high", "ask", "ask_low", "ask_high", "fetched",
        "priced", "hour", "hour_low", "hour_high", "loses",
    )  # fmt: skip
    grades: pd.DataFrame = empty("grade", "share", "now", "ask")
    pieces: pd.DataFrame = empty("supplier", "pays", "at_most")
    back: pd.DataFrame = empty(*BACK)
    currency: str = ""
    wage: float = float("nan")

    def _sentence(self) -> str:
        first, money = self.table.iloc[0], self.currency
        written = {name: amount(first[name], places) for name, places in self.digits.items()}
        said = [
            f"To earn {self.wage:g} {money} an hour, ask {written['ask']} {money} for a reed of "
            f"{first.supplier} ({written['ask_low']} to {written['ask_high']})."
        ]
        if pd.notna(first.fetched):
            said.append(
                f"They fetch {written['fetched']} now, so an hour earns about {written['hour']} "
                f"({written['hour_low']} to {written['hour_high']})."
            )
        losing = self.table[self.table["loses"] >= SURE_FROM]["supplier"]
        if len(losing):
            said.append(f"Cane of {listed(losing)} earns you less than the wage.")
        return " ".join(said)


@question(Price)
def price(bench: Any, *, level: float = 0.9, seed: int = 1) -> Price:
    """Work out what a saleable reed costs by supplier, and the price at which an hour earns.

    The price that earns the wage solves, draw by draw of the posterior of the next lot,

        ask (1/(1 + vat) - fee) (1 - unsold) (1 - back) + playable
            = cost (1 - back) + (1 - unsold) selling

    with ``cost`` that of a reed that stays good, ``back`` the chance that a good reed is replaced
    or refunded, ``playable`` what playable reeds bring a good one, and ``selling`` what selling a
    reed takes; all but the first two come from ``[costs]`` in ``bench.toml``, and are 0 unless they
    are set.

    Parameters
    ----------
    bench : Bench
        The records.
    level : float
        Of the intervals, 0 to 1.
    seed : int
        Of all draws.

    Returns
    -------
    Price
        One claim a supplier: that an hour earns the wage at the price its reeds fetch. The records
        cannot answer while minutes or the price of cane are missing: what is left of the cost would
        not be the cost.

    Examples
    --------
    >>> import reedlab as rl
    >>> answer = rl.price(rl.demo_bench())
    >>> bool((answer.table["ask"] >= answer.table["cost"]).all())
    True
    """
    evidence = gather(bench)
    successes(evidence.reeds, "what a saleable one costs")
    return priced(bench, evidence, fit_models(evidence, seed), level=level)


@question(Price)
def priced(bench: Any, evidence: Evidence, models: Models, *, level: float = 0.9) -> Price:
    """Answer `price` from models that are fitted already, those of the comparison of suppliers."""
    seed = models.seed
    lacks, write = evidence.lacks(models.when_good is not None)
    if lacks:
        raise CannotAnswer(f"What a reed costs cannot be said yet: {lacks}.", write)
    lot, rates = models.next_lot(evidence), evidence.rates
    names = evidence.arms["supplier"].tolist()
    counted, kept = evidence.back, stayed_good(lot, evidence.back, names, seed)
    back = 1 - kept.one.success / lot.one.success  # of the good ones, draw by draw
    cost = cost_per_saleable(kept.one, rates)  # the number of the comparison of suppliers
    income = _Income.of(bench.settings, back, _playable(evidence, names))
    ask = income.ask(cost, rates)
    sold_for = evidence.reeds.groupby("supplier", observed=True)["sold_for"]
    fetched = sold_for.agg(["mean", "count"]).reindex(names)
    hour = income.hour(kept.one, rates, fetched["mean"].to_numpy(float))
    table = pd.DataFrame(
        {
            "supplier": names,
            **_ranged("cost", cost, level),
            **_ranged("ask", ask, level),
            "fetched": fetched["mean"].to_numpy(float),
            "priced": fetched["count"].to_numpy(),
            **_ranged("hour", hour, level),
            "loses": np.where(
                fetched["mean"].notna(), (hour < rates.wage_per_hour).mean(axis=0), np.nan
            ),
        }
    ).sort_values("cost", ignore_index=True)
    first = [names.index(name) for name in table["supplier"].head(2)]
    digits = {
        f"{name}{end}": places(draws[:, first], level)
        for name, draws in (("cost", cost), ("ask", ask), ("hour", hour))
        for end in ("", "_low", "_high")
    }
    expected = cost_per_saleable(kept.expected, rates)
    return Price(
        table=table,
        level=level,
        claims=_claims(table),
        notes=tuple(_notes(bench, evidence, counted)),
        record_next=_to_record(evidence),
        grades=_grades(evidence.reeds, float(table["ask"].iloc[0])),
        pieces=_pieces(bench, evidence, kept.expected, expected),
        digits={**digits, "fetched": digits["ask"]},
        back=counted if len(counted) else pd.DataFrame(columns=list(BACK)),
        currency=bench.settings.currency,
        wage=rates.wage_per_hour,
    )


@dataclass(frozen=True)
class _Income:
    """What a good reed brings and what selling it takes; arrays (draws, suppliers)."""

    net_share: float  # of the price on the label, tax and fee off
    sold: float
    back: Floats
    playable: Floats
    other: float
    selling_min: float

    @classmethod
    def of(cls, settings: Any, back: Floats, playable_each: Floats) -> _Income:
        return cls(
            net_share=1 / (1 + settings.vat_pct / 100) - settings.fee_pct / 100,
            sold=1 - settings.unsold_pct / 100,
            back=back,
            playable=playable_each * (settings.playable_price or 0.0),
            other=settings.other_per_reed,
            selling_min=settings.selling_min,
        )

    def ask(self, cost: Floats, rates: Rates) -> Floats:
        """Give the price at which all hours earn the wage, `cost` being of a reed that stays."""
        selling = self.sold * (self.other + self.selling_min / 60 * rates.wage_per_hour)
        each = cost + (selling - self.playable) / (1 - self.back)
        return each / (self.net_share * self.sold)

    def hour(self, tied: Tied, rates: Rates, price: Floats) -> Floats:
        """Give what an hour earns at a price (suppliers,), wage not yet paid.

        All is counted for a reed that stays good; `tied` counts those sent back as failures.
        """
        good = 1 / (1 - self.back)  # for each one that stays
        income = price * self.net_share * self.sold + good * self.playable
        spent = materials(tied, rates) / tied.success + good * self.sold * self.other
        hours = (tied.minutes_per_saleable + good * self.sold * self.selling_min) / 60
        return (income - spent) / hours


def _playable(evidence: Evidence, names: list[str]) -> Floats:
    """Playable reeds for each good one, all suppliers alike."""
    good = int((evidence.reeds["success"] == 1).sum())
    failed = evidence.reeds[evidence.reeds["success"] == 0]
    return np.full(len(names), (failed["outcome"] == "playable").sum() / good)


def _ranged(name: str, draws: Floats, level: float) -> dict[str, Floats]:
    low, high = interval(draws, level)
    return {name: np.median(draws, axis=0), f"{name}_low": low, f"{name}_high": high}


def _claims(table: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for row in table.dropna(subset=["loses"]).itertuples():
        earns = row.loses < 0.5
        chance = 1 - row.loses if earns else row.loses
        says = f"Reeds of {row.supplier} {'earn' if earns else 'do not earn'} the wage."
        rows.append((says, chance, graded(chance), row.fetched - row.ask, True))
    return claims_frame(rows)


def _grades(reeds: pd.DataFrame, ask: float) -> pd.DataFrame:
    """Give the price list by grade that has this mean, with the present ratios between grades."""
    good = reeds[reeds["success"] == 1]
    named = good["grade"].astype(object)
    now = good.groupby(named)["sold_for"].mean().dropna()
    share = named[named.isin(now.index)].value_counts(normalize=True).reindex(now.index)
    factor = ask / float((now * share).sum()) if len(now) else np.nan
    frame = pd.DataFrame({"grade": now.index, "share": share, "now": now, "ask": factor * now})
    return frame.sort_values("now", ascending=False, ignore_index=True)


def _pieces(bench: Any, evidence: Evidence, tied: Tied, expected: Floats) -> pd.DataFrame:
    """Give what a piece may cost before the best of the others is the better buy.

    A saleable reed takes 1 / p tied pieces and 1 / (p y) pieces bought, y being the yield before
    tying: a piece may be dearer by p y times what a saleable reed of it is cheaper.
    """
    means = np.median(expected, axis=0)
    p = tied.success.mean(axis=0)
    kept = bench.losses.astype({"supplier": str}).groupby("supplier")["yield_before_tying"].mean()
    kept = kept.reindex(evidence.arms["supplier"]).fillna(bench.losses["yield_before_tying"].mean())
    kept = kept.fillna(1.0).to_numpy(float)
    pays = evidence.arms["cane"].to_numpy(float) * kept
    others = [np.delete(means, i).min() if len(means) > 1 else np.nan for i in range(len(means))]
    room = (np.array(others) - means) * p * kept
    frame = pd.DataFrame(
        {"supplier": evidence.arms["supplier"], "pays": pays, "at_most": pays + room}
    )
    return frame.assign(at_most=frame["at_most"].clip(lower=0))


def _notes(bench: Any, evidence: Evidence, counted: pd.DataFrame) -> list[str]:
    settings, reeds = bench.settings, evidence.reeds
    good = reeds[reeds["success"] == 1]
    notes = [
        f"An hour counts {settings.wage_per_hour:g} {settings.currency}, a staple "
        f"{settings.staple_price:g}; change them under [costs] in bench.toml."
    ]
    unpriced = 1 - float(good["sold_for"].notna().mean())
    if unpriced > _MOST_SOLD_UNKNOWN:
        notes.append(
            f"Only {count(int(good['sold_for'].notna().sum()), 'price')} of "
            f"{count(len(good), 'good reed')} are noted, so what reeds fetch is a guess."
        )
    elif unpriced > 0:
        mean = float(good["sold_for"].mean())
        notes.append(
            f"Of the good reeds {100 * unpriced:.0f} in 100 have no price. Counted as never sold, "
            f"a good reed brings {mean * (1 - unpriced):.0f} {settings.currency}; as sold like the "
            f"others, {mean:.0f}."
        )
    returned = int(counted["returned"].sum()) if len(counted) else 0
    if returned:
        worst = counted.sort_values("returned", ascending=False).iloc[0]
        notes.append(
            f"{returned} of {count(int(counted['sold'].sum()), 'sold reed')} came back and count "
            f"as failures, {worst.returned} of {worst.sold} of {worst.supplier}."
        )
    if adjusted := int(counted["adjusted"].sum()) if len(counted) else 0:
        notes.append(
            f"Adjusted after they came back, and still good: {adjusted}. Each counts "
            f"{counted['adjusting'].iloc[0]:.0f} minutes more, as long as finishing takes."
        )
    if settings.playable_price is None and (reeds["outcome"] == "playable").any():
        notes.append(
            "Playable reeds count as nothing; if you sell them, write playable_price under [costs]."
        )
    return notes


def _to_record(evidence: Evidence) -> RecordNext | None:
    if evidence.reeds["sold_for"].notna().any():
        return None
    return RecordNext("Write what each reed sold for under sold_for.", about=About.PRICES)
