"""How long 100,000 reeds take to open, check and tidy, beside pandas reading the same files.

Run ``python tests/benchmarks/records_scale.py``. For three files, and for one wide sheet in which
each row has its piece and lot too, it prints the ratio of processor times, which should stay under
6 for what is opened and checked, and the peak memory of the process that opened it, under 1 GiB.
With ``--large`` it prints instead what a file of 250 MB takes of memory: at most 6 times the file.
"""

import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.records.tables import OF_ITSELF

N, PIECES, LOTS = 100_000, 30_000, 400
LARGE = 250_000_000


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


def write_wide(folder: Path) -> None:
    """Write the same reeds as one sheet, every row with a measured piece and its lot."""
    with tempfile.TemporaryDirectory() as room:
        write(Path(room))
        reeds = pd.read_csv(Path(room) / "reeds.csv", dtype=str).drop(columns="piece")
        lots = pd.read_csv(Path(room) / "lots.csv", dtype=str)
    rng = np.random.default_rng(2)
    lots = lots.rename(columns={name: f"lot_{name}" for name in lots if name in OF_ITSELF})
    wide = reeds.merge(lots, on="lot", how="left")
    wide = wide.assign(
        measured_state="gouged",
        diameter_mm=rng.uniform(10, 10.9, N).round(2),
        length_mm=74.0,
        gouge_centre_mm=rng.uniform(0.57, 0.61, N).round(2),
        gouge_left_mm=0.47,
        gouge_right_mm=0.46,
        mass_g=rng.uniform(0.18, 0.25, N).round(3),
        density_g_cm3=rng.uniform(0.5, 0.6, N).round(3),
    )
    wide.to_csv(folder / "reeds.csv", index=False)


def write_large(folder: Path) -> None:
    """Write the wide sheet again and again, with labels of their own, until it is large."""
    write_wide(folder)
    path = folder / "reeds.csv"
    head, *rows = path.read_text().splitlines(keepends=True)
    with path.open("w") as file:
        file.write(head)
        again = 0
        while file.tell() < LARGE:
            file.writelines(f"{again}-{row}" for row in rows[: (LARGE - file.tell()) // 200 + 1])
            again += 1


def used() -> float:
    """Return the peak memory of this process, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def plainly(folder: Path, answer) -> None:
    """Time pandas reading the files."""
    start = time.process_time()
    for path in sorted(folder.glob("*.csv")):
        pd.read_csv(path)
    answer.put((time.process_time() - start, 0.0, used()))


def wholly(folder: Path, answer) -> None:
    """Time a bench opened, checked and tidied."""
    from reedlab.records import open_bench
    from reedlab.records.check.schema import schema

    schema("lots")  # importing pandera is not a matter of scale
    start = time.process_time()
    bench = open_bench(folder)
    opened = time.process_time() - start
    assert len(bench.reeds) == N and len(bench.cane) >= PIECES and len(bench.losses) == LOTS
    answer.put((time.process_time() - start, opened, used()))


def largely(folder: Path, answer) -> None:
    """Measure the peak memory of opening a large file, beyond the libraries, MB."""
    from reedlab.records import open_bench

    with tempfile.TemporaryDirectory() as room:
        (Path(room) / "reeds.csv").write_text("reed,lot,supplier,tied_on,outcome\n1,A,B,1.2.24,x\n")
        open_bench(room)  # imports every library that opening needs
    before = used()
    bench = open_bench(folder)
    assert len(bench.tables["reeds"]) > N
    answer.put(used() - before)


def in_a_process(work, folder: Path):
    """Return the answer of some work done in a process of its own."""
    spawn = multiprocessing.get_context("spawn")
    answer = spawn.Queue()
    process = spawn.Process(target=work, args=(folder, answer))
    process.start()
    got = answer.get()
    process.join()
    return got


def beside_pandas(says: str, folder: Path) -> None:
    """Print runs side by side."""
    ratios = []
    for _ in range(5):
        plain, _, _ = in_a_process(plainly, folder)
        whole, opened, memory = in_a_process(wholly, folder)
        ratios.append((opened / plain, whole / plain))
        print(
            f"{says}: pandas.read_csv {plain:.2f} s; open and check {opened:.2f} s, tidied too "
            f"{whole:.2f} s; peak {memory:.0f} MB"
        )
    opened, whole = np.median(ratios, axis=0)
    print(f"{says}: median ratio {opened:.1f}, tidied too {whole:.1f}")


def main(large: bool) -> None:
    """Print what is asked for."""
    with tempfile.TemporaryDirectory() as room:
        if large:
            write_large(Path(room))
            size = (Path(room) / "reeds.csv").stat().st_size / 2**20
            peak = in_a_process(largely, Path(room))
            print(
                f"a file of {size:.0f} MiB: peak {peak:.0f} MiB, {peak / size:.1f} times the file"
            )
            return
        for says, make in (("three files", write), ("one wide sheet", write_wide)):
            folder = Path(room) / make.__name__
            folder.mkdir()
            make(folder)
            beside_pandas(says, folder)


if __name__ == "__main__":
    main("--large" in sys.argv)
