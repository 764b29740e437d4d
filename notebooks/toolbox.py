"""What the notebooks share: the built program, the sample logs, and how well steps are found."""

import json
import os
import subprocess
import tempfile
from pathlib import Path

import polars as pl

ROOT = Path(__file__).resolve().parent.parent
LOGS = ROOT / "sample-logs"
CHECKS = ROOT / "shared" / "checks"

# Okabe-Ito colours, told apart with any colour vision.
BLUE, ORANGE, GREY, GREEN = "#0072b2", "#d55e00", "#8a99a6", "#009e73"


def program() -> str:
    """The built program: $EBBMARK, else a release build, else a debug build of this checkout."""
    candidates = [os.environ.get("EBBMARK")]
    candidates += [ROOT / "target" / kind / "ebbmark" for kind in ("release", "debug")]
    for candidate in candidates:
        if candidate and Path(candidate).is_file():
            if subprocess.run([candidate, "--version"], capture_output=True, text=True).stdout:
                return str(candidate)
    raise FileNotFoundError("build the program first: cargo build --release")


def ebbmark(*arguments) -> str:
    """Runs the program in the checkout's folder and returns what it prints."""
    command = [program(), *map(str, arguments), "--quiet"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    return done.stdout


def document(*arguments) -> dict:
    """The document that a command prints with --json."""
    return json.loads(ebbmark(*arguments, "--json"))


def read_log(path, **options) -> pl.DataFrame:
    """A log with its first two columns as time in seconds from the start and current in ampere."""
    frame = pl.read_csv(path, try_parse_dates=True, null_values=["OL", "OVLD"], **options)
    time, current = frame.columns[:2]
    return frame.select(
        time_s=(pl.col(time) - pl.col(time).first()).dt.total_milliseconds() / 1000,
        current_a=pl.col(current).cast(pl.Float64, strict=False),
    ).drop_nulls()


def simulated(scenario: str, seed: int) -> tuple[Path, dict]:
    """A capture of a scenario with another seed, and its truth."""
    folder = Path(tempfile.mkdtemp(prefix="ebbmark-"))
    ebbmark("simulate", LOGS / "scenarios" / f"{scenario}.toml", "--seed", seed, "--out", folder)
    truth = json.loads((folder / f"{scenario}-truth.json").read_text())
    return folder / f"{scenario}.csv", truth["captures"][0]


def found(true_s, steps_s, within_s: float) -> dict:
    """Steps matched one to one, each true step with the nearest free step within `within_s`."""
    free = sorted(steps_s)
    hits = 0
    for time in sorted(true_s):
        near = [s for s in free if abs(s - time) <= within_s]
        if near:
            free.remove(min(near, key=lambda s: abs(s - time)))
            hits += 1
    precision = hits / len(steps_s) if len(steps_s) else 1.0
    recall = hits / len(true_s) if len(true_s) else 1.0
    f1 = 2 * precision * recall / (precision + recall) if hits else 0.0
    return {"true": len(true_s), "found": len(steps_s), "hits": hits, "F1": round(f1, 3)}
