"""A pupil's page in a browser: readable by anyone, light and dark, on a phone and on a desk."""

from dataclasses import replace

import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe

import reedlab as rl

MONTHS = pd.date_range("2026-01-01", periods=4, freq="MS")
CURVE = pd.DataFrame({"month": MONTHS, "good": [0.3, 0.4, 0.5, 0.6], "low": 0.1, "high": 0.8})
SHARES = pd.DataFrame({"month": MONTHS, "reeds": [4, 6, 8, 6], "good": [1, 3, 4, 4]})


@pytest.fixture(scope="module")
def young():
    reeds = pd.DataFrame(
        {"reed": [*"123456"], "lot": "L1", "maker": "MR", "tied_on": "2026-01-02",
         "outcome": ["good", "reject"] * 3, "lost_at": [None, "finish"] * 3}
    )  # fmt: skip
    lots = pd.DataFrame({"lot": ["L1"], "supplier": ["ochre"]})
    return rl.pupil(rl.Bench.from_tables({"lots": lots, "reeds": reeds}), "MR")


def test_axe_finds_no_fault_on_a_pupils_page(browser, young):
    older = replace(young, marks="", curve=CURVE, months=SHARES, others=3)
    with browser.new_context() as context:
        page = context.new_page()
        for answer in (young, older):
            page.set_content(rl.pupil_page(answer))
            for scheme, wide in (("light", 390), ("dark", 390), ("light", 1280), ("dark", 1280)):
                page.emulate_media(color_scheme=scheme)
                page.set_viewport_size({"width": wide, "height": 800})
                problems = Axe().run(page).response["violations"]
                assert not problems, [(p["id"], p["nodes"][0]["html"]) for p in problems]
                assert page.evaluate("document.documentElement.scrollWidth") <= wide
