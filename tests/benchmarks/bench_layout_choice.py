# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How near the boards chosen come to the best that long searches of another make found; one thread.

Run as ``python -m tests.benchmarks.bench_layout_choice [CASE …]`` from the project's folder.

The best values (log det of the information per coefficient, levels against their mean; for I minus the log of the
mean prediction variance) are those of an exchange written apart from this project, 86 to 4287 starts a case. Some
are known: N is the array of Plackett and Burman (1946, Biometrika 33:305-325), D the regular half fraction of
resolution IV, P and Q the balanced incomplete block designs (4, 6, 3, 2, 1) and (7, 7, 3, 3, 1) (from memory).
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import time
from math import log, prod
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from trials.design import _chosen_before, lay_out
from trials.plan import Boards, Exclusion, Factor, Model, Plan, Unusable
from trials.selection import ChosenBoard, choose, default_places, default_terms
from trials.selection.criterion import Criterion
from trials.selection.model import Model as Columns

SEEDS = (11, 12)
MORE_SEEDS = {"A": range(1, 13), "Q": range(1, 13)}


def made(lots: int | tuple[int, ...], lanes: int, strips: int, factors: str, **more: object) -> Plan:
    """Return a plan of factors written ``a3:board``."""
    found = []
    for text in factors.split():
        name, _, kind = text.partition(":")
        levels = tuple(f"{2**at} min" if name[0] == "t" else f"{name[0]}{at}" for at in range(int(name[1:])))
        amounts = tuple(float(2**at) for at in range(len(levels))) if name[0] == "t" else None
        found.append(Factor(name[0], levels, kind, amounts=amounts))
    stock = Boards((lots,) if isinstance(lots, int) else lots, 900, 300, lanes, strips, 10, 0, 30)
    return Plan("", "", "", stock, tuple(found), **more)


OIL = (
    Exclusion((("a", ("a2",)), ("b", ("b2",))), ""),
    Exclusion((("a", ("a0",)), ("d", ("d3",))), ""),
)
KNOTS = (Unusable(1, 1, 2, ""), Unusable(2, 2, 1, ""))
SIX = "a2:board b2:board c2:board d2:board e2:board f2:board"
CASES: dict[str, tuple[Plan, float | None]] = {
    "A": (made(9, 2, 1, "a3:board b3:board c3:lane"), 1.5827),
    "B": (made(9, 2, 1, "a3:board b3:board e2:board c2:lane"), 1.8809),
    "C4": (made(4, 2, 3, "a3:board b2:board c2:lane d3:strip"), 1.5461),
    "C5": (made(5, 2, 3, "a3:board b2:board c2:lane d3:strip"), 1.6756),
    "C6": (made(6, 2, 3, "a3:board b2:board c2:lane d3:strip"), 2.0103),
    "C7": (made(7, 2, 3, "a3:board b2:board c2:lane d3:strip"), 2.1164),
    "D": (made(8, 2, 1, "a2:board b2:board c2:board d2:board"), 1.6740),
    "E": (made(8, 2, 1, f"{SIX} g2:lane"), 2.0735),
    "F": (made(12, 2, 3, "a3:board b3:board s2:lane d4:strip", exclusions=OIL), 2.3336),
    "G like": (made(8, 2, 3, "a3:board s2:lane d4:strip", unusable=KNOTS), None),
    "H": (made((5, 5), 2, 1, "a3:board b3:board c3:lane"), 1.5168),
    "K": (made(10, 2, 2, "a6:board b3:board"), 0.8739),
    "L": (made(20, 2, 3, "a3:board b3:board e2:board f2:board c3:lane d4:strip"), 2.4908),
    "M": (made(9, 2, 2, "a3:board p6:patch"), 1.6802),
    "N": (made(12, 1, 1, f"{SIX} g2:board h2:board i2:board j2:board"), log(12)),
    "N six": (made(12, 1, 1, SIX), log(12)),
    "P": (made(6, 2, 1, "c4:lane"), 1.3286),
    "Q": (made(7, 1, 3, "c7:strip"), 1.3003),
    "R": (made(6, 4, 1, "a2:lane b2:lane c2:lane"), 2.9481),
    "S": (made(12, 2, 1, "a6:board b3:board c2:lane", model=Model(criterion="I")), -0.4418),
    "T like": (made(8, 3, 4, "a3:board c4:lane d5:strip"), None),
    "U like": (made(10, 2, 3, "a3:board p8:patch"), None),
    "V like": (made((5, 5), 2, 3, "a3:board p3:patch q2:patch", exclusions=OIL[:0], unusable=KNOTS), None),
    "W like": (
        made(
            (12, 12),
            2,
            3,
            f"{SIX[:-9]} f2:lane g3:strip",
            model=Model(criterion="I"),
        ),
        None,
    ),
}
"""By letters; "like": beside the best of 400 of our own starts, not that of another search."""


def value(plan: Plan, boards: list[ChosenBoard], terms: tuple[str, ...]) -> float:
    """Return the value of boards, in the coding of the best values."""
    model = Columns(plan, terms)
    lots = [board.lot for board in boards]
    criterion = Criterion(model, plan.model.criterion, lots)
    reached = criterion.value(criterion.information([model.whitened_cells(board.cells) for board in boards], lots))
    if plan.model.criterion == "I":
        return reached
    return (reached - sum(_coding(plan, term) for term in terms)) / model.size


def _coding(plan: Plan, term: str) -> float:
    """Return what orthogonal contrasts of mean square 1 add to the log det beside levels against their mean."""
    sizes = [len(plan.factor(name).levels) for name in term.split(":")]
    df = prod(size - 1 for size in sizes)
    return df * log(prod(sizes)) - sum(df // (size - 1) * log(size) for size in sizes)


def main() -> None:
    """Print for each case and seed the efficiency beside the best known, and the processor time."""
    print(f"{'case':8} {'best':>8}  efficiency (seconds) by seed")
    for name in sys.argv[1:] or CASES:
        plan, best = CASES[name]
        terms = default_terms(plan, default_places(plan))[0] if name != "N six" else tuple("abcdef")
        if best is None:
            best = value(plan, list(choose(plan, 99, starts=400).boards), terms)
        said = []
        for seed in MORE_SEEDS.get(name, SEEDS):
            began = time.process_time()
            boards = _chosen_before(plan, lay_out(plan, seed).patches)
            took = time.process_time() - began
            said.append(f"{np.exp(value(plan, boards, terms) - best):.4f} ({took:.2f})")
        print(f"{name:8} {best:8.4f}  {' '.join(said)}", flush=True)


if __name__ == "__main__":
    main()
