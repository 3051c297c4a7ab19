"""One command, one table: a day of paving from logs to products, beside peers and scripts made by hand.

    python tests/benchmarks/day.py [--rounds 5] [--hand-made]

The day lot is made here: 1.5 M readings, 48 a line, on 4.7 km with bends; 650,000 fixes as GGA and RMC. Every
time is the median of n rounds; `cpu` counts all threads. A ratio is a peer's time over ours, in this run.
A process is `cold` with compiled kernels in their cache, and its `first run` is without that cache.
"""

from __future__ import annotations

import argparse
import gc
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[1]))

import builders
from thermosaic import model, run, synthetic
from thermosaic.files import parquet
from thermosaic.files.logs import nmea
from thermosaic.opening import load_config
from thermosaic.synthetic import Gnss, LotPlan, Mat, PassPlan, Patch, Scanner, Stop

ROAD = (
    synthetic.straight(700.0),
    *synthetic.bend(300.0, 40.0, lead_m=60.0),
    synthetic.straight(1200.0),
    *synthetic.bend(150.0, -45.0, lead_m=40.0),
    synthetic.straight(2300.0),
)
SPEED_MPS, STEP_M = 0.1446, 0.1504
STAGES = (
    "read_lot", "solve_trajectory", "georeference_scan", "station_lot", "rasterise_mat", "detect_findings",
    "publish_lot",
)  # fmt: skip
HAND_MADE = Path(__file__).with_name("hand_made.py")


def day_lot() -> synthetic.SyntheticLot:
    """Make a day of one pass, with stops and cold patches."""
    patches = tuple(Patch(60.0 * k, 3.0, (k % 5 - 2) * 0.5, 1.2, 22.0) for k in range(1, 75))
    stops = tuple(Stop(450.0 * k, 40.0) for k in range(1, 10))
    scanner = Scanner(-1.88, 1.88, 48, mat_left_m=-1.95, mat_right_m=1.95, rate_hz=SPEED_MPS / STEP_M)
    paver = PassPlan(from_m=15.0, to_m=4660.0, speeds=((0.0, SPEED_MPS),), stops=stops)
    plan = LotPlan(
        lot_id="DAY", road=ROAD, passes=(paver,), scanner=scanner, gnss=Gnss(rate_hz=20.0, gst=False),
        mat=Mat(patches=patches),
    )  # fmt: skip
    return synthetic.make_lot(plan)


# ------------------------------------------------------------------------------------------------- measures


@dataclass(frozen=True)
class Cost:
    """Seconds of wall and of processor, all threads."""

    wall_s: float
    cpu_s: float

    def __str__(self) -> str:
        return f"{self.wall_s:10.3f}{self.cpu_s:10.3f}"


def median(costs: list[Cost]) -> Cost:
    return Cost(*(float(np.median([getattr(cost, name) for cost in costs])) for name in ("wall_s", "cpu_s")))


@contextmanager
def measured(into: list[Cost]) -> Iterator[None]:
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    into.append(Cost(time.perf_counter() - wall, time.process_time() - cpu))


def repeated(work: Callable[[], object], rounds: int) -> Cost:
    costs: list[Cost] = []
    for _ in range(rounds):
        gc.collect()
        with measured(costs):
            work()
    return median(costs)


# A child's peak counts what its parent held when it forked, so a small process starts it.
_RUNNER = """
import os, subprocess, sys, time
wall = time.perf_counter()
process = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, usage = os.wait4(process.pid, 0)
print(time.perf_counter() - wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
sys.exit(os.waitstatus_to_exitcode(status))
"""


def in_process(command: list[str], **environment: str) -> tuple[Cost, float]:
    """Run a command: its cost, and the most memory it held, in MB."""
    whole, surroundings = [sys.executable, "-c", _RUNNER, *command], {**os.environ, **environment}
    done = subprocess.run(whole, env=surroundings, stdout=subprocess.PIPE, text=True, check=True)
    wall_s, cpu_s, peak = (float(text) for text in done.stdout.split())
    return Cost(wall_s, cpu_s), peak


def head(title: str) -> None:
    print(f"\n{title:50s}{'wall s':>10s}{'cpu s':>10s}")


def row(name: str, cost: Cost, note: str = "") -> None:
    print(f"{name:50s}{cost}  {note}", flush=True)


# --------------------------------------------------------------------------------------------------- tables


