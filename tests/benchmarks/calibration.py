"""How often the posterior's intervals hold the truth, on benches whose truth is known.

    python tests/benchmarks/calibration.py --benches 2000 --jobs 2 --out data/calibration

Three questions, each answered by tables on the screen and CSV files:

* coverage.csv, uniform.csv: truths drawn from the default priors, 3, 5 and 8 suppliers with 2 to 6
  lots of 15 to 40 reeds. Intervals of 50, 80 and 95 % for the next lot's success, each coefficient
  and each sd, against binomial bounds that hold for all of them together (Bonferroni);
  simulation-based calibration (Talts et al. 2018, arXiv:1804.06788) by a chi-square test of the
  ranks.
* best.csv: the stated probability that a supplier is the best against how often it is. Costs being
  equal, the best is the cheapest, for the cost of a saleable reed falls with its success.
* fixed.csv: truths held at several sds of suppliers and lots. Coverage and width of 95 % intervals,
  beside those that take the variances as known, those that plug in the estimated variances, Wald
  intervals (which are lme4's) and statsmodels' variational Bayes. `keeps` says whether an interval
  that reedlab states covers 93 % less Monte Carlo error; where a true sd is 0 no interval above 0
  can hold it, so that the mean posterior probability of an sd below 0.2 stands in small.csv.

Benches are made and analysed in parallel, one seed each, and the numbers do not hang on --jobs.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import binom, chisquare, norm

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.engine.fitted import fit_design
from reedlab.mixed.posterior.conditional import Conditional
from reedlab.mixed.posterior.nested_laplace import Posterior, design_posterior
from reedlab.mixed.posterior.priors import Priors, coefficient_prior

NAMES = ("Intercept", "maker[T.TL]", "density")
SDS = ("sd supplier", "sd supplier:lot")
LEVELS = (0.50, 0.80, 0.95)
FIXED = [(s, v) for s in (0.0, 0.2, 0.4, 0.8) for v in (0.15, 0.4)]
DRAWS = 2000


@dataclass(frozen=True)
class Plan:
    """Size of a bench: suppliers, fewest and most lots of each, fewest and most reeds of a lot."""

    suppliers: int
    lots: tuple[int, int] = (2, 6)
    reeds: tuple[int, int] = (15, 40)


@dataclass(frozen=True)
class Truth:
    """What made a bench: coefficients, sds, suppliers' effects, and a next lot's own effect."""

    beta: np.ndarray
    sds: np.ndarray
    supplier: np.ndarray
    next_lot: np.ndarray


def draw_bench(
    rng: np.random.Generator,
    plan: Plan,
    beta: np.ndarray | None = None,
    sds: np.ndarray | None = None,
) -> tuple[Design, Truth]:
    """Make a bench; what is not given of its truth is drawn from the default priors."""
    n_lots = rng.integers(plan.lots[0], plan.lots[1] + 1, plan.suppliers)
    supplier_of_lot = np.repeat(np.arange(plan.suppliers), n_lots)
    sizes = rng.integers(plan.reeds[0], plan.reeds[1] + 1, len(supplier_of_lot))
    lot = np.repeat(np.arange(len(sizes)), sizes)
    supplier = supplier_of_lot[lot]
    n = len(lot)
    maker = rng.permutation(np.arange(n) % 2)
    X = np.column_stack([np.ones(n), maker, rng.normal(0.0, 1.0, n)])
    if beta is None:
        mean, precision = coefficient_prior(X, NAMES, Priors())
        beta = mean + np.linalg.solve(np.linalg.cholesky(precision).T, rng.standard_normal(3))
    if sds is None:
        sds = np.abs(rng.normal(0.0, Priors().sd_scale, 2))
    of_supplier = rng.normal(0.0, sds[0], plan.suppliers)
    of_lot = rng.normal(0.0, sds[1], len(sizes))
    eta = X @ beta + of_supplier[supplier] + of_lot[lot]
    y = (rng.random(n) < expit(eta)).astype(float)
    ones = np.ones((n, 1))
    terms = tuple(
        RandomTerm(g, tuple(map(str, range(i.max() + 1))), i, ("Intercept",), ones)
        for g, i in (("supplier", supplier), ("supplier:lot", lot))
    )
    truth = Truth(beta, sds, of_supplier, rng.normal(0.0, sds[1], plan.suppliers))
    return Design(y, X, NAMES, terms), truth


def next_lots(post: Posterior, middle: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draws (S, suppliers) of the logit of each supplier's next lot for a middling reed."""
    beta = post.draws()[list(NAMES)].to_numpy()
    supplier = post.levels_draws("supplier").to_numpy()
    new = rng.standard_normal(supplier.shape) * post.draws()[[SDS[1]]].to_numpy()
    return (beta @ middle)[:, None] + supplier + new


