"""Which blanks to give up after the rough scrape.

By then cane, tying and roughing are sunk costs. Going on can still lose the time that clipping,
balancing and finishing take, and can still win a saleable reed, worth what it sells for or the
bench minutes that another one takes from cane to case. So a blank is worth finishing even at poor
odds, and a rule has to find those with worse than poor odds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
import pandas as pd
from scipy.special import betaincc

from reedlab.decide.answer import About, CannotAnswer, RecordNext, empty, question
from reedlab.decide.evidence import before_tying, listed, tying_minutes
from reedlab.decide.stopping.break_even import Stakes, by_outcome
from reedlab.decide.stopping.pieces import MEASURES as OF_THE_PIECE
from reedlab.decide.stopping.pieces import measured_reeds
from reedlab.decide.stopping.rules import Measure
from reedlab.decide.stopping.stages import Stage, Stopping, decide
from reedlab.decide.stopping.tryout import SLOPES
from reedlab.decide.worth import mean_price, worth
from reedlab.elementary import independent, wilson

STAGE = Stage(
    stop="give up",
    stopping="giving up",
    blanks="blanks",
    go_on="Go on with every blank that is roughed",
    counted="roughed blank",
    notes="opening and crow of every blank",
    first="Note opening, crow and rough minutes of every blank as soon as it is dry, over at least "
    "{lots} more lots.",
    timing="Note the minutes of the rough scrape and of finishing apart, by reed or sitting.",
    about=About.SIGNS,
)
MEASURES = (
    Measure("opening_small", "a small opening", "", 1.0, 0.0, two_sided=False, flag=True),
    Measure("opening_large", "a large opening", "", 1.0, 0.0, two_sided=False, flag=True),
    Measure("crow_flat", "a flat crow", "", 1.0, 0.0, two_sided=False, flag=True),
    Measure("crow_sharp", "a sharp crow", "", 1.0, 0.0, two_sided=False, flag=True),
    Measure("leak", "a leak", "", 1.0, 0.0, two_sided=False, flag=True),
    Measure(
        "tied_off_mm",
        "tied length off the usual",
        "mm",
        0.1,
        0.0,
        two_sided=False,
        more="a tied length off the usual by {edge} or more",
    ),
    Measure(
        "rough_pace",
        "rough scrape's time over the maker's usual",
        "",
        0.1,
        0.0,
        usual=1.0,
        more="a rough scrape of {percent:.0f} % or more over the maker's usual time",
        less="a rough scrape of {percent:.0f} % or more under the maker's usual time",
    ),
    *(replace(m, minutes=0.0) for m in OF_THE_PIECE),
)
"""What is known of a blank once it is roughed and dry; by then it costs nothing to know."""

SIGNS = ("sign", "blanks", "lots", "good", "low", "high", "pays")
UNEVEN = 0.25
"""A note made this much more often on failures, or on the others, would leak the outcome."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class GivingUp(Stopping):
    """Whether to give up blanks after the rough scrape, and which; see `Stopping` for the rest.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a sign that can be there or not: ``blanks`` with it, of how many ``lots``, ``good``
        (share of them that turned out good) with its Wilson interval ``low``, ``high``, in which
        blanks of one lot are alike, and ``pays`` (probability that finishing such a blank pays).
    slopes : pandas.DataFrame
        One row a measure; see `slopes_alone`.
    already : int
        Blanks lost or given up at tying or roughing, on which no rule was needed.
    """

    stage: ClassVar[Stage] = STAGE
    table: pd.DataFrame = empty(*SIGNS)
    slopes: pd.DataFrame = empty(*SLOPES)
    already: int = 0
    unit: str = "minutes"


@question(GivingUp)
def giving_up(bench: Any, *, level: float = 0.9, seed: int = 1) -> GivingUp:
    """Find which blanks to give up after the rough scrape, if any.

    Every rule is learnt on some lots and judged on held-out ones, in bench minutes: the finishing
    time that a stopped failure would have taken, less what a stopped good reed is worth: the
    minutes that its price pays for at the wage or, where no price is kept, those that another one
    takes from cane to case. In the second case a rule saves exactly if it makes saleable reeds
    quicker.

    Parameters
    ----------
    bench : Bench
    level : float
        Of the intervals.
    seed : int
        Of the folds and the resampling.

    Returns
    -------
    GivingUp
        Sure or likely that a rule saves, or that none saves enough to be noticed.
        Unanswered where too few blanks went on from the rough scrape to an outcome.

    Notes
    -----
    Blanks given up at the rough scrape have no outcome that a rule could be judged by: the answer
    is about blanks that the maker went on with. A sign noted only once a reed has failed would
    predict everything (leakage) and is not used; `GivingUp.notes` says which.
    """
    cases, already = roughed_blanks(bench)
    if cases.empty:
        raise CannotAnswer(
            "No blank went on from the rough scrape to a settled outcome.",
            RecordNext(
                "Write down the outcome of each reed, and lost_at for those that did not get there."
            ),
        )
    measures, notes = usable(cases)
    before, _ = before_tying(bench.losses, bench.tables["lots"], bench.settings.currency)
    tying = float(np.nan_to_num(before["minutes_before"].mean())) + tying_minutes(bench)[0]
    tries = len(already) / len(cases)
    lost = float(np.nan_to_num(already["scrape_min"].mean()))
    wage = bench.settings.wage_per_hour
    price = mean_price(bench.reeds) / wage * 60 if wage > 0 else float("nan")
    hours = f" at {wage:g} {bench.settings.currency} an hour"

    def counted(rows: pd.DataFrame) -> tuple[Stakes, str]:
        found = minutes_at_stake(rows, tying, tries, lost)
        of_reed = worth(price, found.value, "minutes", hours)
        return replace(found, value=of_reed.value), of_reed.says

    found = decide(
        STAGE, cases, measures, "finish_min", counted, cases, cases,
        unit="minutes", level=level, seed=seed,
    )  # fmt: skip
    return GivingUp(
        table=_signs(cases, [m for m in measures if m.flag], found.get("stakes"), level),
        already=len(already),
        notes=notes,
        **found,
    )


