"""Where reeds are lost: counts of the records, which claim nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from reedlab.decide.answer import About, Answer, CannotAnswer, RecordNext, empty, question
from reedlab.decide.piece_flow import COUNTS, left_out
from reedlab.elementary import with_wilson
from reedlab.records.tables import STAGES_OF_A_REED

NOT_NOTED = "not noted"
"""The stage of a reed of which `lost_at` is empty."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Losses(Answer):
    """Where reeds and pieces are lost; see `Answer` for the rest of it.

    Attributes
    ----------
    table
        One row a stage in the order of the work, then "not noted": ``stage``, ``lost``, ``tied``
        (settled reeds with an outcome), ``share``, ``low``, ``high``. No row where reeds were lost
        and no stage is noted: what is not known is no zero.
    judged, failed
        Settled reeds with an outcome, and those of them that failed.
    left_out
        What every answer from reeds with an outcome leaves out, by supplier; see
        `piece_flow.left_out`.
    before_tying
        One row a lot with a tally: ``lot`` (with its supplier), ``pieces_in``, ``pieces_kept``,
        ``share``, ``low``, ``high``.
    """

    table: pd.DataFrame = empty("stage", "lost", "tied", "share", "low", "high")
    judged: int = 0
    failed: int = 0
    left_out: pd.DataFrame = empty("supplier", *COUNTS)
    before_tying: pd.DataFrame = empty("lot", "pieces_in", "pieces_kept", "share", "low", "high")

    @property
    def worst(self) -> str:
        """The stage that loses most reeds; ``""`` where none is noted."""
        noted = self.table[(self.table["stage"] != NOT_NOTED) & (self.table["lost"] > 0)]
        by_losses = noted.sort_values("lost", kind="stable")
        return "" if noted.empty else str(by_losses["stage"].iloc[-1])

    def _sentence(self) -> str:
        if not self.failed:
            return f"None of {self.judged} settled reeds was lost."
        if not self.worst:
            return f"At which stage {self.failed} reeds were lost is not noted."
        lost = self.table.set_index("stage").loc[self.worst, "lost"]
        return (
            f"The stage that loses most is '{self.worst}', with {lost} of {self.judged} settled "
            "reeds."
        )


@question(Losses)
def losses(bench: Any, *, level: float = 0.9, seed: int = 1) -> Losses:
    """Count where reeds are lost, stage by stage, and how many pieces of each lot are tied.

    Reeds of one lot are alike, so Wilson's interval, which takes them one by one, describes these
    records and is too narrow for the next lot.

    Parameters
    ----------
    bench : Bench
        The records.
    level : float
        Of the intervals, 0 to 1.
    seed : int
        As for every question; nothing is drawn here.

    Returns
    -------
    Losses
        Its verdict describes. The records cannot answer before a settled reed has an outcome.

    Examples
    --------
    >>> import reedlab as rl
    >>> bench, truth = rl.simulate_bench(seed=1, suppliers=3, reeds=150, years=1)
    >>> rl.losses(bench).table["stage"].tolist()
    ['tie', 'rough', 'dry', 'clip', 'finish', 'play', 'not noted']
    """
    reeds = bench.reeds
    settled = reeds[reeds["settled"] & reeds["status"].isin(["success", "failure"])]
    if settled.empty:
        raise CannotAnswer(
            "No settled reed has an outcome yet.",
            RecordNext("Record the outcome of each reed once it is known.", about=About.ENDS),
        )
    failed = settled.loc[settled["status"] == "failure", "lost_at"].astype(object)
    lost = failed.fillna(NOT_NOTED).value_counts()
    lost = lost.reindex([*STAGES_OF_A_REED, NOT_NOTED], fill_value=0)
    table = pd.DataFrame({"stage": lost.index, "lost": lost.to_numpy(), "tied": len(settled)})
    unnoted = int(lost[NOT_NOTED])
    if 0 < unnoted == len(failed):
        table = table[:0]
    counts, says = left_out(bench)
    return Losses(
        table=with_wilson(table, "lost", "tied", level),
        judged=len(settled),
        failed=len(failed),
        level=level,
        notes=(says,),
        record_next=RecordNext("Note at which stage each reed was lost.", about=About.STAGES)
        if unnoted
        else None,
        left_out=counts,
        before_tying=_before_tying(bench.losses, level),
    )


def _before_tying(frame: pd.DataFrame, level: float) -> pd.DataFrame:
    """Count each lot's pieces that were tied, where the tally has them; see `Losses`."""
    known = frame.dropna(subset=["yield_before_tying", "pieces_in"])
    kept = known["pieces_in"] * known["yield_before_tying"]
    lots = pd.DataFrame(
        {
            "lot": known["supplier"].astype(str) + " " + known["lot"].astype(str),
            "pieces_in": known["pieces_in"].astype(int),
            "pieces_kept": kept.round().astype(int),
        }
    )
    return with_wilson(
        lots.sort_values("lot", ignore_index=True), "pieces_kept", "pieces_in", level
    )
