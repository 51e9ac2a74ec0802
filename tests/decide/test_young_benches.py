"""Young and odd benches: every question answers or says why it cannot, and none ends in a fault.

The ordinary run makes 7 benches, one odd in each way; with ``REEDLAB_YOUNG=60`` in the environment
it makes as many as that says. A seed decides how a bench is odd, its size and which tables it has.
"""

import math
import os
import random
import warnings

import matplotlib.pyplot as plt
import pandas as pd
import pytest

import reedlab as rl
from reedlab.decide.answer import Answer
from reedlab.decide.evidence import gather
from reedlab.decide.shared_models.models import fit_reeds
from reedlab.errors import ReedlabError
from reedlab.mixed.posterior.prior_check import beside
from reedlab.records import Bench
from reedlab.simulate.workshop import simulate_tables
from reedlab.simulate.world import World

BENCHES = int(os.environ.get("REEDLAB_YOUNG", "7"))
MINUTES = ["rough_min", "finish_min"]
OPTIONAL = ["pieces", "tally", "sittings", "air", "gauge"]
CANE = ["density_g_cm3", "gouge_centre_mm"]


# Each takes a bench's tables and makes them odd.


def all_good(tables):
    reeds = tables["reeds"]
    tables["reeds"] = reeds.assign(outcome=reeds["outcome"].where(reeds["outcome"].isna(), "good"))


def all_bad(tables):
    reeds = tables["reeds"]
    tables["reeds"] = reeds.assign(
        outcome=reeds["outcome"].where(reeds["outcome"].isna(), "reject"), sold_for=None
    )


def one_day(tables):
    reeds = tables["reeds"].drop(columns=["rough_on", "finished_on", "judged_on"])
    tables["reeds"] = reeds.assign(tied_on=reeds["tied_on"].iloc[0])


def one_lot(tables):
    lot = tables["reeds"]["lot"].mode().iloc[0]
    for name in ("lots", "reeds", "pieces", "tally"):
        if name in tables:
            tables[name] = tables[name][tables[name]["lot"] == lot]


def unknown_minutes(tables):
    tables["reeds"] = tables["reeds"].drop(columns=MINUTES)
    tables.pop("sittings", None)


def few_measured(tables):
    if "pieces" in tables:
        tables["pieces"] = tables["pieces"].iloc[::4]


def as_it_is(tables):
    pass


ODD = [as_it_is, all_good, one_day, few_measured, all_bad, one_lot, unknown_minutes]


def made(seed: int) -> Bench:
    """Make the bench of a seed: 3 to 400 reeds, 1 to 6 suppliers, 1 to 3 makers."""
    chance = random.Random(seed)
    size = 3 if seed == 0 else round(math.exp(chance.uniform(math.log(3), math.log(400))))
    suppliers, makers = chance.randint(1, 6), chance.randint(1, 3)
    most = chance.randint(1, 4)
    tables, _ = simulate_tables(seed, suppliers, (1, most), 400, 1.5, makers, World())
    tables["reeds"] = tables["reeds"].sample(size, random_state=seed).sort_index()
    kept = set(tables["reeds"]["reed"])
    tables["sittings"]["reeds"] = [
        "; ".join(name for name in named.split("; ") if name in kept)
        for named in tables["sittings"]["reeds"]
    ]
    tables["sittings"] = tables["sittings"][tables["sittings"]["reeds"] != ""]
    for name in OPTIONAL:
        if chance.random() < 0.5:
            del tables[name]
    ODD[seed % len(ODD)](tables)
    return Bench.from_tables(tables, today="2025-10-02")


def questions(bench):
    """Every question to the records, by its name."""
    asked = (
        rl.suppliers, rl.passing_over, rl.giving_up, rl.losses, rl.seasons, rl.air, rl.gouger,
        rl.unmeasured,
    )  # fmt: skip
    for question in asked:
        yield question.__name__, lambda question=question: question(bench)
    readings = bench.tables["gauge"]
    for quantity in {"hardness", *readings["quantity"].dropna()}:
        yield f"gauge {quantity}", lambda quantity=quantity: rl.gauge(bench, quantity)
        hands = sorted({*readings["operator"].dropna(), "KL", "RS"})[:2]
        yield (
            f"agreement {quantity}",
            lambda quantity=quantity, hands=hands: rl.gauge_agreement(bench, quantity, *hands),
        )
    for column in (*CANE, "gouge_asymmetry_mm", "hardness"):
        yield f"uneven {column}", lambda column=column: rl.uneven_lots(bench, column)


FOLLOW_UPS = ("robustness", "selection", "earnings", "forms", "equal_cane")