def roughed_blanks(bench: Any) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split the settled blanks into those that went on from the rough scrape and those lost by it.

    The first have ``reed``, ``lot``, ``good`` (0 or 1), ``rough_min``, ``finish_min`` (0 for a
    blank lost before it was finished), ``tied_on`` and the columns of `MEASURES`; the second, lost
    at tying or roughing, are rows of ``bench.reeds``.
    """
    reeds = bench.reeds[bench.reeds["settled"] & bench.reeds["success"].notna()]
    reeds = reeds[reeds["lot"].notna()]
    stage = reeds["lost_at"].astype(object)
    stopped = reeds["outcome"].isin(["given_up", "broken"])
    worked_on = reeds["finish_min"].notna() | reeds["finished_on"].notna()
    unsaid = stopped & stage.isna() & ~worked_on
    early = stage.isin(["tie", "rough"])
    past = reeds[~early & ~unsaid].reset_index(drop=True)
    unfinished = past["lost_at"].isin(["dry", "clip"])
    usual_tied = past.groupby(past["style"].astype(object).fillna(""))["tied_mm"]
    usual_pace = past.groupby("maker", observed=True)["rough_min"].transform("median")
    leaks = past["fault"].str.contains("leak", case=False, na=False)
    signs = {
        f"{column}_{word}": (past[column].astype(object) == word).where(past[column].notna())
        for column, words in (("opening", ("small", "large")), ("crow", ("flat", "sharp")))
        for word in words
    }
    signs["leak"] = leaks.where(past["fault"].notna())
    cases = pd.DataFrame(
        {
            "reed": past["reed"],
            "lot": past["lot"].astype(object),
            "good": past["success"],
            "rough_min": past["rough_min"],
            "finish_min": past["finish_min"].mask(unfinished & past["finish_min"].isna(), 0.0),
            "tied_on": past["tied_on"],
            **{name: sign.astype(float) for name, sign in signs.items()},
            "tied_off_mm": (past["tied_mm"] - usual_tied.transform("median")).abs(),
            "rough_pace": past["rough_min"] / usual_pace,
        }
    )
    of_piece = measured_reeds(bench).set_index("reed")[[m.column for m in OF_THE_PIECE]]
    of_piece = of_piece[~of_piece.index.duplicated()]
    return cases.join(of_piece, on="reed"), reeds[early]


def minutes_at_stake(cases: pd.DataFrame, tying: float, tries: float, lost: float) -> Stakes:
    """Work out what going on with one roughed blank gains or loses, in bench minutes.

    `tying` are minutes of work before scraping, per tied piece; `tries` the blanks lost by the end
    of roughing for each one that went on, `lost` the minutes that such a blank took. A saleable
    reed is valued at what another one takes; what was spent before the decision, on this blank and
    its share of those lost by then, is sunk.
    """
    success, if_good, if_bad = by_outcome(cases, "finish_min")
    return Stakes.at_replacement(
        success,
        if_good,
        if_bad,
        sunk=tying * (1 + tries) + tries * lost + float(np.nan_to_num(cases["rough_min"].mean())),
        minute=1.0,
    )


def usable(cases: pd.DataFrame) -> tuple[tuple[Measure, ...], tuple[str, ...]]:
    """Return the measures that a rule may use, and sentences on why not the others.

    They are noted of at least half of the blanks, differ, and are noted as often of good reeds as
    of others, to within `UNEVEN`.
    """
    good = cases["good"] == 1
    used, uneven, rare = [], [], []
    for m in MEASURES:
        known = cases[m.column].notna()
        if known.any() and abs(known[good].mean() - known[~good].mean()) > UNEVEN:
            uneven.append(m.says)
        elif known.mean() < 0.5 or not cases[m.column].std() > 0:
            rare.append(m.says)
        else:
            used.append(m)
    notes = [
        "A rule is about blanks that you went on with; those given up earlier have no outcome."
    ]
    if uneven:
        notes.append(
            f"Not used, because it is noted far more often on reeds that failed, or on reeds that "
            f"did not: {listed(uneven)}. Note it for every blank when it is roughed and dry."
        )
    if rare:
        notes.append(
            f"Not used, because fewer than half of the blanks have it or it never differs: "
            f"{listed(rare)}."
        )
    return tuple(used), tuple(notes)


def _signs(
    cases: pd.DataFrame, flags: list[Measure], stakes: Stakes | None, level: float
) -> pd.DataFrame:
    rows = []
    for m in flags:
        by_lot = cases[cases[m.column] == 1].groupby("lot")["good"].agg(["sum", "size"])
        blanks, share = by_lot["size"].sum(), by_lot["sum"].sum() / by_lot["size"].sum()
        n = independent(by_lot["sum"], by_lot["size"], level)
        pays = np.nan
        if stakes is not None:  # Jeffreys' posterior of the share
            even = min(max(stakes.threshold, 0.0), 1.0)
            pays = betaincc(n * share + 0.5, n * (1 - share) + 0.5, even)
        rows.append((m.says, blanks, len(by_lot), share, *wilson(n * share, n, level), pays))
    return pd.DataFrame(rows, columns=list(SIGNS))
