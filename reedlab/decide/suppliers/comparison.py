"""Which supplier to buy from next.

A supplier is judged by what its next lot will do at this maker's bench: the chance that a reed of
it turns out well, the minutes and the money that a saleable reed costs, and how sure that is. A
ranking is about this bench and these lots, not about a supplier's worth, and few lots say little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.decide import matters
from reedlab.decide.answer import (
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    Verdict,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.costs import Rates, cost_per_saleable, net_benefit
from reedlab.decide.draws import amount, interval, places, share_lowest, stacked
from reedlab.decide.evidence import YEARS, Evidence, gather, listed, pieces_a_year, successes
from reedlab.decide.next_lot import NextLot
from reedlab.decide.returns import BACK, stayed_good
from reedlab.decide.shared_models.change import CHANGES
from reedlab.decide.shared_models.models import Models, fit_models
from reedlab.decide.suppliers import sorting, turned
from reedlab.decide.suppliers.information import (
    Pace,
    binomial_likelihood,
    expected_regret,
    sampled_likelihood,
    value_of_sample,
)
from reedlab.decide.suppliers.plain_sum import PLAIN, plain_sum
from reedlab.decide.worth import Worth, worth
from reedlab.mixed.ask.design_table import CANNOT_TELL, contrast_variance

if TYPE_CHECKING:
    from reedlab.decide.suppliers.earnings import Earnings, Forms
    from reedlab.decide.suppliers.equal_cane import EqualCane
    from reedlab.decide.suppliers.robustness import Robustness
    from reedlab.decide.suppliers.selection import Selection

CORRELATIONS = (-0.5, 0.0, 0.5)
TRIAL_REEDS = 10
"""Reeds with which a new lot is commonly tried (common practice: five to ten, no source)."""
_TRIALS = (10, 40)
"""Reeds of one more lot for which its worth is worked out."""
SIDE_BY_SIDE, _NEAR_DAYS = 0.25, 45.0
"""Share of either supplier's reeds that must be tied near one of the other's, and how near, for the
two to be told apart from what changed at the bench in the meantime."""
_WORTH_A_TRIAL = 1.0
"""Net worth a year of one more lot, in money, below which no lot is recommended for it."""


@dataclass(frozen=True)
class Basis:
    """What a comparison is based on, for the questions that follow it up."""

    # evidence, models, lot: the frames, the draws of the models and each supplier's next lot
    evidence: Evidence
    models: Models
    lot: NextLot
    bench: Any = None  # the records, where they came from a bench


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Suppliers(Answer):
    """The suppliers compared; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a supplier, the likeliest to be cheapest first: supplier, lots, reeds; success (the
        chance that a reed of its next lot succeeds) with success_low and success_high; stayed_good
        (the same less those that come back, see `returns.returns`) with stayed_low and stayed_high;
        minutes (bench minutes per reed that stays good; missing where too few are recorded); cost
        (per reed that stays good, posterior median) with cost_low and cost_high; prob_best
        (probability of the lowest expected cost).
    claims
        One row a supplier, in the same order: that it is the cheapest over its lots, with
        prob_best, and by how much a saleable reed of it is cheaper than one of the likeliest other
        supplier, in `currency`.
    stakes
        One row a supplier: prob_next_best (that its next lot, not its lots on average, is the
        cheapest), benefit (expected net benefit per tied piece), regret (expected loss per tied
        piece against the best, were it known).
    worth
        What one more lot of each supplier would be worth knowing, see `worth_of_lots`.
    balance
        supplier, against, ratio: variance of the contrast with the likeliest supplier relative to
        the same reeds spread alike over makers, seasons and years; above 4 the two cannot be
        distinguished. side_by_side: share of reeds, of either supplier at least, that were tied
        within 45 days of one of the other's; under a quarter they cannot be distinguished either.
    changes
        What changes a year at the bench: measure, per_year, low, high; see
        `reedlab.decide.shared_models.change.changes`.
    back
        Reeds that came back, by supplier, see `returns.returns`; empty where no sale is noted.
    turned
        Where plain counts order the two likeliest suppliers the other way round: that, and why, in
        a sentence; else empty.
    newer
        Where all suppliers' next lots differ from the reeds so far by what matters, since the newer
        reeds did better or less well: that, in a sentence; else empty.
    plain
        What was spent over the good reeds that came of it, without a model: supplier, reeds, good,
        per_good; see `plain_sum`.
    value
        What a saleable reed is counted as being worth.
    currency
        Of cost, benefit, regret and value.
    lacks
        What part of a reed's cost is not known; then nothing is said of costs, and the supplier
        with the most reeds that should stay good comes first. Else empty.
    basis
        What the answer is based on; none where the records cannot answer.
    """

    table: pd.DataFrame = empty(
        "supplier",
        "lots",
        "reeds",
        "success",
        "success_low",
        "success_high",
        "stayed_good",
        "stayed_low",
        "stayed_high",
        "minutes",
        "cost",
        "cost_low",
        "cost_high",
        "prob_best",
    )
    stakes: pd.DataFrame = empty("supplier", "prob_next_best", "benefit", "regret")
    worth: pd.DataFrame = empty("supplier", "reeds", "per_piece", "per_year", "trial_cost", "net")
    balance: pd.DataFrame = empty("supplier", "against", "ratio", "side_by_side")
    changes: pd.DataFrame = empty(*CHANGES)
    plain: pd.DataFrame = empty(*PLAIN)
    back: pd.DataFrame = empty(*BACK)
    turned: str = ""
    newer: str = ""
    value: float = math.nan
    currency: str = ""
    lacks: str = ""
    basis: Basis | None = None

    @property
    def best(self) -> str:
        """The supplier likeliest to have the lowest expected cost; ``""`` where none is known."""
        return "" if self.table.empty else str(self.table["supplier"].iloc[0])

    @property
    def free(self) -> bool:
        """Whether the prices and costs on record are all 0, so that no supplier is the cheapest."""
        return bool((self.table["cost_high"] == 0).all())

    @property
    def costed(self) -> bool:
        """Whether what a reed costs is known, and is not nothing from any supplier."""
        return not (self.lacks or self.free)

    @property
    def counted(self) -> str:
        """What the ranking counts: good reeds, or those that stay good where some came back."""
        back = len(self.back) and self.back["returned"].sum()
        return "reeds that stay good" if back else "good reeds"

    def grounds(self, of_costs: bool = True) -> Basis:
        """Return what the answer is based on, for a question that follows it up.

        Parameters
        ----------
        of_costs : bool
            Whether the question asks for costs.

        Raises
        ------
        CannotAnswer
            Where the suppliers cannot be compared, for the same reason; and where costs are asked
            for and a part of them is not known.
        """
        if self.basis is None:
            raise CannotAnswer(self.unanswered, self.record_next)
        if of_costs and self.lacks:
            raise CannotAnswer(
                f"What a reed costs cannot be said yet: {self.lacks}.", self.record_next
            )
        return self.basis

    @cached_property
    def though(self) -> str:
        """What would change the choice, in half a sentence; "" where nothing left out would.

        Worked out when it is first asked for, from `selection`.
        """
        from reedlab.decide.suppliers.selection import half_sentence

        return half_sentence(self.selection())

    @cached_property
    def sensitivity(self) -> pd.DataFrame:
        """The answer if a lot's effects on success and on minutes went together otherwise.

        One row a correlation and supplier: correlation, supplier, cost, prob_best. Worked out when
        it is first asked for; empty where the records cannot answer.
        """
        if self.basis is None or self.lacks:
            return pd.DataFrame(columns=["correlation", "supplier", "cost", "prob_best"])
        evidence, models, tables = self.basis.evidence, self.basis.models, {}
        for rho in CORRELATIONS:
            lot = models.next_lot(evidence, rho)
            stays = _stays(lot, evidence, models)
            table = _table(evidence.arms, lot, stays, evidence.rates, self.level)
            by_name = table.set_index("supplier").loc[self.table["supplier"]].reset_index()
            tables[rho] = by_name[["supplier", "cost", "prob_best"]]
        return stacked(tables, "correlation")

    def robustness(self) -> Robustness:
        """Work the comparison out again under other models; see `robustness.check`."""
        from reedlab.decide.suppliers.robustness import check

        return check(self)

    def selection(self) -> Selection:
        """Say what the comparison leaves out, with its bounds; see `selection.examine`."""
        from reedlab.decide.suppliers.selection import examine

        return examine(self)

    def earnings(self) -> Earnings:
        """Work out what an hour at the bench earns by supplier; see `earnings.by_grade`."""
        from reedlab.decide.suppliers.earnings import by_grade

        return by_grade(self)

    def forms(self) -> Forms:
        """Compare the forms that cane is bought in; see `earnings.by_form`."""
        from reedlab.decide.suppliers.earnings import by_form

        return by_form(self)

    def equal_cane(self, column: str = "density_g_cm3") -> EqualCane:
        """Compare suppliers with a property of the cane held equal; see `equal_cane.hold_equal`.

        Parameters
        ----------
        column : str
            A numeric column of ``bench.reeds``.
        """
        from reedlab.decide.suppliers.equal_cane import hold_equal

        return hold_equal(self, column)

    def _sentence(self) -> str:
        first = self.table.iloc[0]
        if len(self.table) == 1:
            return f"These records cannot compare suppliers: every settled reed is {self.best}'s."
        if not self.costed:
            why = self.lacks or "a saleable reed costs nothing from any of them, so all are tied"
            good = self.table.sort_values("stayed_good", ascending=False, kind="stable")
            best, then = good.iloc[0], good.iloc[1]
            return (
                f"Most {self.counted} should come from a next lot of {best.supplier}: "
                f"{best.stayed_good:.0%} ({self.level:.0%} interval {best.stayed_low:.0%} to "
                f"{best.stayed_high:.0%}); then of {then.supplier}, {then.stayed_good:.0%}. Cannot "
                f"say yet which supplier is the cheapest: {why}."
            )
        cost, low, high = (
            amount(first[name], self.digits[name]) for name in ("cost", "cost_low", "cost_high")
        )
        spelt = f"{cost} {self.currency} ({self.level:.0%} interval {low} to {high})"
        second = self.table.iloc[1]
        then = amount(second.cost, self.digits["cost"])
        if self.verdict is Verdict.SURE:
            return (
                f"Buy {first.supplier} next. A saleable reed of its next lot should cost {spelt}; "
                f"{second.supplier} comes next, at {then}. Over its lots "
                f"{first.supplier} is surely the cheapest: {_of_100(first.prob_best)}."
            )
        if self.verdict is Verdict.LIKELY:
            return (
                f"The cheapest is likely {first.supplier}. A saleable reed of its next lot "
                f"should cost {spelt}; {second.supplier} comes next, at {then}. The "
                f"chance that {first.supplier} is the cheapest over its lots is "
                f"{_of_100(first.prob_best)}, of {second.supplier} {_of_100(second.prob_best)}."
            )
        return (
            f"Cannot say yet which supplier is the cheapest. The best guess is {first.supplier}, "
            f"at {spelt} a saleable reed of its next lot: the chance that it is the cheapest over "
            f"its lots is {_of_100(first.prob_best)}, of {second.supplier} "
            f"{_of_100(second.prob_best)}."
        )


@question(Suppliers)
def suppliers(bench: Any, *, level: float = 0.9, seed: int = 1) -> Suppliers:
    """Compare the suppliers of a bench by what a saleable reed of their next lot will cost.

    Two models of settled reeds, success and log minutes, with suppliers and lots within suppliers
    as random effects and makers (below five) and seasons as fixed ones; every draw of their
    posteriors is joined by a new lot of each supplier.

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
    Suppliers
        Follow it up with its methods ``robustness``, ``selection``, ``earnings``, ``forms`` and
        ``equal_cane``. The records cannot answer when no settled reed has both a supplier and an
        outcome, all are of one lot, or none turned out well.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> answer = rl.suppliers(bench)
    >>> answer.verdict
    <Verdict.LIKELY: 'likely'>
    >>> answer.claims["probability"].sum().round(6).item()
    1.0
    """
    evidence = gather(bench)
    successes(evidence.reeds, "what a saleable one costs")  # or the records cannot answer
    said = compared(evidence, fit_models(evidence, seed), bench.settings.currency, level, bench)
    sorted_ = sorting.said(bench, evidence, said.table["supplier"].tolist())
    said = replace(said, notes=(*said.notes, *sorted_))
    if not said.lacks:
        said = replace(said, worth=worth_of_lots(said))
    return replace(said, record_next=_record_next(said))


def rank_suppliers(bench: Any, *, level: float = 0.9, seed: int = 1) -> pd.DataFrame:
    """Rank the suppliers of a bench: the table of `suppliers`.

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
    pandas.DataFrame
        One row a supplier, the likeliest to be cheapest first: supplier, lots, reeds, success,
        success_low, success_high, stayed_good, stayed_low, stayed_high, minutes, cost, cost_low,
        cost_high, prob_best. Empty where the records cannot answer.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> rl.rank_suppliers(bench)[["supplier", "lots"]].shape
    (3, 2)
    """
    return suppliers(bench, level=level, seed=seed).table


def compared(
    evidence: Evidence,
    models: Models,
    currency: str = "EUR",
    level: float = 0.9,
    bench: Any = None,
) -> Suppliers:
    """Turn the models' draws into the answer, all but what to record next."""
    rates = evidence.rates
    judged = models.next_lot(evidence)
    lot = _stays(judged, evidence, models)
    table = _table(evidence.arms, judged, lot, rates, level)
    lacks, write = evidence.lacks(models.when_good is not None)
    by = ["stayed_good"] if lacks else ["prob_best", "cost"]
    order = table.sort_values(by, ascending=[False, True][: len(by)]).index
    table = table.loc[order].reset_index(drop=True)
    if models.when_good is None:
        table["minutes"] = np.nan
    if lacks:
        table[["cost", "cost_low", "cost_high", "prob_best"]] = np.nan
    counted = value_of(evidence, lot, currency)
    benefit = net_benefit(lot.expected, rates, counted.value)
    stakes = pd.DataFrame(
        {
            "supplier": evidence.arms["supplier"].to_numpy(),
            "prob_next_best": share_lowest(cost_per_saleable(lot.one, rates)),
            "benefit": benefit.mean(axis=0),
            "regret": expected_regret(benefit),
        }
    )
    thin = table.loc[table["lots"] == 1, "supplier"]
    known = (
        f"Known from one lot only, so the interval comes from how other suppliers' lots differ: "
        f"{listed(thin)}."
    )
    spread = balance(evidence.reeds, str(table["supplier"].iloc[0]))
    decimals = places(cost_per_saleable(lot.one, rates)[:, order[:2]], level)
    plain = plain_sum(evidence).set_index("supplier").loc[table["supplier"]].reset_index()
    if lacks:
        stakes[["prob_next_best", "benefit", "regret"]] = plain["per_good"] = np.nan
    told: tuple[str, ...] = ()
    if (table["cost_high"] > 0).any():
        told = (
            *_by_plain_sum(plain, currency, decimals),
            *_by_counts(evidence, table),
            _bad_batch(table, lot, rates, order[0], currency, decimals),
        )
    return Suppliers(
        table=table,
        level=level,
        claims=_claims(table, spread),
        notes=(
            *evidence.notes,
            *models.notes,
            *([known] if len(thin) else []),
            *told,
            counted.says,
        ),
        record_next=write,
        stakes=stakes.loc[order].reset_index(drop=True),
        balance=spread,
        changes=models.changes,
        plain=plain,
        back=evidence.back if len(evidence.back) else pd.DataFrame(columns=list(BACK)),
        turned=turned.said(evidence, table),
        newer=_newer(evidence, table, models.changes),
        value=counted.value,
        currency=currency,
        digits={
            **dict.fromkeys(("cost", "cost_low", "cost_high", "per_good"), decimals),
            **dict.fromkeys(("benefit", "regret"), places(benefit, level)),
            **dict.fromkeys(("minutes", "per_year", "trial_cost", "net"), 0),
        },
        lacks=lacks,
        basis=Basis(evidence, models, lot, bench),
    )


