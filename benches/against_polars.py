"""A batch beside polars reading the same files, the date-times read as text and as date-times.

`cargo bench --bench batch` leaves polars' times as text, which is the least that it can do; the batch
cannot. Here the released polars reads them in each of the ways its handbook has. A capture is twelve
hours at 1 Hz of a sleeper that wakes for 3 s every ten minutes (as in `batch.rs`; `--wakes 60` for
every minute). All take turns on the same files in one run; every figure is the fastest.

Run from the project's top folder: python3 benches/against_polars.py [COUNT] [--wakes SECONDS]
Needs numpy and polars (MIT, https://pypi.org/project/polars/).
"""

import argparse
import shutil
import subprocess
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl

ROWS = 43_200
FORM = "%Y-%m-%dT%H:%M:%S"
SHEET = '[site]\nname = "bench"\n\n[sleep]\nsleep_max_a = 0.000015\n'


def write_capture(path, unit, every_s):
    rng = np.random.default_rng(unit)
    floor_a = 12e-6 + 0.3e-6 * rng.standard_normal()
    phase = rng.integers(every_s)
    noise = rng.standard_normal(ROWS)
    awake = (np.arange(ROWS) + phase) % every_s < 3
    current_a = np.where(awake, 4.2e-3 + 3e-5 * noise, floor_a + 1e-7 * noise)
    start = np.datetime64(datetime(2026, 5, 12, 20), "s")
    moments = np.datetime_as_string(start + np.arange(ROWS))
    rows = (f"{moment},{value:.8f}\n" for moment, value in zip(moments, current_a))
    path.write_text("time,current (A)\n" + "".join(rows))


def as_text(file):
    return pl.read_csv(file)


def by_itself(file):
    return pl.read_csv(file, try_parse_dates=True)


def by_given_form(file):
    return pl.read_csv(file).with_columns(pl.col("time").str.to_datetime(FORM))


def batch(folder, room):
    out = room / "out"
    sheet = room / "jobsheet.toml"
    sheet.write_text(SHEET)
    command = ["target/release/ebbmark", "batch", sheet, folder, "--out", out]
    subprocess.run(command, check=True, capture_output=True)
    shutil.rmtree(out)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("count", nargs="?", type=int, default=100)
    parser.add_argument("--wakes", type=int, default=600)
    asked = parser.parse_args()
    subprocess.run(["cargo", "build", "--quiet", "--release", "--locked"], check=True)
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        folder = room / "captures"
        folder.mkdir()
        for unit in range(asked.count):
            write_capture(folder / f"rx-{unit:04}.csv", unit, asked.wakes)
        files = sorted(folder.iterdir())
        for reader, kind in ((as_text, pl.String), (by_itself, pl.Datetime), (by_given_form, pl.Datetime)):
            frame = reader(files[0])
            assert frame.height == ROWS and frame.dtypes[0] == kind, frame
        ways = {
            "batch, everything": lambda: batch(folder, room),
            "polars, times left as text": lambda: [as_text(file) for file in files],
            "polars, times read by itself": lambda: [by_itself(file) for file in files],
            "polars, text, then times by a form given": lambda: [by_given_form(file) for file in files],
        }
        least_s = dict.fromkeys(ways, float("inf"))
        for _ in range(3):
            for way, run in ways.items():
                start = time.perf_counter()
                run()
                least_s[way] = min(least_s[way], time.perf_counter() - start)
    print(f"{asked.count} captures of {ROWS} rows, a wake every {asked.wakes} s")
    print(f"polars {pl.__version__}, {pl.thread_pool_size()} threads\n")
    print("| | a capture | batch beside it |\n| --- | ---: | ---: |")
    whole_s = least_s["batch, everything"]
    for way, seconds in least_s.items():
        print(f"| {way} | {1e3 * seconds / asked.count:.1f} ms | {whole_s / seconds:.2f} |")


if __name__ == "__main__":
    main()
