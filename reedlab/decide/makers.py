"""Where each maker's reeds are lost, stage by stage, and what to practise next."""

from __future__ import annotations

from collections.abc import Mapping
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
from reedlab.decide.evidence import YEARS, some_lots, with_years
from reedlab.decide.shared_models.models import A_YEAR
from reedlab.errors import DataError, ModelError
from reedlab.mixed.fitting import fit
from reedlab.mixed.posterior.priors import Priors
from reedlab.records.tables import STAGES_OF_A_REED
from reedlab.records.tidy.faults import main_fault

Floats = NDArray[np.float64]
MAKERS_SD = 0.5
"""Scale of the half-normal on the standard deviation of makers, on the logit: always pooled."""
_FEWEST_LOST = 8
"""Reeds lost at a stage below which its shares are counted and not modelled."""
_MOST_REEDS = 2500
"""Reeds that a model takes: of hundreds of lots that lose few, its draws stand for little."""
FEWEST_FOR_A_CURVE = 20
_NO_CURVE = pd.DataFrame(columns=["month", "good", "low", "high"])


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Makers(Answer):
    """Each maker's losses; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a maker: ``maker``, ``reeds`` (judged, made alone), ``good`` (chance on the same
        lots) with ``low`` and ``high``, ``rough_min``, ``finish_min`` (means), ``practise`` (the
        stage to work on next, empty where none stands out), ``a_year`` (change of the chance in a
        year) with ``a_year_low`` and ``a_year_high``; missing below twenty reeds, of which
        ``marks`` then has one each in the order of tying: ``+`` good, ``-`` not.
    stages
        One row a maker and stage in the order of the work: ``maker``, ``stage``, ``reached``,
        ``lost``, ``share`` (of those that reached it, on the same lots, pooled among makers) with
        ``low`` and ``high``, ``worse`` (probability that it is more than five points above the
        others' mean) and ``more`` (by how much); both missing for a maker alone.
    faults
        One row a maker, stage and fault: ``maker``, ``stage``, ``fault`` (of `FAULTS`), ``reeds``.
    months
        One row a maker and month: ``maker``, ``month``, ``reeds``, ``good``.
    curve
        The learning curve of each maker with twenty reeds, one row a month with reeds: ``maker``,
        ``month``, ``good`` (chance then, of a new lot) with ``low`` and ``high``.
    """

    table: pd.DataFrame = empty(
        "maker", "reeds", "good", "low", "high", "rough_min", "finish_min", "practise", "a_year",
        "a_year_low", "a_year_high", "marks",
    )  # fmt: skip
    stages: pd.DataFrame = empty(
        "maker", "stage", "reached", "lost", "share", "low", "high", "worse", "more"
    )
    faults: pd.DataFrame = empty("maker", "stage", "fault", "reeds")
    months: pd.DataFrame = empty("maker", "month", "reeds", "good")
    curve: pd.DataFrame = empty("maker", "month", "good", "low", "high")

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
    reeds = judged_alone(bench)
    names = sorted(reeds["maker"].unique())
    stages = stage_shares(reeds, names, level, seed)
    rows, claims, curves = [], [], []
    good = _chances(reeds.assign(hit=reeds["success"]), names, seed)
    for i, name in enumerate(names):
        own = reeds[reeds["maker"] == name]
        low, high = interval(good[:, i], level)
        change, curve = progress(own, level, seed)
        curves.append(curve.assign(maker=name))
        behind = _behind(good, i) if len(names) > 1 else 0.0
        practise, probability, more = to_practise(
            stages[stages["maker"] == name], len(names) > 1, behind
        )
        rows.append(
            {
                "maker": name, "reeds": len(own), "good": float(np.median(good[:, i])),
                "low": low, "high": high, "rough_min": own["rough_min"].mean(),
                "finish_min": own["finish_min"].mean(), "practise": practise,
                **change, "marks": marks(own),
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
        faults=faults_by_stage(reeds, bench.settings.words.get("fault")),
        months=months_of(reeds),
        curve=pd.concat(curves, ignore_index=True)[["maker", *_NO_CURVE.columns]],
    )


def judged_alone(bench: Any) -> pd.DataFrame:
    """Return the judged reeds that name their maker and in which no teacher helped.

    Raises
    ------
    CannotAnswer
        Where there is none.
    """
    reeds = with_years(bench)
    reeds = reeds[reeds["success"].notna() & reeds["maker"].notna() & reeds["helped"].isna()]
    if reeds.empty:
        raise CannotAnswer(
            "No judged reed names its maker, or a teacher helped in all of them.",
            RecordNext("Note who made each reed, and where a teacher helped."),
        )
    return reeds.assign(maker=reeds["maker"].astype(str), lot=reeds["lot"].astype(str))


def marks(own: pd.DataFrame) -> str:
    """Write a mark a reed in the order of tying, where there are too few for a learning curve."""
    if len(own) >= FEWEST_FOR_A_CURVE:
        return ""
    success = own.sort_values("tied_on", kind="stable")["success"]
    return "".join("+" if good else "-" for good in success == 1)


def _chances(frame: pd.DataFrame, names: list[str], seed: int) -> Floats:
    """Chance of `hit` (draws, makers) on the same lots, pooled among makers.

    Where a model cannot be fitted, each maker's share alone, by a Jeffreys prior.
    """
    frame = some_lots(frame.assign(hit=frame["hit"].astype(float)), seed, _MOST_REEDS)
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


def stage_shares(reeds: pd.DataFrame, names: list[str], level: float, seed: int) -> pd.DataFrame:
    """Share lost at each stage of those that reached it; failures without a stage reach none.

    Of reeds `judged_alone` by makers `names`; see `Makers.stages`.
    """
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


def to_practise(
    stages: pd.DataFrame, several: bool, behind: float = 0.0
) -> tuple[str, float, float]:
    """Choose the stage that one maker should practise from the maker's rows of `stage_shares`.

    With others to compare with it is a stage that is likely worse than theirs, else where most are
    lost. `behind` is the probability that the maker is behind the others in all: where it is
    likely, the best guess serves. Gives the stage, or ``""``; with others also the probability that
    more are lost, and how many more.
    """
    worked_on = stages[stages["lost"] > 0]
    if worked_on.empty:
        return "", np.nan, np.nan
    if not several:
        worst = worked_on.loc[worked_on["share"].idxmax()]
        return str(worst["stage"]), np.nan, np.nan
    worse = worked_on[worked_on["worse"] >= LIKELY_FROM]
    if worse.empty and behind < LIKELY_FROM:
        return "", np.nan, np.nan
    chosen = worked_on if worse.empty else worse
    first = chosen.loc[chosen["more"].idxmax()]
    return str(first["stage"]), float(first["worse"]), float(first["more"])


def progress(own: pd.DataFrame, level: float, seed: int) -> tuple[dict[str, float], pd.DataFrame]:
    """Fit one maker's learning curve, from twenty dated reeds `judged_alone` on.

    Gives ``a_year``, ``a_year_low`` and ``a_year_high``, missing where there is no curve, and the
    curve: ``month``, ``good``, ``low``, ``high``.
    """
    none = dict.fromkeys(("a_year", "a_year_low", "a_year_high"), np.nan), _NO_CURVE
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
    months = dated.groupby(dated["tied_on"].dt.to_period("M").dt.to_timestamp())[YEARS].mean()
    at = pd.DataFrame({YEARS: [-1.0, 0.0, *months], "lot": dated["lot"].iloc[0]})
    chances = post.predict(at, new_levels=["lot"] if lots else [])
    ends = np.array([interval(chances[:, i], level) for i in range(2, chances.shape[1])])
    curve = pd.DataFrame(
        {"month": months.index, "good": np.median(chances[:, 2:], axis=0), "low": ends[:, 0],
         "high": ends[:, 1]}
    )  # fmt: skip
    change = chances[:, 1] - chances[:, 0]
    low, high = interval(change, level)
    return {"a_year": float(np.median(change)), "a_year_low": low, "a_year_high": high}, curve


def faults_by_stage(reeds: pd.DataFrame, words: Mapping[str, str] | None) -> pd.DataFrame:
    """Count faults by maker and stage, see `Makers.faults`; of several in a cell the first counts.

    `words` are the maker's own for faults.
    """
    lost = reeds[reeds["success"].eq(0) & reeds["fault"].notna()]
    main = lost["fault"].astype(str).map(lambda cell: main_fault(cell, words))
    frame = pd.DataFrame(
        {"maker": lost["maker"], "stage": lost["lost_at"].astype(object), "fault": main}
    )
    counted = frame.groupby(["maker", "stage", "fault"], dropna=False).size()
    return counted.rename("reeds").reset_index().sort_values(
        ["maker", "reeds"], ascending=[True, False], kind="stable", ignore_index=True
    )  # fmt: skip


def months_of(reeds: pd.DataFrame) -> pd.DataFrame:
    """Count each maker's reeds, and the good ones, by the month in which they were tied."""
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
        if len(reeds) > _MOST_REEDS:
            notes.append(
                f"Shares are of at most {_MOST_REEDS:,} of the {len(reeds):,} reeds, in whole lots "
                "drawn at random: the ranges would be narrower with all."
            )
    return tuple(notes)
