"""What the simulated makers record of the cane: lots, pieces, tally, air and gauge."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reedlab.cane.gouge import volume_mm3
from reedlab.simulate.world import DENSITY, MAKERS

_FORMS = ("tube", "gouged", "split", "gouged", "shaped")
_PIECE_PRICE = {"tube": 0.75, "split": 1.15, "gouged": 1.95, "shaped": 2.70}
_STAGES = {
    "tube": ("split", "sort", "gouge", "shape"),
    "split": ("sort", "gouge", "shape"),
    "gouged": ("sort", "shape"),
    "shaped": ("sort", "fold"),
}
_KEPT = {"split": 0.93, "sort": 0.80, "gouge": 0.93, "shape": 0.95, "fold": 0.97}
_MINUTES = {"split": 0.4, "sort": 0.25, "gouge": 2.2, "shape": 1.4, "fold": 0.4}
_REASONS = {
    "split": "cracked",
    "sort": "bowed or twisted",
    "gouge": "chipped edge",
    "shape": "torn edge",
    "fold": "cracked at the fold",
}
_GROWERS = ("grower 1", "grower 2", "grower 3")


def lots_table(rng: np.random.Generator, bought: pd.DataFrame, made: pd.DataFrame) -> pd.DataFrame:
    """Write the table of lots, and for the tally `pieces` (bought) and `pieces_out` (tied).

    `bought` is from `draw_lots`; `made` has one row a reed, with its lot.
    """
    order = {s: i for i, s in enumerate(sorted(bought["supplier"].unique()))}
    rows = []
    for lot in bought.itertuples():
        place = order[lot.supplier]
        form = _FORMS[(place + int(rng.random() < 0.15)) % len(_FORMS)]
        pieces_out = int((made["lot"] == lot.lot).sum() + rng.integers(0, 6))
        pieces = pieces_out
        for stage in reversed(_STAGES[form]):
            pieces = round(pieces / min(0.99, _KEPT[stage] + rng.uniform(-0.05, 0.04)))
        pieces = 3 * -(-pieces // 3) if form == "tube" else 5 * -(-pieces // 5)
        gouged = form in ("gouged", "shaped")
        tubes, weighed = pieces // 3, form == "tube" and rng.random() < 0.25
        least = float(rng.choice([10.0, 10.0, 10.5]))
        rows.append(
            {
                "lot": lot.lot,
                "supplier": lot.supplier,
                "grower": _GROWERS[int(rng.integers(0, 3))] if rng.random() < 0.7 else None,
                "bought_on": lot.bought_on,
                "harvest_year": lot.bought_on.year - 2 if rng.random() < 0.5 else np.nan,
                "form": form,
                "quantity": tubes * 9 if weighed else tubes if form == "tube" else pieces,
                "quantity_unit": "g" if weighed else "tube" if form == "tube" else "piece",
                "price": round(pieces * _PIECE_PRICE[form] * rng.uniform(0.85, 1.2), 2),
                "freight": round(rng.uniform(6, 16), 2),
                "currency": "EUR",
                "diameter_min_mm": least,
                "diameter_max_mm": least + 0.5,
                "nominal_gouge_mm": 0.59 if gouged else np.nan,
                "hardness_class": rng.choice(["soft", "medium", "hard"], p=[0.2, 0.6, 0.2]),
                "pieces": pieces,
                "pieces_out": pieces_out,
            }
        )
    return pd.DataFrame(rows)


def tally_table(rng: np.random.Generator, lots: pd.DataFrame, made: pd.DataFrame) -> pd.DataFrame:
    """Write the tally: pieces through the stages before tying, for four lots in five.

    `lots` is from `lots_table`.
    """
    first_tied = made.groupby("lot")["tied_on"].min()
    rows = []
    for lot in lots.itertuples():
        if rng.random() < 0.2:
            continue
        stages = _STAGES[lot.form]
        pieces = lot.pieces
        weights = np.array([1 - _KEPT[stage] for stage in stages])
        lost = rng.multinomial(pieces - lot.pieces_out, weights / weights.sum())
        date = first_tied[lot.lot] - pd.Timedelta(days=len(stages))
        for stage, fewer in zip(stages, lost, strict=True):
            rows.append(
                {
                    "lot": lot.lot,
                    "date": date,
                    "maker": MAKERS[0],
                    "stage": stage,
                    "pieces_in": pieces,
                    "pieces_out": pieces - int(fewer),
                    "minutes": round(2 + pieces * _MINUTES[stage] * rng.uniform(0.8, 1.25)),
                    "reason": _REASONS[stage] if fewer else None,
                }
            )
            pieces -= int(fewer)
            date += pd.Timedelta(days=1)
    columns = ["lot", "date", "maker", "stage", "pieces_in", "pieces_out", "minutes", "reason"]
    return pd.DataFrame(rows, columns=columns)


def pieces_table(
    rng: np.random.Generator, made: pd.DataFrame, lots: pd.DataFrame, tallied: set[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Write the measured pieces: every gouged piece of about half of the lots.

    They include pieces passed over, which are marked as lost only if no tally counts them. `made`
    has one row a reed, with its piece's true properties, and comes back with the label of its
    piece; `lots` is from `lots_table`, `tallied` are the lots of the tally.
    """
    measured = set(rng.choice(lots["lot"], round(0.5 * len(lots)), replace=False))
    tied = made[made["lot"].isin(measured)]
    frame = tied[
        [
            "reed",
            "lot",
            "tube_index",
            "density_dev",
            "hardness_dev",
            "diameter_mm",
            "gouge_asymmetry_mm",
            "gouge_centre_mm",
            "tied_on",
        ]
    ].assign(straightness=np.where(tied["bowed"], "slight", "straight"))
    passed = frame.groupby("lot", group_keys=False).sample(frac=0.12, random_state=rng)
    passed = passed.assign(
        reed=None,
        straightness=rng.choice(["slight", "reject"], len(passed)),
        gouge_asymmetry_mm=1.8 * passed["gouge_asymmetry_mm"],
        density_dev=passed["density_dev"] + rng.normal(0.02, 0.03, len(passed)),
    )
    frame = pd.concat([frame, passed]).sort_values(["lot", "tube_index"], kind="stable")
    frame = frame.reset_index(drop=True)
    frame["piece"] = frame["lot"] + "-" + (frame.groupby("lot").cumcount() + 1).astype(str)
    label = frame.dropna(subset="reed").set_index("reed")["piece"]
    made = made.assign(piece=made["reed"].map(label))
    return _measured(rng, frame, lots.set_index("lot")["form"], tallied), made