def _by_plain_sum(plain: pd.DataFrame, currency: str, decimals: int) -> tuple[str, ...]:
    """Say what the plain sum comes to for the likeliest two, and what the model is for."""
    known = plain.head(2)[plain["good"].head(2) > 0]
    sums = [f"{amount(row.per_good, decimals)} from {row.supplier}" for row in known.itertuples()]
    if not sums:
        return ()
    return (
        f"By the plain sum of money and minutes spent so far, a good reed cost {listed(sums)} "
        f"({currency}); what the models add is how sure that is, not a better pick.",
    )


def _by_counts(evidence: Evidence, table: pd.DataFrame) -> tuple[str, ...]:
    """Say of the likeliest two how many were good and stayed good, where some came back."""
    if not (len(evidence.back) and evidence.back["returned"].sum()) or len(table) < 2:
        return ()
    names = table["supplier"].head(2).tolist()
    by = evidence.reeds.groupby(evidence.reeds["supplier"].astype(str))["success"]
    judged, good = by.size().reindex(names), by.sum().reindex(names)
    back = evidence.back.set_index("supplier")["returned"].reindex(names).fillna(0)
    first = [f"{100 * share:.0f}" for share in good / judged]
    then = [f"{100 * share:.0f}" for share in (good - back) / judged]
    return (
        f"By plain counts, of 100 judged reeds of {listed(names)} {listed(first)} were good and "
        f"{listed(then)} stayed good; the choice counts what stays.",
    )


