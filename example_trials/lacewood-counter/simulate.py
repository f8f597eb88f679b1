"""Make the invented results of this example from a stated truth.

    python example_trials/lacewood-counter/simulate.py

lays the plan out with its seed and writes results/*.csv and truth.json. The size of the board-to-board
and patch-to-patch spread of L* after dye (2.0 and 1.0), and of assessor and repeat spread in grades, are
working values, no source; every other number is made up.
"""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path
from typing import Any

from trials.design import lay_out, scoring_order
from trials.plan import read_plan

HERE = Path(__file__).parent
LAYOUT_SEED = 20260314
RESULT_SEED = 38

TRUTH: dict[str, dict[str, Any]] = {
    "figure_clarity": {
        "mean": 2.75,
        "effects": {
            "carrier": {"water": 0.0, "alcohol": -0.1, "oil": 0.2},
            "dye_load": {"15 g/L": 0.1, "30 g/L": -0.2},
            "seal_coat": {"none": 0.0, "shellac 1 lb cut": 0.9},
            "glaze_dwell": {"3 min": 0.0, "6 min": -0.1, "12 min": -0.4},
        },
        "control": 4.3,
        "spread": {"lot": 0.1, "board": 0.3, "lane": 0.15, "strip": 0.15, "patch": 0.2},
        "assessors": {"A": 0.15, "B": -0.15},
        "repeat": 0.3,
    },
    "lap_visibility": {
        "mean": 3.3,
        "effects": {
            "carrier": {"water": 0.3, "alcohol": -0.8, "oil": 0.6},
            "dye_load": {"15 g/L": 0.1, "30 g/L": -0.1},
            "seal_coat": {"none": 0.0, "shellac 1 lb cut": 0.0},
            "glaze_dwell": {"3 min": 0.0, "6 min": 0.0, "12 min": 0.1},
        },
        # a brushed coat of shellac drags the alcohol dye
        "together": [{"carrier": "alcohol", "seal_coat": "shellac 1 lb cut", "effect": -0.75}],
        "control": 4.9,
        "spread": {"lot": 0.1, "board": 0.3, "lane": 0.15, "strip": 0.15, "patch": 0.2},
        "assessors": {"A": 0.1, "B": -0.1},
        "repeat": 0.3,
    },
    "darkness": {
        "mean": 46.0,
        "effects": {
            "carrier": {"water": 0.0, "alcohol": -1.0, "oil": 6.0},
            "dye_load": {"15 g/L": 0.0, "30 g/L": -6.0},
            "seal_coat": {"none": 0.0, "shellac 1 lb cut": 0.8},
            "glaze_dwell": {"3 min": 0.0, "6 min": -0.8, "12 min": -1.8},
        },
        "control": 63.0,
        "spread": {"lot": 1.0, "board": 2.0, "lane": 0.5, "strip": 0.4, "patch": 1.0},
        "assessors": {},
        "repeat": 0.0,
    },
}


def main() -> None:
    """Write the results and the truth they came from."""
    plan = read_plan(HERE)
    patches = lay_out(plan, LAYOUT_SEED).patches
    draw = random.Random(RESULT_SEED)
    latent = {name: _latent(patches, truth, draw) for name, truth in TRUTH.items()}
    results = HERE / "results"
    results.mkdir(exist_ok=True)
    for assessor in plan.assessors:
        rows = []
        for code in scoring_order(patches, LAYOUT_SEED, assessor):
            row = [code]
            for name in ("figure_clarity", "lap_visibility"):
                truth = TRUTH[name]
                seen = latent[name][code] + truth["assessors"][assessor] + draw.gauss(0, truth["repeat"])
                row.append(f"{min(max(round(seen * 2) / 2, 1), 5):g}")
            rows.append([*row, assessor, ""])
        header = ["patch", "figure_clarity", "lap_visibility", "assessor", "note"]
        _write(results / f"scores-{assessor}.csv", header, rows)
    rows = [[code, f"{latent['darkness'][code]:.1f}"] for code in sorted(latent["darkness"])]
    _write(results / "lightness.csv", ["patch", "darkness"], rows)
    header = ["board", "step", "started_at", "temperature_c", "humidity_pct"]
    _write(results / "bench.csv", header, _bench(patches, draw))
    (HERE / "truth.json").write_text(json.dumps(_answers(), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _latent(patches: Any, truth: dict[str, Any], draw: random.Random) -> dict[int, float]:
    """Return for each code the value a perfect eye would give."""
    spread = truth["spread"]
    shifts: dict[tuple[object, ...], float] = {}

    def shift(kind: str, *piece: object) -> float:
        return shifts.setdefault((kind, *piece), draw.gauss(0, spread[kind]))

    values = {}
    for row in patches.to_dict("records"):
        wood = shift("lot", row["lot"]) + shift("board", row["board"]) + draw.gauss(0, spread["patch"])
        if row["control"]:
            values[row["patch"]] = truth["control"] + wood
            continue
        work = shift("lane", row["board"], row["lane"]) + shift("strip", row["board"], row["strip"])
        effects = sum(levels[row[factor]] for factor, levels in truth["effects"].items())
        effects += sum(
            pair["effect"]
            for pair in truth.get("together", [])
            if all(row[factor] == level for factor, level in pair.items() if factor != "effect")
        )
        values[row["patch"]] = truth["mean"] + effects + wood + work
    return values


def _bench(patches: Any, draw: random.Random) -> list[list[object]]:
    """Return made-up bench notes: each board dyed in its turn on one morning."""
    boards = patches.drop_duplicates("board").sort_values("board_order")
    rows = []
    for at, board in enumerate(boards["board"]):
        hour, minute = divmod(8 * 60 + 12 * at, 60)
        warm, damp = round(20.5 + draw.gauss(0, 0.4), 1), round(48 + draw.gauss(0, 1.5))
        rows.append([board, "dye", f"2026-03-16 {hour:02d}:{minute:02d}", warm, damp])
    return rows


def _answers() -> dict[str, Any]:
    """Return the truth, with the differences that the plan's questions are about."""
    clarity, lap, dark = (TRUTH[name]["effects"] for name in ("figure_clarity", "lap_visibility", "darkness"))

    def step(levels: dict[str, float], first: str, second: str) -> float:
        return round(levels[second] - levels[first], 6)

    return {
        "note": "invented; the differences are second level minus first, before scores are rounded to half grades",
        "questions": [
            {"factor": "seal_coat", "response": "figure_clarity", "first": "none", "second": "shellac 1 lb cut",
             "difference": step(clarity["seal_coat"], "none", "shellac 1 lb cut")},
            {"factor": "seal_coat", "response": "lap_visibility", "first": "none", "second": "shellac 1 lb cut",
             # -0.75 with one carrier of three
             "difference": step(lap["seal_coat"], "none", "shellac 1 lb cut") - 0.25},
            {"factor": "carrier", "response": "darkness", "first": "water", "second": "alcohol",
             "difference": step(dark["carrier"], "water", "alcohol")},
            {"factor": "carrier", "response": "darkness", "first": "water", "second": "oil",
             "difference": step(dark["carrier"], "water", "oil")},
            {"factor": "carrier", "response": "darkness", "first": "alcohol", "second": "oil",
             "difference": step(dark["carrier"], "alcohol", "oil")},
            {"factor": "glaze_dwell", "response": "figure_clarity", "first": "12 min", "second": "3 min",
             "difference": step(clarity["glaze_dwell"], "12 min", "3 min")},
        ],
        "truth": TRUTH,
    }  # fmt: skip


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