def _measured(
    rng: np.random.Generator, frame: pd.DataFrame, form: pd.Series, tallied: set[str]
) -> pd.DataFrame:
    """Turn true properties into readings with each instrument's error and resolution."""
    n = len(frame)
    density = DENSITY + frame["density_dev"]
    shaped = frame["lot"].map(form).eq("shaped").to_numpy()
    length = rng.normal(74.6, 0.4, n).round(1)
    side = 0.48 - 1.3 * (0.59 - frame["gouge_centre_mm"]) + rng.normal(0.0, 0.004, n)
    # Cane bought gouged is measured before the first tying, other cane the day before its own.
    bought_gouged = frame["lot"].map(form).isin(["gouged", "shaped"])
    first_tied = frame.groupby("lot")["tied_on"].transform("min")
    on_day = frame["tied_on"].mask(bought_gouged, first_tied) - pd.Timedelta(days=1)
    floated = frame["lot"].map(dict(zip(form.index, rng.random(len(form)) < 0.7))).to_numpy()
    # Density that was not measured by floating comes from mass and volume.
    balance = rng.spawn(1)[0]
    width = balance.normal(8.8, 0.08, n).round(1)
    size = volume_mm3(
        length, width, frame["diameter_mm"], frame["gouge_centre_mm"], side, side, 3.0
    )
    mass = (density * size / 1000 + balance.normal(0.0, 0.0005, n)).round(3)
    weighed = ~floated & ~shaped
    lost = frame["reed"].isna()
    stage = pd.Series(np.where(shaped, "fold", "shape"))
    return pd.DataFrame(
        {
            "piece": frame["piece"],
            "lot": frame["lot"],
            "tube": frame["lot"] + " t" + (frame["tube_index"] + 1).astype(str),
            "measured_state": np.where(shaped, "shaped", "gouged"),
            "wet": False,
            "diameter_mm": frame["diameter_mm"].round(1),
            "length_mm": length,
            "width_mm": np.where(weighed, width, np.nan),
            "mass_g": np.where(weighed, mass, np.nan),
            "gouge_centre_mm": frame["gouge_centre_mm"].round(2),
            "gouge_left_mm": (side + frame["gouge_asymmetry_mm"] / 2).round(2),
            "gouge_right_mm": (side - frame["gouge_asymmetry_mm"] / 2).round(2),
            "gouge_side_at_mm": 3.0,
            "float_submerged_mm": np.where(
                floated, (length * density + rng.normal(0.0, 0.4, n)).round(1), np.nan
            ),
            "density_g_cm3": np.where(
                floated, np.nan, (density + rng.normal(0.0, 0.008, n)).round(3)
            ),
            "hardness": (14.0 + 1.5 * frame["hardness_dev"] + rng.normal(0.0, 0.5, n)).round(1),
            "hardness_gauge": "H1",
            "straightness": frame["straightness"],
            "measured_on": on_day,
            "lost_at": stage.where(lost & ~frame["lot"].isin(tallied)),
            "fault": pd.Series("passed over after measuring", index=range(n)).where(lost),
        }
    )


def air_table(air: pd.DataFrame) -> pd.DataFrame:
    """Write the logger's readings, rh_pct and temp_c: one a day, with a gap of five weeks."""
    flat = (air.index >= "2025-08-04") & (air.index < "2025-09-08")
    kept = air[~flat]
    return pd.DataFrame(
        {
            "time": kept.index + pd.Timedelta(hours=9),
            "rh_pct": kept["rh_pct"].to_numpy(),
            "temp_c": kept["temp_c"].to_numpy(),
        }
    )


def gauge_table(rng: np.random.Generator, pieces: pd.DataFrame, made: pd.DataFrame) -> pd.DataFrame:
    """Write a repeatability study: ten pieces, measured three times by each maker.

    It is of centre thickness (mm) and hardness; each maker has a bias.
    """
    chosen = pieces.iloc[np.linspace(0, len(pieces) - 1, min(10, len(pieces))).astype(int)]
    errors = {"gouge_centre_mm": (0.004, 0.003, 2), "hardness": (0.5, 0.4, 1)}
    rows = []
    for quantity, (repeat, between, digits) in errors.items():
        for operator in sorted(made["maker"].unique()):
            bias = rng.normal(0.0, between)
            for piece, true in zip(chosen["piece"], chosen[quantity], strict=True):
                for trial in (1, 2, 3):
                    value = round(true + bias + rng.normal(0.0, repeat), digits)
                    rows.append((piece, quantity, operator, trial, value))
    return pd.DataFrame(rows, columns=["piece", "quantity", "operator", "trial", "value"])
