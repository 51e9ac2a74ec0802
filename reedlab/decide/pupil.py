"""What one maker made, where it went wrong, what to practise and what has become better."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reedlab.decide.answer import Answer, CannotAnswer, empty, question
from reedlab.decide.makers import (
    ACTS,
    FEWEST_FOR_A_CURVE,
    faults_by_stage,
    judged_alone,
    marks,
    months_of,
    progress,
    stage_shares,
    to_practise,
)
from reedlab.errors import DecisionError
from reedlab.records.tables import STAGES_OF_A_REED

FEWEST_OTHERS, FEWEST_OF_EACH = 3, 10
"""Others, and reeds of each, without which a comparison could show whose reeds they are."""

_CLEARLY = 0.9
"""Probability from which on something has become better: of two looks, few are then by chance."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Pupil(Answer):
    """One maker's reeds; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a stage at which a reed was lost: ``stage``, ``reached``, ``lost``, ``others``
        (share lost by the others of those that reached it; missing where fewer than three others
        have ten reeds each).
    maker
        Whose reeds they are.
    made
        Counts by ``made``, ``good``, ``playable``, ``lost``, ``waiting`` (not judged yet) and
        ``helped`` (a teacher helped; these count in no other figure but ``made``).
    worst
        The stage at which most were lost; ``""`` where none was.
    practise
        The stage to practise next; ``""`` where none was lost.
    others
        How many others the stages are compared with, 0 or three and more.
    faults
        What went wrong at `worst`: ``fault``, ``reeds``.
    better
        What is clearly better in the later half of the reeds than in the earlier: ``what``
        (``good`` or a stage), ``before`` and ``after`` (reeds in a hundred), ``probability``.
    months
        ``month``, ``reeds``, ``good``.
    curve
        The learning curve from twenty reeds on: ``month``, ``good``, ``low``, ``high``.
    marks
        Before that a mark for each reed: ``+`` good, ``-`` not.
    """

    table: pd.DataFrame = empty("stage", "reached", "lost", "others")
    maker: str = ""
    made: pd.Series | None = None
    worst: str = ""
    practise: str = ""
    others: int = 0
    faults: pd.DataFrame = empty("fault", "reeds")
    better: pd.DataFrame = empty("what", "before", "after", "probability")
    months: pd.DataFrame = empty("month", "reeds", "good")
    curve: pd.DataFrame = empty("month", "good", "low", "high")
    marks: str = ""

    def went_wrong(self) -> str:
        """Say where most were lost, and by what."""
        if not self.worst:
            return "No judged reed of yours was lost at a stage that is noted."
        stages = self.table.set_index("stage")
        lost, whole = int(stages.at[self.worst, "lost"]), int(self.table["lost"].sum())
        where = f"Most were lost at {ACTS[self.worst]}: {lost} of {whole}"
        if len(self.faults):
            named = [f"{row.fault} ({row.reeds})" for row in self.faults.head(2).itertuples()]
            where += f", most often {' and '.join(named)}"
        return f"{where}."

    def to_do(self) -> str:
        """Say the one thing to practise."""
        if not self.practise:
            return "Go on as you do, and note each reed."
        row = self.table.set_index("stage").loc[self.practise]
        here = f"{100 * row.lost / row.reached:.0f} in 100 of those that get there"
        beside = f", the others {100 * row.others:.0f}" if self.others else ""
        return f"Practise {ACTS[self.practise]}: you lose {here}{beside}."

    def has_become_better(self) -> list[str]:
        """Say what is clearly better than in the earlier half of the reeds."""
        said = []
        for row in self.better.itertuples():
            what = "Good reeds" if row.what == "good" else f"Lost at {ACTS[row.what]}"
            said.append(
                f"{what}: {row.after:.0f} in 100 in the later half of your reeds, "
                f"{row.before:.0f} before."
            )
        if said:
            return said
        if self.marks or self.made is None or self.curve.empty:
            return [f"From {FEWEST_FOR_A_CURVE} judged reeds on, this says what has become better."]
        return ["Nothing is clearly better yet in the later half of your reeds."]

    def _sentence(self) -> str:
        return f"{self.went_wrong()} {self.to_do()}"


