"""How long 100,000 reeds take to open, check and tidy, beside pandas reading the same files.

Run ``python tests/benchmarks/records_scale.py``. It prints the ratio of processor times, which
should stay under 6, and the peak memory of the process that opened the bench, under 1 GiB.
"""

import multiprocessing
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

N, PIECES, LOTS = 100_000, 30_000, 400


def write(folder: Path) -> None:
    """Write a bench with the columns that a careful maker keeps."""
    rng = np.random.default_rng(1)
    lots = [f"L{i:03}" for i in range(LOTS)]
    tied = pd.Timestamp("2005-01-03") + pd.to_timedelta(np.sort(rng.integers(0, 7000, N)), "D")

    def day(after: int) -> pd.Series:
        return pd.Series((tied + pd.Timedelta(days=after)).strftime("%Y-%m-%d"))

    of_piece = rng.integers(0, LOTS, PIECES)
    lot = rng.integers(0, LOTS, N)
    lot[:PIECES] = of_piece
    pieces = [f"P{i:05}" for i in range(PIECES)]
    pd.DataFrame(
        {
            "lot": lots,
            "supplier": [f"{c}{i % 12}" for i, c in enumerate(["ochre", "slate"] * (LOTS // 2))],
            "bought_on": "2004-12-01",
            "quantity": 1000,
            "quantity_unit": "piece",
            "price": 1500.0,
        }
    ).to_csv(folder / "lots.csv", index=False)
    pd.DataFrame(
        {
            "reed": [f"R{i:06}" for i in range(N)],
            "lot": np.array(lots)[lot],
            "piece": [*pieces, *[""] * (N - PIECES)],
            "maker": rng.choice(["AB", "KL", "MR"], N),
            "tied_on": day(0),
            "outcome": rng.choice(["given_up", "reject", "playable", "good"], N),
            "style": "long",
            "shape": rng.choice(["A1", "B2"], N),
            "staple_mm": rng.choice([46, 47], N),
            "tied_mm": rng.uniform(71.5, 73.5, N).round(1),
            "rough_on": day(1),
            "rough_min": rng.integers(8, 25, N),
            "finish_min": rng.integers(8, 30, N),
            "rh_pct": rng.integers(25, 75, N),
            "temp_c": rng.uniform(17, 25, N).round(1),
            "finished_on": day(6),
            "finished_length_mm": rng.uniform(69.2, 70.8, N).round(1),
            "opening": rng.choice(["small", "medium", "large"], N),
            "crow": rng.choice(["flat", "on", "sharp"], N),
            "response": rng.integers(1, 6, N),
            "judge": "AB",
            "judged_on": day(12),
            "note": rng.choice(["", "", "a note of some length, as makers write them"], N),
        }
    ).to_csv(folder / "reeds.csv", index=False)
    pd.DataFrame(
        {
            "piece": pieces,
            "lot": np.array(lots)[of_piece],
            "measured_state": "gouged",
            "diameter_mm": rng.uniform(10, 10.9, PIECES).round(2),
            "length_mm": 74.0,
            "gouge_centre_mm": rng.uniform(0.57, 0.61, PIECES).round(2),
            "gouge_left_mm": 0.47,
            "gouge_right_mm": 0.46,
            "gouge_side_at_mm": 3.5,
            "mass_g": rng.uniform(0.18, 0.25, PIECES).round(3),
            "density_g_cm3": rng.uniform(0.5, 0.6, PIECES).round(3),
        }
    ).to_csv(folder / "pieces.csv", index=False)


def used() -> float:
    """Return the peak memory of this process, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def plainly(folder: Path, answer) -> None:
    """Time pandas reading the files."""
    start = time.process_time()
    for path in sorted(folder.glob("*.csv")):
        pd.read_csv(path)
    answer.put((time.process_time() - start, used()))


def wholly(folder: Path, answer) -> None:
    """Time a bench opened, checked and tidied."""
    from reedlab.records import open_bench
    from reedlab.records.check.schema import schema

    schema("lots")  # importing pandera is not a matter of scale
    start = time.process_time()
    bench = open_bench(folder)
    opened = time.process_time() - start
    assert len(bench.reeds) == N and len(bench.cane) == PIECES and len(bench.losses) == LOTS
    print(f"  open and check {opened:.2f} s; {len(bench.findings)} findings")
    answer.put((time.process_time() - start, used()))


def main() -> None:
    """Print three runs side by side."""
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as room:
        write(Path(room))
        ratios = []
        for _ in range(5):
            answers = []
            for work in (plainly, wholly):
                answer = spawn.Queue()
                process = spawn.Process(target=work, args=(Path(room), answer))
                process.start()
                answers.append(answer.get())
                process.join()
            (plain, _), (whole, memory) = answers
            ratios.append(whole / plain)
            print(
                f"pandas.read_csv {plain:.2f} s; reedlab {whole:.2f} s; "
                f"ratio {ratios[-1]:.1f}; peak {memory:.0f} MB"
            )
        print(f"median ratio {np.median(ratios):.1f}")


if __name__ == "__main__":
    main()
