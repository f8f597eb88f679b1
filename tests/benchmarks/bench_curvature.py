# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""What a line and its bend over four dwells tell, beside each dwell by itself; made-up trials through `analyse`.

Run as ``python -m tests.benchmarks.bench_curvature [TRIALS]`` from the project's folder.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis.responses import analyse
from tests.trials_made import Pieces, read, unread

PLAN = """
[boards]
count = 8
lanes = 2
strips = 3
length = "600 mm"
width = "200 mm"
[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "seal"
levels = ["none", "shellac"]
laid_on = "lane"
[[factor]]
name = "dwell"
levels = ["2 min", "4 min", "8 min", "12 min"]
laid_on = "strip"
[[response]]
name = "lightness"
kind = "measure"
unit = "L*"
aim = "more"
[[question]]
factor = "dwell"
response = "lightness"
worth = 1.8
"""
BENT = '[model]\ncurvature = ["dwell"]\ncriterion = "{}"\n'
SPREAD = {"board": 1.2, "lane": 0.3, "strip": 0.3, "patch": 0.9}


def along(minutes: float) -> float:
    """Return what a dwell does: a line and its bend."""
    return 0.9 * minutes - 0.05 * minutes**2


def main() -> None:
    """Print cover, mean half-width and how often the curve is said not to fit."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(f"{'model':14} {'patches by dwell':>20} {'cover':>6} {'half':>6} {'off curve, p < 0.05':>20}")
    for title, more in (("levels", ""), ("curve, D", BENT.format("D")), ("curve, I", BENT.format("I"))):
        with tempfile.TemporaryDirectory() as place:
            plain = unread(Path(place) / "trial", PLAN + more, 11)
            covered, half, off = 0, 0.0, 0
            for seed in range(count):
                pieces = Pieces(random.Random(seed), **SPREAD)
                trial = read(
                    plain,
                    lambda patch, draw, pieces=pieces: along(float(patch["dwell"].split()[0])) + pieces.shift(patch),
                )
                found = analyse(trial, trial.plan.responses[0])
                rows = found.differences("dwell").set_index(["first", "second"])
                for (one, other), row in rows.iterrows():
                    true = along(float(one.split()[0])) - along(float(other.split()[0]))
                    covered += int(row["lower"] <= true <= row["upper"])
                    half += (row["upper"] - row["lower"]) / 2
                off += int(found.off_curve.get("dwell", 1.0) < 0.05)
        counts = [int((plain.patches["dwell"] == level).sum()) for level in plain.plan.factor("dwell").levels]
        pairs = count * len(rows)
        print(f"{title:14} {counts!s:>20} {covered / pairs:6.3f} {half / pairs:6.2f} {off / count:20.3f}", flush=True)


if __name__ == "__main__":
    main()
