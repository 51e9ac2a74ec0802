"""What the simulated makers record of the reeds, with the gaps of real records."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from reedlab.simulate.world import World

_TIMED_TOGETHER = 0.4
_PRICE = {"A": 34.0, "B": 28.0, "C": 21.0}
_FAULTS = {
    "tie": "cracked while tying",
    "rough": "leaks at the sides",
    "dry": "warped overnight",
    "clip": "tip chipped",
    "finish": "dull, no ring",
    "play": "dead on the third day",
}


def reeds_table(
    rng: np.random.Generator, made: pd.DataFrame, ends: pd.DataFrame, last_day: pd.Timestamp
) -> pd.DataFrame:
    """Write the table of reeds as they were made; those not judged by the last day are pending."""
    known = ends["judged_on"] <= last_day
    whole = ends["lost_at"].isin(["finish", "play"]) | ends["outcome"].isin(["good", "playable"])
    finished = whole & (made["finished_on"] <= last_day)
    roughed = (ends["lost_at"] != "tie") & (made["rough_on"] <= last_day)
    apart = ~_together(made)
    n = len(made)

    def some(values: Any, share: float, where: Any = True) -> pd.Series:
        return pd.Series(values, index=made.index).where(where & (rng.random(n) < share))

    good = ends["outcome"] == "good"
    grade = pd.cut(made["latent"], [-np.inf, 0.8, 2.2, np.inf], labels=["C", "B", "A"]).astype(str)
    sold = good & known & (rng.random(n) < 0.85)
    price = grade.map(_PRICE) + rng.choice([-2.0, 0.0, 0.0, 2.0], n)
    returned = sold & (rng.random(n) < np.where(made["latent"] < 0.8, 0.10, 0.02))
    returned_on = ends["judged_on"] + pd.to_timedelta(rng.integers(9, 40, n), unit="D")
    returned &= returned_on <= last_day
    low = made["latent"] + rng.logistic(size=n)
    drier = 9.0 - made["moisture_pct"]
    return pd.DataFrame(
        {
            "reed": made["reed"],
            "lot": made["lot"],
            "piece": made["piece"],
            "maker": made["maker"],
            "tied_on": made["tied_on"],
            "outcome": ends["outcome"].where(known),
            "style": "long",
            "shape": some(np.where(made["maker_index"] == 0, "S2", "S3"), 0.9),
            "staple_mm": some(47.0, 0.8),
            "tied_mm": some(rng.normal(72.4, 0.3, n).round(1), 0.85),
            "rough_on": made["rough_on"].where(roughed),
            "rough_tip_from_end_mm": some(rng.normal(5.5, 0.4, n).round(1), 0.4, roughed),
            "tip_thickness_mm": some(
                (0.095 + 0.004 * drier + rng.normal(0, 0.008, n)).round(2), 0.35, roughed
            ),
            "heart_thickness_mm": some(
                (0.47 + 0.006 * drier + rng.normal(0, 0.015, n)).round(2), 0.35, roughed
            ),
            "back_thickness_mm": some(
                (0.45 + 0.006 * drier + rng.normal(0, 0.015, n)).round(2), 0.35, roughed
            ),
            "rough_min": some(ends["rough_min"], 0.92, roughed & apart),
            "finish_min": some(ends["finish_min"], 0.92, finished & apart),
            "rh_pct": some(made["rh_pct"], 0.3, roughed),
            "temp_c": some(made["temp_c"], 0.25, roughed),
            "finished_on": made["finished_on"].where(finished),
            "finished_length_mm": some(rng.normal(70.0, 0.33, n).round(1), 0.5, finished),
            "opening": some(
                np.select([low < -1.2, low > 2.5], ["small", "large"], "medium"), 0.75, roughed
            ),
            "crow": some(_crow(rng, made["latent"].to_numpy()), 0.7, roughed),
            "response": some(_marks(rng, made["latent"]), 0.55, finished),
            "stability": some(_marks(rng, made["latent"]), 0.55, finished),
            "lost_at": ends["lost_at"].where(known),
            "fault": some(ends["lost_at"].map(_FAULTS), 0.6, known),
            "grade": grade.where(good & known),
            "judge": some(made["maker"], 0.9, known),
            "judged_on": ends["judged_on"].where(known),
            "sold_for": price.where(sold),
            "returned_on": returned_on.where(returned),
            "return_reason": pd.Series(
                rng.choice(["too closed", "flat at the top", "lost its ring"], n)
            ).where(returned),
        }
    )


def endings(
    rng: np.random.Generator, world: World, bought: pd.DataFrame, made: pd.DataFrame
) -> pd.DataFrame:
    """Draw how each reed ends, at which stage, on which day, and its minutes of each scrape.

    A failure with few minutes for its lot is given up early, with all its minutes in the rough
    scrape; one with many minutes is rejected after finishing. So minutes given failure keep the
    log-normal distribution of `World`. One row a reed: outcome, lost_at, rough_min, finish_min,
    judged_on.
    """
    n = len(made)
    lot_minutes = (bought["minutes_effect"] + bought["supplier_minutes"]).to_numpy()
    spent = np.log(made["minutes"]) - world.log_minutes(made) - lot_minutes[made["lot_index"]]
    rank = (spent - world.failure) / world.failure_sd + 0.5 * rng.normal(size=n)
    draw = rng.random(n)
    early = rank < -0.3
    outcome = np.select(
        [made["good"], draw < 0.04, early, draw < 0.12, draw < 0.6],
        ["good", "broken", "given_up", "broken", "reject"],
        "playable",
    )
    stage = np.select(
        [(outcome == "broken") & (draw < 0.04), outcome == "broken", outcome == "reject"],
        ["tie", "clip", "finish"],
        "",
    ).astype(object)
    gave_up = outcome == "given_up"
    stage[gave_up] = rng.choice(["rough", "dry", "clip"], gave_up.sum(), p=[0.5, 0.3, 0.2])
    dead = (outcome == "reject") & (rng.random(n) < 0.2)
    stage[dead] = "play"
    whole = np.isin(outcome, ("good", "playable", "reject"))
    share = np.where(whole, np.clip(rng.normal(0.43, 0.07, n), 0.2, 0.7), 1.0)
    rough = np.maximum(1.0, (made["minutes"] * share).round(0))
    finish = np.where(whole, np.maximum(1.0, (made["minutes"] - rough).round(0)), np.nan)
    wait = np.select([np.isin(outcome, ("good", "playable")), dead], [rng.integers(1, 9, n), 3], 0)
    judged = made["finished_on"] + pd.to_timedelta(wait, unit="D")
    judged = judged.where(
        whole, made["rough_on"] + pd.to_timedelta((stage != "rough").astype(int), unit="D")
    )
    judged = judged.where(stage != "tie", made["tied_on"])
    return pd.DataFrame(
        {
            "outcome": outcome,
            "lost_at": pd.Series(stage).replace("", None),
            "rough_min": rough,
            "finish_min": finish,
            "judged_on": judged,
        }
    )


def _together(made: pd.DataFrame) -> pd.Series:
    """Say whether a reed's batch was timed together: the same for every table."""
    return (made["batch"] * 0.618034) % 1.0 < _TIMED_TOGETHER