def _newer(evidence: Evidence, table: pd.DataFrame, changes: pd.DataFrame) -> str:
    """Say why the next lots of all suppliers are expected to differ from the reeds so far."""
    so_far = float(evidence.reeds["success"].mean())
    now = float(np.average(table["success"], weights=table["reeds"]))
    moved = changes[changes["measure"] == "success"]
    if moved.empty or abs(now - so_far) < matters.SUCCESS:
        return ""
    less = "better" if now > so_far else "less well"
    known = (moved["low"] * moved["high"] > 0).all()
    return (
        f"Of all your judged reeds {_of_100(so_far)} turned out good. The newer ones did {less}, "
        f"so about {_of_100(now)} are expected of the next lots"
        f"{'' if known else ' (cannot say yet)'}."
    )


def _bad_batch(
    table: pd.DataFrame, lot: NextLot, rates: Rates, at: int, unit: str, decimals: int
) -> str:
    """Say what a bad batch of the likeliest supplier would cost, which no range holds."""
    one = lot.one
    bad = cost_per_saleable(replace(one, success=one.success / 2), rates)
    middle = float(np.median(bad[:, at]))
    return (
        f"A bad batch is not in the ranges: of a lot of {table['supplier'].iloc[0]} with half as "
        f"many good reeds, a saleable one would cost about {amount(middle, decimals)} {unit}; with "
        f"one such lot in ten, {amount(0.9 * table['cost'].iloc[0] + 0.1 * middle, decimals)} on "
        "average."
    )