def fits(bench):
    """The models that a reader of the statistics asks for, by their names."""
    reeds = gather(bench).reeds
    good = reeds[(reeds["success"] == 1) & reeds["log_scrape_min"].notna()]
    measured = reeds.dropna(subset=CANE)
    terms = [f"scale({name})" for name in CANE]
    yield "success", lambda: fit_reeds("success", reeds)
    yield "success of measured", lambda: fit_reeds("success", measured, *terms)
    yield "minutes", lambda: fit_reeds("log_scrape_min", good)


def asked_of_a_fit(fit):
    """What is asked of each fit, by its name."""
    post = fit.posterior(seed=1)
    groups = [term.group for term in fit.fitted.design.terms]
    factors = [name for name in ("maker", "season") if name in fit.formula]
    asked = {
        "summary": lambda: str(fit.summary()),
        "posterior": post.summary,
        "diagnostics": post.diagnostics,
        "sensitivity": post.sensitivity,
        "beside": lambda: beside(post),
        "icc": fit.icc,
        "r_squared": fit.r_squared,
        "residuals": lambda: fit.residuals().tests,
        "collinearity": fit.collinearity,
        "calibration": lambda: fit.calibration("lot").bins,
        "supplier by season": lambda: fit.design_table("supplier", "season").contrasts,
    }
    if fit.family == "gaussian":
        asked |= {"t_tests": fit.t_tests, "term_tests": fit.term_tests}
    if "season" in fit.formula:
        asked["contrasts"] = lambda: fit.contrasts("season")
    if "maker" in fit.formula:
        asked["maker by month"] = lambda: fit.design_table("maker", "tied_month").contrasts
    if factors:
        asked["effects"] = lambda: fit.effects(factors, method=post)
    for group in groups:
        asked[f"influence {group}"] = lambda group=group: fit.influence(group)[
            ["rows", "cook", *fit.fitted.design.fixed_names]
        ]
    return asked


def held(said):
    """Hold an answer to being whole: words, a verdict, a level, and columns that it declares."""
    assert isinstance(said, Answer)
    assert len(said.sentence().split()) > 3
    assert "nan" not in said.sentence().casefold().split(), said.sentence()
    assert isinstance(said.verdict, rl.Verdict)
    declared = type(said)()
    for name, frame in declared.tables.items():
        assert set(frame.columns) <= set(said.tables[name].columns), name
    if said.unanswered:
        assert said.verdict is rl.Verdict.CANNOT_SAY
    assert said.sentence() in repr(said)
    assert said._repr_html_().startswith("<p>")


def refused_or(question):
    """Ask; what a question refuses, it refuses in a sentence."""
    try:
        return question()
    except ReedlabError as refusal:
        assert len(str(refusal).split()) > 3
        return None


@pytest.mark.parametrize("seed", range(BENCHES))
def test_every_question_answers_or_says_why_not(seed):
    with warnings.catch_warnings(action="error"):
        warnings.simplefilter("default", rl.PosteriorWarning)
        bench = made(seed)
        answers = {}
        for name, question in questions(bench):
            answers[name] = question()
            held(answers[name])
        for name in FOLLOW_UPS:
            said = getattr(answers["suppliers"], name)()
            held(said)
            if answers["suppliers"].unanswered:
                assert said.unanswered
        for answer in answers.values():
            rl.show(answer)  # with its pictures, or without one
            plt.close("all")
        for doubt in (rl.SeparationWarning, rl.ConvergenceWarning):  # a question keeps them back
            warnings.simplefilter("ignore", doubt)
        for _, fitted in refused_or(lambda: list(fits(bench))) or ():
            fit = refused_or(fitted)
            for _, question in asked_of_a_fit(fit).items() if fit else ():
                found = refused_or(question)
                assert found is None or len(getattr(found, "columns", found))


def test_collinearity_of_an_intercept_alone_is_an_empty_table():
    reeds = pd.DataFrame(
        {"lot": list("aaabbbccc"), "minutes": [30, 31, 35, 28, 27, 30, 40, 38, 41]}
    )
    found = rl.fit("minutes ~ 1 + (1 | lot)", reeds).collinearity()
    assert found.empty and list(found) == ["columns", "vif", "se_factor"]


@pytest.mark.parametrize("rows", [0, 2])
def test_a_bench_without_a_day_answers_or_says_why_not(rows):
    """As `reedlab new` writes it, and with the first blanks noted by lot alone."""
    reeds = pd.DataFrame({"reed": ["1", "2"], "lot": ["L1", "L2"]}).head(rows)
    bench = Bench.from_tables({"reeds": reeds}, today="2025-10-02")
    for _, question in questions(bench):
        held(question())
    for question in (rl.price, rl.today, rl.order):
        said = question(bench)
        held(said)
        rl.show(said)
