"""Where each maker's reeds are lost, stage by stage, and what to practise next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.decide import matters
from reedlab.decide.answer import (
    LIKELY_FROM,
    About,
    Answer,
    CannotAnswer,
    RecordNext,
    claims_frame,
    empty,
    graded,
    question,
)
from reedlab.decide.draws import interval
from reedlab.decide.evidence import YEARS, with_years
from reedlab.decide.models import A_YEAR
from reedlab.errors import DataError, ModelError
from reedlab.mixed.fitting import fit
from reedlab.mixed.posterior.priors import Priors
from reedlab.records.tables import STAGES_OF_A_REED

Floats = NDArray[np.float64]
MAKERS_SD = 0.5
"""Scale of the half-normal on the standard deviation of makers, on the logit: always pooled."""
_FEWEST_LOST = 8
"""Reeds lost at a stage below which its shares are counted and not modelled."""
FEWEST_FOR_A_CURVE = 20


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Makers(Answer):
    """Each maker's losses; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a maker: ``maker``, ``reeds`` (judged, made alone), ``good`` (chance on the same
        lots) with ``low`` and ``high``, ``rough_min``, ``finish_min`` (means), ``practise`` (the
        stage to work on next, empty where none stands out), ``a_year`` (change of the chance in a
        year) with ``a_year_low`` and ``a_year_high``; missing below twenty reeds.
    stages
        One row a maker and stage in the order of the work: ``maker``, ``stage``, ``reached``,
        ``lost``, ``share`` (of those that reached it, on the same lots, pooled among makers) with
        ``low`` and ``high``, ``worse`` (probability that it is more than five points above the
        others' mean) and ``more`` (by how much); both missing for a maker alone.
    faults
        One row a maker, stage and fault: ``maker``, ``stage``, ``fault``, ``reeds``.
    months
        One row a maker and month: ``maker``, ``month``, ``reeds``, ``good``.
    """

    table: pd.DataFrame = empty(
        "maker", "reeds", "good", "low", "high", "rough_min", "finish_min", "practise", "a_year",
        "a_year_low", "a_year_high",
    )  # fmt: skip
    stages: pd.DataFrame = empty(
        "maker", "stage", "reached", "lost", "share", "low", "high", "worse", "more"
    )
    faults: pd.DataFrame = empty("maker", "stage", "fault", "reeds")
    months: pd.DataFrame = empty("maker", "month", "reeds", "good")

    def _sentence(self) -> str:
        said = []
        for row in self.table.itertuples():
            on = f"practise {ACTS[row.practise]}" if row.practise else "no stage stands out"
            said.append(
                f"{row.maker}: {100 * row.good:.0f} in 100 turn out good ({100 * row.low:.0f} to "
                f"{100 * row.high:.0f}); {on}."
            )
        return " ".join(said)


ACTS = {
    "tie": "tying", "rough": "the rough scrape", "dry": "drying", "clip": "clipping",
    "finish": "finishing", "play": "the last test",
}  # fmt: skip
"""What is done at each stage, in words."""


@question(Makers)
def makers(bench: Any, *, level: float = 0.9, seed: int = 1) -> Makers:
    """Say where each maker's reeds are lost, on the same lots, and what to practise next.

    For each stage a binomial model of being lost there, given that a reed reached it, with makers
    and lots as random effects; makers are always pooled, with a half-normal of 0.5 on their
    standard deviation. Reeds in which a teacher helped count neither way.

    Parameters
    ----------
    bench : Bench
        The records.
    level : float
        Of the intervals, 0 to 1.
    seed : int
        Of the posteriors.

    Returns
    -------
    Makers
        Claims that a maker's reeds turn out good less often than the others', and where more are
        lost than by the others. The records cannot answer without a judged reed made alone.

    Examples
    --------
    >>> import reedlab as rl
    >>> answer = rl.makers(rl.demo_bench())
    >>> answer.table["maker"].tolist()
    ['KL', 'RS']
    """
    reeds = with_years(bench)
    reeds = reeds[reeds["success"].notna() & reeds["maker"].notna() & reeds["helped"].isna()]
    if reeds.empty:
        raise CannotAnswer(
            "No judged reed names its maker, or a teacher helped in all of them.",
            RecordNext("Note who made each reed, and where a teacher helped."),
        )
    reeds = reeds.assign(maker=reeds["maker"].astype(str), lot=reeds["lot"].astype(str))
    names = sorted(reeds["maker"].unique())
    stages = _stages(reeds, names, level, seed)
    rows, claims = [], []
    good = _chances(reeds.assign(hit=reeds["success"]), names, seed)
    for i, name in enumerate(names):
        own = reeds[reeds["maker"] == name]
        low, high = interval(good[:, i], level)
        behind = _behind(good, i) if len(names) > 1 else 0.0
        practise, probability, more = _practise(stages[stages["maker"] == name], len(names), behind)
        rows.append(
            {
                "maker": name, "reeds": len(own), "good": float(np.median(good[:, i])),
                "low": low, "high": high, "rough_min": own["rough_min"].mean(),
                "finish_min": own["finish_min"].mean(), "practise": practise,
                **_progress(own, level, seed),
            }
        )  # fmt: skip
        if behind >= LIKELY_FROM:
            less = float(np.median(good[:, i] - np.delete(good, i, axis=1).mean(axis=1)))
            says = f"On the same lots, fewer of {name}'s reeds turn out good than of the others'."
            claims.append((says, behind, graded(behind), less, abs(less) >= matters.SUCCESS))
        if practise and len(names) > 1:
            says = f"{name} loses more at {ACTS[practise]} than the others."
            claims.append((says, probability, graded(probability), more, more >= matters.SUCCESS))
    noted = reeds["success"].eq(0) & reeds["lost_at"].isna()
    return Makers(
        table=pd.DataFrame(rows),
        level=level,
        claims=claims_frame(sorted(claims, key=lambda claim: -claim[1])),
        notes=_notes(bench, reeds, int(noted.sum())),
        record_next=RecordNext("Note at which stage each reed was lost.", about=About.STAGES)
        if noted.any()
        else None,
        stages=stages,
        faults=_faults(reeds),
        months=_months(reeds),
    )


def _chances(frame: pd.DataFrame, names: list[str], seed: int) -> Floats:
    """Chance of `hit` (draws, makers) on the same lots, pooled among makers.

    Where a model cannot be fitted, each maker's share alone, by a Jeffreys prior.
    """
    frame = frame.assign(hit=frame["hit"].astype(float))
    lots = " + (1 | lot)" if frame["lot"].nunique() > 2 else ""
    if len(names) > 1:
        try:
            post = fit(f"hit ~ 1 + (1 | maker){lots}", frame, family="binomial").posterior(
                seed=seed, priors=Priors(by_group={"maker": MAKERS_SD})
            )
            rows = frame.drop_duplicates("lot") if lots else frame.head(1)
            # The same lots for every maker: the mean over all lots that occur.
            return np.column_stack(
                [post.predict(rows.assign(maker=name)).mean(axis=1) for name in names]
            )
        except (DataError, ModelError):
            pass
    return _apart(frame, names, seed)


def _stages(reeds: pd.DataFrame, names: list[str], level: float, seed: int) -> pd.DataFrame:
    """Share lost at each stage of those that reached it; failures without a stage reach none."""
    known = reeds[reeds["success"].eq(1) | reeds["lost_at"].notna()]
    at = (
        known["lost_at"]
        .astype(object)
        .map({stage: at for at, stage in enumerate(STAGES_OF_A_REED)})
    )
    at = at.fillna(len(STAGES_OF_A_REED))
    rows = []
    for order, stage in enumerate(STAGES_OF_A_REED):
        reached = known[at >= order].assign(hit=(at[at >= order] == order).astype(float))
        lost = int(reached["hit"].sum())
        if not lost:
            continue
        pooled = len(names) > 1 and lost >= _FEWEST_LOST
        shares = _chances(reached, names, seed) if pooled else _apart(reached, names, seed)
        for i, name in enumerate(names):
            own = reached[reached["maker"] == name]
            others = np.delete(shares, i, axis=1).mean(axis=1) if len(names) > 1 else np.nan
            low, high = interval(shares[:, i], level)
            worse = (
                float((shares[:, i] - others > matters.SUCCESS).mean())
                if len(names) > 1
                else np.nan
            )
            rows.append(
                (name, stage, len(own), int(own["hit"].sum()), float(np.median(shares[:, i])), low,
                 high, worse, float(np.median(shares[:, i] - others)))
            )  # fmt: skip
    columns = ["maker", "stage", "reached", "lost", "share", "low", "high", "worse", "more"]
    frame = pd.DataFrame(rows, columns=columns)
    frame["stage"] = pd.Categorical(frame["stage"], STAGES_OF_A_REED, ordered=True)
    return frame.sort_values(["maker", "stage"], ignore_index=True)


def _apart(frame: pd.DataFrame, names: list[str], seed: int) -> Floats:
    """Each maker's share (draws, makers) alone, by a Jeffreys prior."""
    rng = np.random.default_rng(seed)
    counts = frame.groupby("maker")["hit"].agg(["sum", "size"]).reindex(names, fill_value=0)
    hits, tries = counts["sum"].to_numpy(), counts["size"].to_numpy()
    return rng.beta(hits + 0.5, tries - hits + 0.5, (4000, len(names)))


def _behind(good: Floats, i: int) -> float:
    """Probability that a maker's chance is more than five points below the others' mean."""
    others = np.delete(good, i, axis=1).mean(axis=1)
    return float((others - good[:, i] > matters.SUCCESS).mean())


def _practise(stages: pd.DataFrame, makers: int, behind: float) -> tuple[str, float, float]:
    """Choose the stage to practise: one that is likely worse than the others'.

    Of a maker alone it is the worst; of one who is behind in all, the best guess.
    """
    worked_on = stages[stages["lost"] > 0]
    if worked_on.empty:
        return "", np.nan, np.nan
    if makers == 1:
        worst = worked_on.loc[worked_on["share"].idxmax()]
        return str(worst["stage"]), np.nan, np.nan
    worse = worked_on[worked_on["worse"] >= LIKELY_FROM]
    if worse.empty and behind < LIKELY_FROM:
        return "", np.nan, np.nan
    chosen = worked_on if worse.empty else worse
    first = chosen.loc[chosen["more"].idxmax()]
    return str(first["stage"]), float(first["worse"]), float(first["more"])


def _progress(own: pd.DataFrame, level: float, seed: int) -> dict[str, float]:
    """Change of the chance of a good reed in a year, from twenty dated reeds on."""
    none = dict.fromkeys(("a_year", "a_year_low", "a_year_high"), np.nan)
    dated = own.dropna(subset=[YEARS])
    if len(dated) < FEWEST_FOR_A_CURVE or dated["success"].nunique() < 2 or dated[YEARS].std() == 0:
        return none
    lots = " + (1 | lot)" if dated["lot"].nunique() > 2 else ""
    try:
        post = fit(f"success ~ {YEARS}{lots}", dated, family="binomial").posterior(
            seed=seed, priors=Priors(by_column={YEARS: A_YEAR["binomial"]})
        )
    except (DataError, ModelError):
        return none
    last = dated.tail(1)
    ends = [
        post.predict(last.assign(**{YEARS: back}), new_levels=["lot"] if lots else [])[:, 0]
        for back in (-1.0, 0.0)
    ]
    change = ends[1] - ends[0]
    low, high = interval(change, level)
    return {"a_year": float(np.median(change)), "a_year_low": low, "a_year_high": high}


def _faults(reeds: pd.DataFrame) -> pd.DataFrame:
    """Count faults by maker and stage; of several in a cell the first counts."""
    lost = reeds[reeds["success"].eq(0) & reeds["fault"].notna()]
    main = lost["fault"].astype(str).str.split(r"[;,]").str[0].str.strip().str.casefold()
    frame = pd.DataFrame(
        {"maker": lost["maker"], "stage": lost["lost_at"].astype(object), "fault": main}
    )
    counted = frame.groupby(["maker", "stage", "fault"], dropna=False).size()
    return counted.rename("reeds").reset_index().sort_values(
        ["maker", "reeds"], ascending=[True, False], kind="stable", ignore_index=True
    )  # fmt: skip


def _months(reeds: pd.DataFrame) -> pd.DataFrame:
    month = reeds["tied_on"].dt.to_period("M").dt.to_timestamp()
    counted = reeds.assign(month=month).groupby(["maker", "month"])["success"].agg(["size", "sum"])
    frame = counted.reset_index().rename(columns={"size": "reeds", "sum": "good"})
    return frame.astype({"good": int})


def _notes(bench: Any, reeds: pd.DataFrame, without: int) -> tuple[str, ...]:
    helped = int(bench.reeds["helped"].notna().sum())
    notes = []
    if helped:
        notes.append(f"Reeds in which a teacher helped count neither way: {helped}.")
    if without:
        notes.append(f"Lost at a stage that is not noted, and left out of the stages: {without}.")
    if reeds["maker"].nunique() > 1:
        notes.append("Makers are pooled: of few reeds, a share is drawn towards the others'.")
    return tuple(notes)