def _stays(lot: NextLot, evidence: Evidence, models: Models) -> NextLot:
    """Count reeds sent back as failures."""
    return stayed_good(lot, evidence.back, evidence.arms["supplier"].tolist(), models.seed)


def _of_100(chance: float) -> str:
    return f"{100 * chance:.0f} in 100"


def _table(
    arms: pd.DataFrame, judged: NextLot, lot: NextLot, rates: Rates, level: float
) -> pd.DataFrame:
    """Summarise the next lots, as judged at the bench and as they stay good."""
    cost = cost_per_saleable(lot.one, rates)
    low, high = interval(judged.one.success, level)
    stayed_low, stayed_high = interval(lot.one.success, level)
    cost_low, cost_high = interval(cost, level)
    return arms[["supplier", "lots", "reeds"]].assign(
        success=judged.one.success.mean(axis=0),
        success_low=low,
        success_high=high,
        stayed_good=lot.one.success.mean(axis=0),
        stayed_low=stayed_low,
        stayed_high=stayed_high,
        minutes=np.median(lot.one.minutes_per_saleable, axis=0),
        cost=np.median(cost, axis=0),
        cost_low=cost_low,
        cost_high=cost_high,
        prob_best=share_lowest(cost_per_saleable(lot.expected, rates)),
    )