@question(Pupil)
def pupil(bench: Any, maker: str, *, level: float = 0.9, seed: int = 1) -> Pupil:
    """Say what one maker made, where it went wrong most and what to practise, and nobody else's.

    It names no other maker, no lot and no price, and ranks nobody. Others are only in it as one
    group, where at least three of them have ten judged reeds each. Reeds in which a teacher helped
    count neither way.

    Parameters
    ----------
    bench : Bench
        The records.
    maker : str
        Whose reeds.
    level : float
        Of the learning curve's band, 0 to 1.
    seed : int
        Of the posteriors.

    Returns
    -------
    Pupil
        It describes. Hand it over as `reedlab.pupil_page`.

    Raises
    ------
    DecisionError
        When the records name no such maker.

    Examples
    --------
    >>> import reedlab as rl
    >>> answer = rl.pupil(rl.demo_bench(), "KL")
    >>> answer.worst, answer.others
    ('finish', 0)
    """
    mine = _made_by(bench, maker)
    name = str(mine["maker"].iloc[0])
    made = _counts(mine)
    try:
        judged = judged_alone(bench)
    except CannotAnswer:
        return Pupil(maker=name, made=made, level=level)
    own = judged[judged["maker"] == name].sort_values("tied_on", kind="stable")
    if own.empty:
        return Pupil(maker=name, made=made, level=level)
    sizes = judged.loc[judged["maker"] != name, "maker"].value_counts()
    others = sizes.index[sizes >= FEWEST_OF_EACH].tolist()
    others = others if len(others) >= FEWEST_OTHERS else []
    beside = judged[judged["maker"].isin(others)]
    stages = stage_shares(pd.concat([own, beside]), sorted([name, *others]), level, seed)
    table = _table(stages, name)
    worst = str(table.loc[table["lost"].idxmax(), "stage"]) if len(table) else ""
    stands_out, _, _ = to_practise(stages[stages["maker"] == name], bool(others))
    faults = faults_by_stage(own, bench.settings.words.get("fault"))
    _, curve = progress(own, level, seed)
    return Pupil(
        table=table,
        level=level,
        maker=name,
        made=made,
        worst=worst,
        practise=stands_out if others and stands_out else worst,
        others=len(others),
        faults=faults.loc[faults["stage"] == worst, ["fault", "reeds"]].reset_index(drop=True),
        better=_better(own, worst, seed),
        months=months_of(own).drop(columns="maker"),
        curve=curve,
        marks=marks(own),
    )


def _made_by(bench: Any, maker: str) -> pd.DataFrame:
    reeds = bench.reeds.dropna(subset="maker")
    mine = reeds[reeds["maker"].astype(str).str.casefold() == str(maker).strip().casefold()]
    if mine.empty:
        names = sorted(reeds["maker"].astype(str).unique())
        who = f"the makers are {', '.join(names)}" if names else "no reed names its maker"
        raise DecisionError(f"No reed here was made by {str(maker)!r}: {who}.")
    return mine


def _counts(mine: pd.DataFrame) -> pd.Series:
    helped = mine["helped"].notna()
    alone = mine[~helped]
    good, known = alone["success"] == 1, alone["success"].notna()
    playable = known & ~good & (alone["outcome"].astype(object) == "playable")
    return pd.Series(
        {
            "made": len(mine), "good": int(good.sum()), "playable": int(playable.sum()),
            "lost": int((known & ~good & ~playable).sum()), "waiting": int((~known).sum()),
            "helped": int(helped.sum()),
        }
    )  # fmt: skip


def _table(stages: pd.DataFrame, name: str) -> pd.DataFrame:
    """One row a stage at which this maker lost a reed; the others only as one group."""
    own = stages[(stages["maker"] == name) & (stages["lost"] > 0)]
    beside = stages[stages["maker"] != name].groupby("stage", observed=True)[["lost", "reached"]]
    group = beside.sum()
    share = (group["lost"] / group["reached"]).reindex(own["stage"]).to_numpy(float)
    columns = own[["stage", "reached", "lost"]].assign(stage=own["stage"].astype(str))
    return columns.assign(others=share).reset_index(drop=True)


def _better(own: pd.DataFrame, worst: str, seed: int) -> pd.DataFrame:
    """Compare the halves of a maker's reeds: good ones, and those lost where most were."""
    columns = ["what", "before", "after", "probability"]
    if len(own) < FEWEST_FOR_A_CURVE:
        return pd.DataFrame(columns=columns)
    rng, half = np.random.default_rng(seed), len(own) // 2
    looked_at = {"good": (own["success"] == 1, 1)}
    if worst:
        order = {stage: at for at, stage in enumerate(STAGES_OF_A_REED)}
        at = own["lost_at"].astype(object).map(order)
        reached = (at >= order[worst]) | (own["success"] == 1)
        looked_at[worst] = ((at == order[worst]).where(reached), -1)
    found = []
    for what, (hit, sign) in looked_at.items():
        halves = [part.dropna().astype(float) for part in (hit.iloc[:half], hit.iloc[half:])]
        if not all(map(len, halves)):
            continue
        before, after = (
            rng.beta(part.sum() + 0.5, len(part) - part.sum() + 0.5, 4000) for part in halves
        )
        probability = float((sign * (after - before) > 0).mean())
        if probability >= _CLEARLY:
            found.append((what, *(100 * part.mean() for part in halves), probability))
    return pd.DataFrame(found, columns=columns)