def estimated_sds(design: Design) -> tuple[np.ndarray, object | None]:
    """Sds by maximum likelihood, 0 where every reed ended alike, and the fit."""
    if np.ptp(design.y) == 0:
        return np.zeros(2), None
    try:
        fitted = fit_design(design, "binomial")
    except ModelError:
        return np.zeros(2), None
    return np.abs(fitted.theta), fitted


def normal_next_lots(
    cond: Conditional, sds: np.ndarray, middle: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of the logit of each supplier's next lot with the sds taken as known."""
    modes = cond.modes(sds[None])
    suppliers = cond.design.terms[0].n_levels
    rows = np.zeros((suppliers, cond.m))
    rows[:, cond.blocks[0]] = sds[0] * np.eye(suppliers)
    rows[:, cond.q :] = middle
    spread = cond.sample(modes, 0, np.eye(cond.m)) @ rows.T
    return rows @ modes.x[0], np.sqrt(np.sum(spread**2, axis=0) + sds[1] ** 2)


def one_bench(seed: np.random.SeedSequence, plan: Plan) -> dict[str, object]:
    """Ranks of the truths, drawn from the priors, among one bench's posterior draws."""
    rng = np.random.default_rng(seed)
    design, truth = draw_bench(rng, plan)
    post = design_posterior(
        design, "binomial", Priors(), seed=int(rng.integers(2**31)), draws=DRAWS
    )
    middle = design.X.mean(axis=0)
    which = int(rng.integers(plan.suppliers))
    draws = post.draws()
    row: dict[str, object] = {"pareto_k": post.sample.pareto_k}
    for name, value in zip((*NAMES, *SDS), (*truth.beta, *truth.sds)):
        row[name] = rank(draws[name].to_numpy(), value, rng)
    told = next_lots(post, middle, rng)
    true = middle @ truth.beta + truth.supplier + truth.next_lot
    row["next lot's success"] = rank(told[:, which], true[which], rng)
    sds, _ = estimated_sds(design)
    centre, spread = normal_next_lots(post.conditional, sds, middle)
    row["plug-in: next lot's success"] = float(norm.cdf((true - centre) / spread)[which])
    best = np.bincount(
        np.argmax(post.levels_draws("supplier").to_numpy(), axis=1), minlength=plan.suppliers
    )
    row["stated"] = best / best.sum()
    row["best"] = int(np.argmax(truth.supplier))
    return row


def rank(draws: np.ndarray, truth: float, rng: np.random.Generator) -> float:
    """Where the truth stands among the draws, between 0 and 1, ties and ends broken at random."""
    return float((np.sum(draws < truth) + rng.random()) / (len(draws) + 1))


def one_fixed(
    seed: np.random.SeedSequence, plan: Plan, sds: tuple[float, float], vb: bool
) -> list[dict[str, object]]:
    """Whether each method's 95 % intervals hold fixed truths on one bench, and their widths."""
    rng = np.random.default_rng(seed)
    beta, given = np.array([0.4, 0.3, 0.3]), np.array(sds)
    design, truth = draw_bench(rng, plan, beta, given)
    post = design_posterior(
        design, "binomial", Priors(), seed=int(rng.integers(2**31)), draws=DRAWS
    )
    middle = design.X.mean(axis=0)
    which = int(rng.integers(plan.suppliers))
    true = float((middle @ beta + truth.supplier + truth.next_lot)[which])
    rows: list[dict[str, object]] = []

    def note(method: str, what: str, low: float, high: float, value: float) -> None:
        rows.append(
            {"method": method, "what": what, "held": low <= value <= high, "width": high - low}
        )

    def on_chance(method: str, low: float, high: float) -> None:
        note(
            method, "next lot's success", float(expit(low)), float(expit(high)), float(expit(true))
        )

    on_chance("posterior", *np.quantile(next_lots(post, middle, rng)[:, which], [0.025, 0.975]))
    table = post.summary(0.95)
    for name, value in zip((*NAMES, *SDS), (*beta, *sds)):
        note("posterior", name, table.loc[name, "low"], table.loc[name, "high"], value)
    estimated, fitted = estimated_sds(design)
    half = norm.ppf(0.975)
    for method, at in (("variances known", given), ("plug-in", estimated)):
        centre, spread = normal_next_lots(post.conditional, at, middle)
        on_chance(
            method, centre[which] - half * spread[which], centre[which] + half * spread[which]
        )
    known = post.conditional.modes(given[None])
    spread = np.sqrt([known.variances(row)[0] for row in np.eye(len(NAMES))])
    for j, name in enumerate(NAMES):
        at = known.x[0, post.conditional.q + j]
        note("variances known", name, at - half * spread[j], at + half * spread[j], beta[j])
        if fitted is not None:
            se = np.sqrt(fitted.cov_beta[j, j])
            note("Wald", name, fitted.beta[j] - half * se, fitted.beta[j] + half * se, beta[j])
    if vb:
        mean, sd = variational(design)
        for j, name in enumerate(NAMES):
            note("fit_vb", name, mean[j] - half * sd[j], mean[j] + half * sd[j], beta[j])
    for name in SDS:
        small = float((post.draws()[name] < 0.2).mean())
        rows.append({"method": "share below 0.2", "what": name, "held": small, "width": np.nan})
    return rows


def variational(design: Design) -> tuple[np.ndarray, np.ndarray]:
    """Means and sds of the coefficients by statsmodels' variational Bayes."""
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

    groups = [np.eye(t.n_levels)[t.index] for t in design.terms]
    ident = np.repeat(np.arange(len(groups)), [g.shape[1] for g in groups])
    model = BinomialBayesMixedGLM(design.y, design.X, np.concatenate(groups, axis=1), ident)
    found = model.fit_vb()
    return found.fe_mean, found.fe_sd


def bounds(n: int, level: float, tests: int) -> tuple[float, float]:
    """Shares of n that a binomial of this level keeps to, 95 % for all tests together."""
    tail = 0.025 / tests
    return float(binom.ppf(tail, n, level) / n), float(binom.ppf(1 - tail, n, level) / n)


def coverage_table(ranks: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Share of benches whose central interval held the truth, one row a quantity and level.

    `low` and `high` are what the share of a true interval keeps to, for all quantities that the
    posterior states, all levels and all designs together. The plug-in is held to the same bounds.
    """
    tests = sum(len(stated(f)) for f in ranks.values()) * len(LEVELS)
    rows = []
    for design, frame in ranks.items():
        for name in frame:
            u = frame[name].to_numpy(dtype=float)
            for level in LEVELS:
                share = float(np.mean(np.abs(u - 0.5) < level / 2))
                low, high = bounds(len(u), level, tests)
                rows.append((design, name, len(u), level, share, low, high, low <= share <= high))
    columns = ["design", "quantity", "benches", "level", "share", "low", "high", "within"]
    return pd.DataFrame(rows, columns=columns)


def uniform_table(ranks: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Whether the ranks of the truths are uniform: a chi-square test of 20 bins a quantity.

    `uniform` says that no p-value is below 0.05 over the number of quantities and designs.
    """
    tests = sum(len(stated(f)) for f in ranks.values())
    rows = []
    for design, frame in ranks.items():
        for name in frame:
            counts = np.histogram(frame[name].to_numpy(float), bins=20, range=(0.0, 1.0))[0]
            p = float(chisquare(counts).pvalue)
            rows.append((design, name, len(frame), p, p > 0.05 / tests))
    return pd.DataFrame(rows, columns=["design", "quantity", "benches", "p", "uniform"])


def stated(ranks: pd.DataFrame) -> list[str]:
    """Quantities that the posterior states, without those of the plug-in beside it."""
    return [name for name in ranks if not name.startswith("plug-in")]


def best_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Stated probability of being the best, by bins, against how often it was so."""
    said = np.concatenate([r["stated"] for r in rows])
    hit = np.concatenate([np.arange(len(r["stated"])) == r["best"] for r in rows])
    bins = np.clip((said * 10).astype(int), 0, 9)
    frame = pd.DataFrame({"bin": bins, "stated": said, "was_best": hit})
    table = frame.groupby("bin").agg(
        suppliers=("stated", "size"), stated=("stated", "mean"), was_best=("was_best", "mean")
    )
    tail = 0.025 / len(table)
    n = table["suppliers"].to_numpy()
    table["low"] = binom.ppf(tail, n, table["stated"]) / n
    table["high"] = binom.ppf(1 - tail, n, table["stated"]) / n
    return table.reset_index(drop=True)


def fixed_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Coverage and width by truth, quantity and method, widths also relative to known variances."""
    by = ["sd_supplier", "sd_lot", "what", "method"]
    table = frame.groupby(by).agg(
        benches=("held", "size"), coverage=("held", "mean"), width=("width", "mean")
    )
    table = table.reset_index()
    known = table[table["method"] == "variances known"].set_index(by[:3])["width"]
    table["relative_width"] = (
        table["width"] / known.reindex(pd.MultiIndex.from_frame(table[by[:3]])).to_numpy()
    )
    error = 1.645 * np.sqrt(0.95 * 0.05 / table["benches"])
    claimed = (table["method"] == "posterior") & ~table["what"].isin(SDS)
    table["keeps"] = (table["coverage"] >= 0.93 - error).where(claimed)
    impossible = (table["what"] == SDS[0]) & (table["sd_supplier"] == 0)
    table.loc[impossible, "coverage"] = np.nan
    return table


def small_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Mean posterior probability that an sd is below 0.2, by the sds that made the benches."""
    table = frame.groupby(["sd_supplier", "sd_lot", "what"])["held"].mean()
    return table.rename("probability_below_0.2").reset_index()


def write(out: Path, tables: dict[str, pd.DataFrame]) -> None:
    """Write each table as CSV, and the pictures that the notebook on trust draws from them."""
    from reedlab.report.figures import draw_trust

    out.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        table.round(5).to_csv(out / f"{name}.csv", index=False)
    for name, ax in (
        ("coverage", draw_trust.coverage(tables["coverage"])),
        ("best", draw_trust.stated_and_met(tables["best"])),
        ("fixed", draw_trust.fixed_truths(tables["fixed"])),
    ):
        ax.figure.savefig(out / f"{name}.png")


def main() -> None:
    """Run what the command line asks for and print the tables."""
    from joblib import Parallel, delayed
    from threadpoolctl import threadpool_limits

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=2000, help="benches a design")
    parser.add_argument("--fixed", type=int, default=None, help="benches a fixed truth")
    parser.add_argument("--vb", type=int, default=50, help="of these, how many by fit_vb too")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="folder for the tables and pictures")
    args = parser.parse_args()
    n_fixed = args.benches // 2 if args.fixed is None else args.fixed
    root = np.random.SeedSequence(args.seed)
    prior_seed, fixed_seed = root.spawn(2)
    started = time.perf_counter()
    plans = {f"{s} suppliers": Plan(s) for s in (3, 5, 8)}
    ranks, everything, fixed = {}, [], []
    with threadpool_limits(1), Parallel(n_jobs=args.jobs, batch_size=10) as pool:
        for (name, plan), seed in zip(plans.items(), prior_seed.spawn(len(plans))):
            rows = pool(delayed(one_bench)(s, plan) for s in seed.spawn(args.benches))
            everything += rows
            ranks[name] = pd.DataFrame(rows).drop(columns=["stated", "best", "pareto_k"])
            bad = float(np.mean([r["pareto_k"] > 0.7 for r in rows]))
            print(f"{name}: Pareto k over 0.7 on {bad:.1%} of the benches", flush=True)
        for sds, seed in zip(FIXED, fixed_seed.spawn(len(FIXED))):
            plan = Plan(5, lots=(3, 5))
            found = pool(
                delayed(one_fixed)(s, plan, sds, i < args.vb)
                for i, s in enumerate(seed.spawn(n_fixed))
            )
            fixed += [
                {"sd_supplier": sds[0], "sd_lot": sds[1], **r} for rows in found for r in rows
            ]
    frame = pd.DataFrame(fixed).astype({"held": float})
    shares = frame["method"] == "share below 0.2"
    tables = {
        "coverage": coverage_table(ranks),
        "uniform": uniform_table(ranks),
        "best": best_table(everything),
        "fixed": fixed_table(frame[~shares]),
        "small": small_table(frame[shares]),
    }
    for name, table in tables.items():
        print(f"\n{name}\n{table.round(3).to_string(index=False)}")
    print(f"\n{time.perf_counter() - started:.0f} s")
    if args.out:
        write(args.out, tables)


if __name__ == "__main__":
    main()