def _claims(table: pd.DataFrame, spread: pd.DataFrame) -> pd.DataFrame:
    """Claim of each supplier that it is the cheapest; only the likeliest can be sure or likely."""
    grade = graded(table["prob_best"].max())
    if len(table) < 2 or not _told_apart(table, spread):
        grade = Verdict.CANNOT_SAY
    costs = [*table["cost"].head(2), np.nan]
    rows = []
    for i, row in enumerate(table.itertuples()):
        cheaper = costs[1 if i == 0 else 0] - row.cost
        rows.append(
            (
                f"Over its lots {row.supplier} is the cheapest.",
                float(row.prob_best),
                grade if i == 0 else Verdict.CANNOT_SAY,
                float(cheaper),
                bool(cheaper > 0),
            )
        )
    return claims_frame(rows)


def _told_apart(table: pd.DataFrame, spread: pd.DataFrame) -> bool:
    """Whether the two likeliest suppliers can be distinguished, see `balance`."""
    runner_up = spread.set_index("against").loc[table["supplier"].iloc[1]]
    return bool(runner_up["ratio"] <= CANNOT_TELL and runner_up["side_by_side"] >= SIDE_BY_SIDE)


def worth_of_lots(said: Suppliers) -> pd.DataFrame:
    """Return what one more lot of each supplier would be worth knowing, its outcomes and minutes.

    By the number of reeds tried: supplier, reeds, per_piece (expected gain per piece tied
    afterwards), per_year (that times the pieces tied a year), trial_cost (expected loss on the
    reeds of the trial itself, against reeds of the likeliest supplier), net (per_year less
    trial_cost).
    """
    basis = said.grounds()
    one, models, evidence = basis.lot.one, basis.models, basis.evidence
    benefit = net_benefit(basis.lot.expected, evidence.rates, said.value)
    mean, a_year = benefit.mean(axis=0), pieces_a_year(evidence.reeds)
    names = evidence.arms["supplier"].tolist()
    rows = []
    for name in said.table["supplier"]:
        i = names.index(name)
        for reeds in _TRIALS:
            if models.when_good is None or models.when_failed is None:
                likely = binomial_likelihood(one.success[:, i], reeds)
            else:
                paces = (
                    Pace(one.minutes_success[:, i], models.when_good.residual_sd),
                    Pace(one.minutes_failure[:, i], models.when_failed.residual_sd),
                )
                likely = sampled_likelihood(one.success[:, i], paces, reeds, models.seed)
            gain = value_of_sample(benefit, likely)
            cost = reeds * (mean.max() - mean[i])
            rows.append((name, reeds, gain, gain * a_year, cost, gain * a_year - cost))
    columns = ["supplier", "reeds", "per_piece", "per_year", "trial_cost", "net"]
    return pd.DataFrame(rows, columns=columns)