def sittings_table(made: pd.DataFrame, ends: pd.DataFrame, last_day: pd.Timestamp) -> pd.DataFrame:
    """Write the table of sittings: batches that were timed together."""
    frame = made[["reed", "maker", "batch", "rough_on", "finished_on", "rh_pct", "temp_c"]].join(
        ends[["rough_min", "finish_min", "lost_at"]]
    )
    frame = frame[_together(made) & (frame["lost_at"] != "tie")]
    rows = []
    for _, batch in frame.groupby("batch"):
        for stage, day in (("rough", "rough_on"), ("finish", "finished_on")):
            worked = batch.dropna(subset=f"{stage}_min")
            if worked.empty or worked[day].iloc[0] > last_day:
                continue
            rows.append(
                {
                    "date": worked[day].iloc[0],
                    "maker": worked["maker"].iloc[0],
                    "stage": stage,
                    "reeds": "; ".join(worked["reed"]),
                    "minutes": worked[f"{stage}_min"].sum(),
                    "rh_pct": worked["rh_pct"].iloc[0] if stage == "rough" else np.nan,
                    "temp_c": worked["temp_c"].iloc[0] if stage == "rough" else np.nan,
                }
            )
    return pd.DataFrame(rows).sort_values(["date", "stage"], ignore_index=True)


def _crow(rng: np.random.Generator, latent: np.ndarray) -> np.ndarray:
    noisy = latent + 1.5 * rng.logistic(size=len(latent))
    return np.select([noisy < -1.5, noisy > 4.0], ["flat", "sharp"], "on")


def _marks(rng: np.random.Generator, latent: pd.Series) -> np.ndarray:
    return np.clip(np.round(3.2 + 0.45 * latent + rng.normal(0, 0.7, len(latent))), 1, 5)
