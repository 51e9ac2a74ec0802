"""How long each question takes on a large bench, and how much memory.

Run ``python tests/benchmarks/report_scale.py 2000 20000``: a simulated bench of each number of
reeds, with 30 lots a supplier and a supplier for every 500 reeds, so that 50,000 reeds are of 3,000
lots of 100 suppliers. Each question runs in a process of its own that starts from the opened bench,
so its peak memory is its own and the bench's; what follows up an answer runs in that answer's
process. With ``--notebooks`` each notebook runs in its kernel too, one after another.
"""

import argparse
import multiprocessing
import resource
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

from threadpoolctl import threadpool_limits

import reedlab as rl
from reedlab.decide.evidence import gather
from reedlab.decide.shared_models.models import fit_reeds
from reedlab.mixed.posterior.prior_check import beside
from reedlab.report.pages import running
from reedlab.simulate.workshop import simulate_tables
from reedlab.simulate.world import World

REEDS_OF_A_SUPPLIER, LOTS_OF_A_SUPPLIER, MAKERS, YEARS = 500, 30, 3, 6
CANE = ["density_g_cm3", "gouge_centre_mm"]
ALONE = ["losses", "passing_over", "giving_up", "seasons", "air", "gouger", "unmeasured"]
FOLLOW_UPS = ["robustness", "selection", "earnings", "forms", "equal_cane"]

Asked = Iterator[tuple[str, Callable[[], object]]]


def write(folder: Path, reeds: int) -> None:
    """Write a simulated bench as CSV files."""
    suppliers = max(4, reeds // REEDS_OF_A_SUPPLIER)
    lots = (LOTS_OF_A_SUPPLIER, LOTS_OF_A_SUPPLIER)
    tables, _ = simulate_tables(1, suppliers, lots, reeds, YEARS, MAKERS, World())
    for name, table in tables.items():
        table.convert_dtypes().to_csv(folder / f"{name}.csv", index=False)


def of_suppliers(bench: rl.Bench) -> Asked:
    """Ask which supplier to buy from, and all that follows it up."""
    answer = rl.suppliers(bench)
    yield "suppliers", lambda: answer
    for name in FOLLOW_UPS:
        yield f"  {name}", getattr(answer, name)


def of_the_gauge(bench: rl.Bench) -> Asked:
    """Ask how good the gauge is, and whether lots are uneven."""
    yield "gauge", lambda: rl.gauge(bench, "hardness")
    yield "uneven_lots", lambda: rl.uneven_lots(bench, "density_g_cm3")


def of_the_fit(bench: rl.Bench) -> Asked:
    """Ask of the models of success and of minutes what a reader of the statistics asks."""
    reeds = gather(bench).reeds
    fit = fit_reeds("success", reeds.dropna(subset=CANE), *(f"scale({name})" for name in CANE))
    post = fit.posterior(seed=1)
    yield "fit of success, posterior", lambda: post
    yield "  effects", lambda: fit.effects(["maker", "season"], method=post)
    yield "  residuals", fit.residuals
    yield "  influence", lambda: fit.influence("supplier")
    yield "  calibration", lambda: fit.calibration("lot")
    yield "  design_table", lambda: fit.design_table("supplier", "season")
    good = reeds[(reeds["success"] == 1) & reeds["log_scrape_min"].notna()]
    minutes = fit_reeds("log_scrape_min", good)
    yield "fit of minutes, tests", lambda: (minutes.t_tests(), minutes.term_tests())
    yield "  posterior", lambda: minutes.posterior(seed=1)


def of_the_priors(bench: rl.Bench) -> Asked:
    """Ask what the priors do to the model of success."""
    post = fit_reeds("success", gather(bench).reeds).posterior()
    yield "priors, sensitivity", lambda: post.sensitivity(level=0.9)
    yield "  beside", lambda: beside(post)
    yield "  diagnostics", post.diagnostics


def alone(name: str) -> Callable[[rl.Bench], Asked]:
    """Ask one question that nothing follows up."""

    def of_the_bench(bench: rl.Bench) -> Asked:
        yield name, lambda: getattr(rl, name)(bench)

    return of_the_bench


def megabytes(whose: int = resource.RUSAGE_SELF) -> float:
    """Return the peak memory of this process or of its children, MB."""
    return resource.getrusage(whose).ru_maxrss / 1024


def ask(bench: rl.Bench, questions: Callable[[rl.Bench], Asked]) -> None:
    """Print the processor time of each question and this process's peak so far."""
    warnings.simplefilter("ignore", rl.PosteriorWarning)
    with threadpool_limits(limits=1):
        start = time.process_time()
        for name, question in questions(bench):
            question()
            print(f"{name:28}{time.process_time() - start:8.1f}{megabytes():9.0f}", flush=True)
            start = time.process_time()


def run(path: Path, folder: Path) -> None:
    """Print the time of a notebook on the wall and the peak of its kernel."""
    start = time.monotonic()
    ended = running.run(path, folder).ending
    peak = megabytes(resource.RUSAGE_CHILDREN)
    print(f"{path.stem:28}{time.monotonic() - start:8.1f}{peak:9.0f}  {ended.value}", flush=True)


def apart(work: Callable[..., None], *args: object) -> None:
    """Run in a process of its own, which starts with what this one has opened."""
    process = multiprocessing.get_context("fork").Process(target=work, args=args)
    process.start()
    process.join()


def measure(reeds: int, notebooks: bool) -> None:
    """Print the table of one bench."""
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room)
        apart(write, folder, reeds)
        start = time.process_time()
        bench = rl.open_bench(folder, today="2031-01-01")
        opened = time.process_time() - start
        frames = bench.reeds, bench.cane, bench.losses
        print(
            f"\n{len(frames[0])} reeds, {len(bench.tables['lots'])} lots, {len(frames[1])} pieces: "
            f"opened in {opened:.1f} s, tidied in {time.process_time() - start - opened:.1f} s"
        )
        print(f"{'question':28}{'seconds':>8}{'peak MB':>9}", flush=True)
        groups = [of_suppliers, of_the_gauge, of_the_fit, of_the_priors]
        for questions in [*map(alone, ALONE), *groups]:
            apart(ask, bench, questions)
        for path in running.notebooks() if notebooks else ():
            apart(run, path, folder)


def main() -> None:
    """Measure each number of reeds."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("reeds", type=int, nargs="+", help="how many reeds the bench has")
    parser.add_argument("--notebooks", action="store_true", help="run each notebook too")
    asked = parser.parse_args(sys.argv[1:])
    for reeds in asked.reeds:
        measure(reeds, asked.notebooks)


if __name__ == "__main__":
    main()