def _record_next(said: Suppliers) -> RecordNext:
    if len(said.table) == 1:
        return RecordNext(
            f"Buy one lot elsewhere and record the outcome and minutes of {TRIAL_REEDS} reeds.",
            about=About.CANE,
        )
    if said.record_next is not None:
        return said.record_next
    if said.free:
        return RecordNext(
            "Write what each lot cost as its price, and your wage_per_hour in bench.toml.",
            about=About.PRICES,
        )
    if not _told_apart(said.table, said.balance):
        return RecordNext(
            f"Work lots of {said.best} and {said.table['supplier'].iloc[1]} side by side and "
            "record outcome and minutes; so far makers, seasons or years set them apart.",
            about=About.CANE,
        )
    tried = said.worth[said.worth["reeds"] == TRIAL_REEDS]
    most = tried.loc[tried["net"].idxmax()]
    if most.net < _WORTH_A_TRIAL:
        return RecordNext(
            "Keep recording outcome and minutes, of two suppliers in turn if you can; buy no lot "
            f"only to try {TRIAL_REEDS} reeds of it.",
            about=About.CANE,
            more=False,
        )
    return RecordNext(
        f"Buy one more lot of {most.supplier} and record outcome and minutes of {TRIAL_REEDS} "
        "reeds of it.",
        float(most.net),
        said.currency,
        About.CANE,
        how=f"What {TRIAL_REEDS} more reeds would bring by a better choice of cane, less what the "
        "trial costs.",
    )


