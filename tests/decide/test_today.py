"""What there is to do today, followed by hand on a small bench."""

import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.orders.blanks_in_progress import blanks, overdue_days, stock
from reedlab.records import Bench, Settings

LOTS = pd.DataFrame(
    {
        "lot": ["L1", "L2"],
        "supplier": ["ochre", "olive"],
        "bought_on": "2026-01-01",
        "quantity": [20, 10],
        "quantity_unit": "piece",
    }
)


def bench(reeds, orders=None, settings=None, air=None, today="2026-03-10"):
    columns = ["reed", "lot", "tied_on", "rough_on", "finished_on", "outcome"]
    frame = pd.DataFrame(reeds, columns=columns).assign(maker="KL")
    tables = {"lots": LOTS, "reeds": frame}
    tables |= {} if orders is None else {"orders": pd.DataFrame(orders)}
    tables |= {} if air is None else {"air": pd.DataFrame(air)}
    return Bench.from_tables(tables, settings=settings, today=today)


IN_PROGRESS = [
    ("1", "L1", "2026-03-07", None, None, None),
    ("2", "L1", "2026-03-07", None, None, None),
    ("3", "L1", "2026-03-05", "2026-03-08", None, None),
    ("4", "L2", "2026-03-01", "2026-03-02", "2026-03-09", None),
    ("5", "L2", "2026-03-10", None, None, None),  # still resting
    ("6", "L2", "2026-02-20", "2026-02-21", "2026-02-22", "good"),
]


def test_a_blank_waits_for_the_step_after_the_last_that_is_noted():
    found = blanks(bench(IN_PROGRESS)).set_index("reed")
    assert found["step"].to_dict() == {
        "4": "play", "3": "finish", "1": "rough", "2": "rough", "5": "rough",
    }  # fmt: skip
    assert found.loc["3", "since"] == pd.Timestamp("2026-03-08")
    assert found.loc["3", "ready_on"] == pd.Timestamp("2026-03-09")
    assert "6" not in found.index


def test_the_day_lists_what_has_rested_and_no_other():
    table = rl.today(bench(IN_PROGRESS)).table
    said = table[["group", "what", "reeds"]].to_numpy().tolist()
    assert said[:3] == [
        ["FINISH", "1 of L1", "3"], ["ROUGH", "2 of L1", "1, 2"], ["PLAY", "1 of L2", "4"],
    ]  # fmt: skip
    assert not table["reeds"].str.contains("5").any()


def test_rests_of_the_maker_count():
    slow = Settings(steps={"rough": 5, "finish": 0, "play": 0})
    said = rl.today(bench(IN_PROGRESS, settings=slow)).table
    assert "ROUGH" not in set(said["group"])


def test_where_only_tying_is_noted_nothing_is_said_of_the_next_step():
    tied = [(*row[:3], None, None, row[5]) for row in IN_PROGRESS]
    said = rl.today(bench(tied)).table
    lines = said[said["group"] == "TIED"]
    assert lines["since"].tolist()[:2] == ["tied 9 days ago", "tied Thu"]
    assert not {"ROUGH", "FINISH", "PLAY"} & set(said["group"])


def test_a_blank_that_waits_longer_than_nine_in_ten_is_named_and_can_be_seen_again():
    known = [(f"k{i}", "L1", "2025-09-01", "2025-09-02", "2025-09-08", "good") for i in range(20)]
    forgotten = ("412", "L1", "2025-10-01", None, None, None)
    one = bench([*known, forgotten])
    assert overdue_days(one.reeds) == 7
    assert rl.today(one).table.query("group == 'WAITING'")["reeds"].tolist() == ["412"]
    reeds = one.tables["reeds"].reset_index(drop=True)
    seen = Bench.from_tables(
        {"lots": LOTS, "reeds": reeds.assign(seen_on=pd.Timestamp("2026-03-09"))},
        today="2026-03-10",
    )
    assert "WAITING" not in set(rl.today(seen).table["group"])


def test_no_more_than_twelve_lines():
    many = [(str(i), "L1", f"2026-02-{i + 1:02}", None, None, None) for i in range(25)]
    many.append(("r", "L1", "2026-02-01", "2026-02-02", None, None))
    many.append(("f", "L1", "2026-02-01", "2026-02-02", "2026-03-01", None))
    said = rl.today(bench(many))
    assert len(said.table) == len(said.lines()) == 12
    assert {"FINISH", "PLAY", "CANE"} <= set(said.table["group"])


def test_nothing_to_do_is_said():
    done = [("6", "L2", "2026-02-20", "2026-02-21", "2026-02-22", "good")]
    lots = LOTS.assign(quantity=None)
    answer = rl.today(
        Bench.from_tables({"lots": lots, "reeds": bench(done).tables["reeds"]}, today="2026-03-10")
    )
    assert answer.unanswered and answer.table.empty
    assert list(answer.table.columns) == ["group", "what", "since", "places", "reeds"]


def test_the_air_of_today_names_the_heart_that_was_left_at_it():
    hearts = [0.44, 0.45, 0.46, 0.47, 0.43]
    reeds = pd.DataFrame(
        {
            "reed": [str(i) for i in range(6)], "lot": "L1", "maker": "KL", "tied_on": "2026-01-05",
            "outcome": None, "rh_pct": [40, 41, 38, 39, 42, 70],
            "heart_thickness_mm": [*hearts, 0.60],
        }
    )  # fmt: skip
    air = pd.DataFrame({"time": ["2026-03-10 08:00"], "rh_pct": [40.0], "temp_c": [20.0]})
    tables = {"lots": LOTS, "reeds": reeds, "air": air}
    assert rl.today(Bench.from_tables(tables, today="2026-03-10")).room.endswith("heart 0.45 mm")
    stale = rl.today(Bench.from_tables(tables, today="2026-03-20"))
    assert stale.room == ""


def test_stock_is_what_is_good_and_neither_sold_nor_sent():
    reeds = pd.DataFrame(
        {
            "reed": list("abcde"), "lot": "L1", "maker": "KL", "tied_on": "2026-01-05",
            "outcome": ["good", "good", "good", "reject", "good"],
            "sold_on": ["2026-02-01", None, None, None, None],
            "order": [None, None, "K1", None, None],
            "for_sale": [None, None, None, None, "no"],
        }
    )  # fmt: skip
    orders = pd.DataFrame(
        {"order": ["K1"], "reeds": [1], "by": ["2026-02-10"], "sent_on": ["2026-02-08"]}
    )
    made = Bench.from_tables({"lots": LOTS, "reeds": reeds, "orders": orders}, today="2026-03-10")
    assert stock(made)["reed"].tolist() == ["b"]


@pytest.mark.parametrize("by", ["2026-03-05", "2026-04-05"])
def test_an_order_may_be_due_in_the_future_and_says_when_it_was_due(by):
    orders = {"order": ["K7"], "reeds": [3], "by": [by]}
    made = bench(IN_PROGRESS, orders=orders)
    assert made.findings.query("table == 'orders' and severity == 'error'").empty
