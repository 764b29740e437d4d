"""The exact search against others' searches, same series, same penalty, same machine.

Prints a table and fails when the breakpoints of an exact one differ. `--pelt` also times
Pelt("l2", jump=1) on 20 000 values, which takes minutes, and the pelt crate on 100 000 as exactly as
it goes: at every second value, two or more in a stretch. What it finds is counted, not compared.

Run from the project's top folder: python3 benches/against_ruptures.py [--pelt]
Needs numpy and ruptures (BSD-2-Clause, https://pypi.org/project/ruptures/), with --pelt also pelt
(https://pypi.org/project/pelt/, the crate of that name behind its Python door).
"""

import json
import math
import statistics
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import ruptures as rpt


def ours(values, penalty):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "values.f64"
        values.astype("<f8").tofile(path)
        command = ["cargo", "bench", "--quiet", "--bench", "side_by_side", "--"]
        output = subprocess.run(
            [*command, "exact", str(path), str(penalty)], check=True, capture_output=True, text=True
        )
    found = json.loads(output.stdout.strip().splitlines()[-1])
    return found["seconds"], found["breakpoints"]


def timed(search, values, penalty, turns):
    seconds = []
    for _ in range(turns):
        start = time.perf_counter()
        breakpoints = search().fit(values).predict(pen=penalty)
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds), [int(b) for b in breakpoints[:-1]]


def crate(values, penalty):
    import pelt

    start = time.perf_counter()
    found = pelt.predict(values, penalty, "l2", jump=2, minimum_segment_length=2)
    return time.perf_counter() - start, len([b for b in found if 0 < b < len(values)])


def main():
    rng = np.random.default_rng(1)
    print(f"ruptures {version('ruptures')}, numpy {version('numpy')}\n")
    print("| series | n | breakpoints | exact search | against | its time | ratio |")
    print("| --- | ---: | ---: | ---: | --- | ---: | ---: |")
    for n in (20_000, 100_000):
        noise = rng.standard_normal(n)
        stepped = noise + np.repeat(rng.uniform(-5, 5, n // 500), 500)
        for name, values in (("white noise", noise), ("a step every 500", stepped)):
            penalty = 2 * math.log(n)
            seconds, found = ours(values, penalty)
            rivals = [("KernelCPD(linear)", lambda: rpt.KernelCPD("linear", min_size=1), 3)]
            if "--pelt" in sys.argv and n == 20_000 and values is noise:
                rivals.append(("Pelt(l2, jump=1)", lambda: rpt.Pelt("l2", min_size=1, jump=1), 1))
            for rival, search, turns in rivals:
                theirs, expected = timed(search, values, penalty, turns)
                if found != expected:
                    sys.exit(f"{name}, n = {n}: {found} against {expected} by {rival}")
                row(name, n, len(found), seconds, rival, theirs)
            if "--pelt" in sys.argv and n == 100_000 and values is noise:
                theirs, count = crate(values, penalty)
                rival = f"pelt crate {version('pelt')} (l2, jump 2): {count} breakpoints"
                row(name, n, len(found), seconds, rival, theirs)


def row(name, n, found, seconds, rival, theirs):
    print(
        f"| {name} | {n} | {found} | {1e3 * seconds:.2f} ms | {rival} "
        f"| {theirs:.3g} s | {theirs / seconds:.0f} |",
        flush=True,
    )


if __name__ == "__main__":
    main()