def value_of(evidence: Evidence, lot: NextLot, currency: str) -> Worth:
    """Value a saleable reed, another one costing what it does of the cheapest arm."""
    cost = np.median(cost_per_saleable(lot.expected, evidence.rates), axis=0)
    return worth(evidence.price, float(cost.min()), currency)


def balance(reeds: pd.DataFrame, best: str) -> pd.DataFrame:
    """Compare each contrast with `best` to the same contrast in a balanced design.

    With supplier, maker and season as factors and a line over the years, as the models have it, the
    variance of a contrast of two suppliers is c'(X'X)⁻¹c; were every supplier's reeds spread alike
    over makers, seasons and years, it would be 1/n₁ + 1/n₂. The contrast of two suppliers cannot be
    estimated where one maker or one season made all reeds of the one and none of the other. A line
    knows nothing of a maker who learns at first, or at one blow; so it also counts how many reeds
    of either were worked beside the other's.

    Columns: supplier, against, ratio (infinite where maker or season and supplier are one),
    side_by_side (share of reeds tied within 45 days of one of the other supplier's, the smaller of
    the two suppliers'; 1 where the reeds' years are not told apart).
    """
    line: list[pd.DataFrame] = []
    if YEARS in reeds:
        line.append(reeds[[YEARS]].astype(float))
    names = sorted(reeds["supplier"].astype(str).unique())
    of = pd.get_dummies(reeds["supplier"].astype(str), dtype=float)[names]
    others = [
        pd.get_dummies(reeds[c].astype(str), drop_first=True, dtype=float)
        for c in ("maker", "season")
        if c in reeds and reeds[c].nunique() > 1
    ]
    X = pd.concat([of, *others, *line], axis=1).to_numpy()
    size, information = of.sum(), X.T @ X
    rows = []
    for name in names:
        if name == best:
            continue
        contrast = np.zeros(X.shape[1])
        contrast[[names.index(best), names.index(name)]] = 1.0, -1.0
        ratio = contrast_variance(information, contrast) / (1 / size[best] + 1 / size[name])
        rows.append((best, name, ratio, _side_by_side(reeds, best, name)))
    return pd.DataFrame(rows, columns=["supplier", "against", "ratio", "side_by_side"])


def _side_by_side(reeds: pd.DataFrame, one: str, other: str) -> float:
    """Return the smaller share of reeds that were tied near one of the other supplier's."""
    if YEARS not in reeds:
        return 1.0
    of, day = reeds["supplier"].astype(str), 365.25 * reeds[YEARS]
    a, b = (np.sort(day[of == name].dropna()) for name in (one, other))
    if not (len(a) and len(b)):
        return 1.0
    return min(_share_near(a, b), _share_near(b, a))


def _share_near(days: np.ndarray, others: np.ndarray) -> float:
    """Share of days with one of the others', sorted, near it."""
    first = np.searchsorted(others, days - _NEAR_DAYS)
    return float((first < np.searchsorted(others, days + _NEAR_DAYS, side="right")).mean())