def reading_table(lot: Path, rounds: int) -> None:
    """Sentences with checksums, ours beside pynmea2, which reads the first of them."""
    path, few = lot / "gnss.nmea", 40_000
    count = path.read_bytes().count(b"\n")
    nmea.read_nmea((path,), need_checksum=True)
    ours = repeated(lambda: nmea.read_nmea((path,), need_checksum=True), rounds)
    head(f"NMEA, {count:,} sentences")
    row("ours, to times and positions", ours, f"{count / ours.wall_s / 1e6:.1f} M/s")
    try:
        import pynmea2
    except ImportError:
        return
    with path.open(encoding="ascii") as file:
        lines = list(islice(file, few))
    theirs = repeated(lambda: [pynmea2.parse(line, check=True) for line in lines], 1)
    ratio = (theirs.wall_s / few) / (ours.wall_s / count)
    cpu_ratio = (theirs.cpu_s / few) / (ours.cpu_s / count)
    row(f"pynmea2, {few:,} of them, to objects", theirs, f"{ratio:.0f} x ours (cpu {cpu_ratio:.0f} x)")


def stage_table(lot: Path, result: Path, rounds: int) -> model.LotRecord:
    """Each stage of run_lot in a warm process, without the report; return the last record."""
    costs: dict[str, list[Cost]] = {name: [] for name in (*STAGES, "run_lot")}
    records: list[model.LotRecord] = []
    plain = {name: getattr(run, name) for name in STAGES}

    def timed(name: str) -> Callable:
        def stage(*arguments: object, **options: object) -> object:
            if name == "publish_lot":
                records[:] = [arguments[0]]
            with measured(costs[name]):
                return plain[name](*arguments, **options)

        return stage

    for name in STAGES:
        setattr(run, name, timed(name))
    for number in range(rounds + 1):
        gc.collect()
        with measured(costs["run_lot"]):
            run.run_lot(load_config(lot), result / f"warm{number}", report=False)
    for name in STAGES:
        setattr(run, name, plain[name])
    head("run_lot, warm, report off")
    for name, found in costs.items():
        row(name, median(found[1:]))
    return records[0]


def parquet_table(record: model.LotRecord, folder: Path, rounds: int) -> None:
    """spots.parquet with all its columns, ours beside geopandas."""
    ours_path, their_path = folder / "ours.parquet", folder / "theirs.parquet"
    ours = repeated(lambda: parquet.write_spots(ours_path, record), rounds)
    frame = gpd.read_parquet(ours_path)
    theirs = repeated(lambda: frame.to_parquet(their_path), rounds)
    files = (pq.ParquetFile(path).metadata for path in (ours_path, their_path))
    sizes = [path.stat().st_size / 1e6 for path in (ours_path, their_path)]
    head("spots.parquet, {:,} rows, {} columns".format(*next((f.num_rows, f.num_columns) for f in files)))
    row("ours, from arrays", ours, f"{sizes[0]:.1f} MB")
    ratio = theirs.wall_s / ours.wall_s
    row("geopandas.to_parquet, from a frame", theirs, f"{sizes[1]:.1f} MB, {ratio:.1f} x ours")


def command_table(lot: Path, folder: Path, rounds: int, hand_made: bool) -> None:
    """The command in processes of its own, its start, and the scripts made by hand."""
    tool = str(Path(sys.executable).with_name("thermosaic"))
    head("processes")
    found: list[tuple[Cost, float]] = []
    for number in range(rounds):
        found.append(
            in_process([tool, "-q", "run", str(lot), "-o", str(folder / f"c{number}"), "--no-report"])
        )
    ours = median([cost for cost, _ in found])
    row("thermosaic run --no-report, cold", ours, f"at most {max(peak for _, peak in found):,.0f} MB")
    with tempfile.TemporaryDirectory() as cache:
        command = [tool, "-q", "run", str(lot), "-o", str(folder / "first"), "--no-report"]
        first, _ = in_process(command, NUMBA_CACHE_DIR=cache)
    row("the same, first run: kernels compiled", first, f"{first.cpu_s - ours.cpu_s:.1f} s of cpu to compile")
    look = [tool, "check", "--so-far", str(lot)]
    row(
        "thermosaic check --so-far",
        median([in_process(look)[0] for _ in range(rounds)]),
        "at most 2 s wanted",
    )
    starts = {
        "thermosaic --help": [tool, "--help"],
        "import thermosaic": [sys.executable, "-c", "import thermosaic"],
    }
    for name, command in starts.items():
        row(name, median([in_process(command)[0] for _ in range(rounds)]))
    for style in ("fast", "slow") if hand_made else ():
        command = [sys.executable, str(HAND_MADE), style, str(lot), str(folder / style)]
        theirs, peak = in_process(command)
        ratio = f"{theirs.wall_s / ours.wall_s:.1f} x ours (cpu {theirs.cpu_s / ours.cpu_s:.1f} x), {peak:,.0f} MB"
        row(f"script made by hand, {style}, one round", theirs, ratio)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--hand-made", action="store_true", help="also the scripts made by hand: minutes")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lot = builders.write_lot(folder / "lot", day_lot())
        command_table(lot, folder, asked.rounds, asked.hand_made)
        reading_table(lot, asked.rounds)
        parquet_table(stage_table(lot, folder, asked.rounds), folder, asked.rounds)


if __name__ == "__main__":
    main()
