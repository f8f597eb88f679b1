"""Sizes of the tests and widths of the intervals where places or hours matter and no treatment does.

    python tests/benchmarks/bench_places.py [layouts] [trials of each] [name ...]

Layouts are drawn afresh by the project; readings are made up here: normal differences of lots (.7), boards (.4),
lanes (.35), strips (.35) and patches (.4), plus what depends on a board's turn at the bench, on the lane or on the
strip. Each line is an effect of place or hour; for each factor it has the share of p < .05 (five in a hundred are
promised) with the half-width of its 95 % Monte Carlo interval, trials of one layout taken together, and the mean
half-width of the intervals as a multiple of that without any such effect. Last, what it costs that places are in the
model, where none matters.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.precision.exact import treated_rows
from analysis.precision.made_up.experiments import Pair, Wanted, prepare
from trials.design import lay_out
from trials.plan import Plan, read_plan
from trials.structure import Structure

BOARD, PATCH = 0.4, 0.4
SPREADS = {("lot",): 0.7, ("board",): BOARD, ("board", "lane"): 0.35, ("board", "strip"): 0.35}

Factors = dict[str, tuple[int, str]]
TWO, THREE = {"b": (2, "lane"), "c": (2, "strip")}, {"b": (2, "lane"), "c": (3, "strip")}
CASES: dict[str, tuple[Factors, str]] = {
    "4 boards": ({"a": (2, "board"), **TWO}, "count = 4\nlanes = 2\nstrips = 2"),
    "5 boards": ({"a": (2, "board"), **TWO}, "count = 5\nlanes = 2\nstrips = 2"),
    "6 boards": ({"a": (2, "board"), **THREE}, "count = 6\nlanes = 2\nstrips = 3"),
    "8 boards": ({"a": (2, "board"), **TWO}, "count = 8\nlanes = 2\nstrips = 2"),
    "9 boards, a fraction": (
        {"a": (3, "board"), "d": (3, "board"), "e": (2, "board"), "b": (2, "lane")}, "count = 9\nlanes = 2"
    ),
    "12 boards, two lots": ({"a": (3, "board"), **TWO}, "count = 12\nlots = 2\nlanes = 2\nstrips = 2"),
    "12 boards": ({"a": (2, "board"), **THREE}, "count = 12\nlanes = 2\nstrips = 3"),
}  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """What a place or an hour adds: over turns from -1 to 1, or over lanes or strips."""

    name: str
    kind: str
    size: float
    shape: str = "steady"

    def on(self, frame: pd.DataFrame) -> np.ndarray:
        """Return what it adds to each patch."""
        place = frame[self.kind].astype(float).to_numpy()
        low, high = (
            (1.0, float(frame["board_order"].max())) if self.kind == "board_order" else (place.min(), place.max())
        )
        at = 2 * (place - low) / (high - low) - 1 if high > low else np.zeros(len(place))
        shapes = {
            "steady": at / 2, "hump": 1 - at**2, "step": (at > 0).astype(float), "alternating": place % 2,
        }  # fmt: skip
        return self.size * shapes[self.shape]


EFFECTS = (
    Effect("none", "lane", 0.0),
    Effect("steady 4 sd", "board_order", 4 * BOARD),
    *(Effect(f"{shape} 2 sd", "board_order", 2 * BOARD, shape) for shape in ("hump", "step", "alternating")),
    *(Effect(f"{shape} 3.0", "board_order", 3.0, shape) for shape in ("steady", "hump", "step", "alternating")),
    *(Effect(f"lane {size:g}", "lane", size) for size in (0.5, 1.0, 3.0)),
    *(Effect(f"strip {size:g}", "strip", size) for size in (0.5, 1.0, 3.0)),
)


def plan_of(factors: Factors, boards: str) -> Plan:
    """Read a plan with these factors."""
    parts = [f'[trial]\ntitle = "places"\n[boards]\n{boards}\nlength = "400 mm"\nwidth = "150 mm"\n']
    for name, (levels, kind) in factors.items():
        named = ", ".join(f'"{name} {at}"' for at in range(levels))
        parts.append(f'[[factor]]\nname = "{name}"\nlevels = [{named}]\nlaid_on = "{kind}"\n')
    parts.append('[[response]]\nname = "shade"\nkind = "measure"\nunit = "L*"\naim = "less"\n')
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "trial.toml").write_text("".join(parts), encoding="utf-8")
        return read_plan(place)


def scatter(frame: pd.DataFrame, count: int, rng: np.random.Generator) -> np.ndarray:
    """Return (n, count) readings of which nothing but chance is in it."""
    found = PATCH * rng.standard_normal((len(frame), count))
    for names, spread in SPREADS.items():
        codes = frame.groupby(list(names), sort=False).ngroup().to_numpy()
        found += spread * rng.standard_normal((codes.max() + 1, count))[codes]
    return found


def run(
    plan: Plan, effects: tuple[Effect, ...], layouts: int, trials: int, seed: int = 1
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], np.ndarray, Structure]:
    """Return by effect (layouts, factors) shares of p < .05 and mean half-widths, and those without places."""
    rng = np.random.default_rng(seed)
    shares: dict[str, list[np.ndarray]] = {one.name: [] for one in effects}
    halves: dict[str, list[np.ndarray]] = {one.name: [] for one in effects}
    without = []
    for at in range(layouts):
        frame, told = treated_rows(plan, lay_out(plan, seed * 100_000 + at))
        singles = tuple(one for one in told.effects if len(one.factors) == 1)
        pairs = [Pair.all_of(frame, one.name)[0] for one in singles]
        wanted = Wanted(singles, tuple(pairs), 0.95)
        ready, drawn = prepare(frame, told, wanted), scatter(frame, trials, rng)
        for one in effects:
            found = ready.of(drawn + one.on(frame)[:, None])
            shares[one.name].append((found.p < 0.05).mean(axis=0))
            halves[one.name].append(found.half_widths.mean(axis=0))
        bare = ready if not told.places else prepare(frame, replace(told, places=()), wanted)
        without.append(bare.of(drawn).half_widths.mean(axis=0))
    as_arrays = [{name: np.array(rows) for name, rows in table.items()} for table in (shares, halves)]
    return as_arrays[0], as_arrays[1], np.array(without), told


def lines(name: str, layouts: int, trials: int) -> Iterator[str]:
    """Yield the lines of one case."""
    factors, boards = CASES[name]
    shares, halves, without, told = run(plan_of(factors, boards), EFFECTS, layouts, trials)
    fitted = " and ".join(told.places) or "none"
    yield f"\n{name}, places in the model: {fitted}"
    widest = max(map(len, shares))
    for effect, share in shares.items():
        cells = []
        for at, factor in enumerate(factors):
            error = 1.96 * share[:, at].std(ddof=1) / np.sqrt(layouts)
            wider = halves[effect][:, at].mean() / halves["none"][:, at].mean()
            cells.append(f"{factor} {share[:, at].mean():.3f} ± {error:.3f} ×{wider:5.2f}")
        yield f"  {effect:{widest}}  " + "   ".join(cells)
    costs = halves["none"].mean(axis=0) / without.mean(axis=0)
    yield "  cost of places in the model: " + ", ".join(
        f"{factor} {cost:.3f}" for factor, cost in zip(factors, costs, strict=True)
    )


if __name__ == "__main__":
    numbers = [int(one) for one in sys.argv[1:3]]
    asked = sys.argv[3:] or list(CASES)
    for case in asked:
        for line in lines(case, *(numbers or (600, 5))):
            print(line, flush=True)
