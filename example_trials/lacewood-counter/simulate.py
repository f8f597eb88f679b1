"""Make the invented results of this example from a stated truth.

    python example_trials/lacewood-counter/simulate.py

lays the plan out with its seed, writes results/*.csv and truth.json, and takes the results in. The size of the
board-to-board and patch-to-patch spread of L* after dye (2.0 and 1.0), and of assessor and repeat spread in
grades, are working values, no source; every other number is made up.
"""

from __future__ import annotations

import csv
import json
import random
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from trials import cli, folder
from trials.design import lay_out
from trials.folder import clock
from trials.plan import read_plan
from trials.scoring import sittings

HERE = Path(__file__).parent
LAYOUT_SEED = 20260314
RESULT_SEED = 38
AGAIN_SEED = 39
LAID_OUT = "2026-03-14T09:00:00Z"
AT_THE_BENCH = {"dye": datetime(2026, 3, 16, 8), "top coat": datetime(2026, 3, 20, 8)}
BEGAN = {"A": datetime(2026, 3, 23, 9), "B": datetime(2026, 3, 23, 14), "": datetime(2026, 3, 23, 17)}
"""When each assessor began to score, and when lightness was read."""
LOOK_S, REST_S, READ_S = 35, 120, 20
INVENTED = "invented"

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
        "mean": 2.7,
        "effects": {
            "carrier": {"water": -0.3, "alcohol": 0.8, "oil": -0.6},
            "dye_load": {"15 g/L": -0.1, "30 g/L": 0.1},
            "seal_coat": {"none": 0.0, "shellac 1 lb cut": 0.0},
            "glaze_dwell": {"3 min": 0.0, "6 min": 0.0, "12 min": -0.1},
        },
        # a brushed coat of shellac drags the alcohol dye
        "together": [{"carrier": "alcohol", "seal_coat": "shellac 1 lb cut", "effect": 0.75}],
        "control": 1.1,
        "spread": {"lot": 0.1, "board": 0.3, "lane": 0.15, "strip": 0.15, "patch": 0.2},
        "assessors": {"A": -0.1, "B": 0.1},
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
    again = random.Random(AGAIN_SEED)  # of second looks: whether there are any changes no first one
    for sitting in sittings(plan, patches, LAYOUT_SEED):
        rows, (scored,) = [], sitting.rounds
        truths = [(name, TRUTH[name]) for name in ("figure_clarity", "lap_visibility")]
        for at, look in enumerate(scored.looks):
            row: list[object] = [look.patch]
            for name, truth in truths:
                chance = draw if look.repeat == 1 else again
                seen = latent[name][look.patch] + truth["assessors"][sitting.assessor]
                seen += chance.gauss(0, truth["repeat"])
                row.append(f"{min(max(round(seen * 2) / 2, 1), 5):g}")
            seconds = LOOK_S * at + REST_S * (at // sitting.rest_after if sitting.rest_after else 0)
            rows.append([*row, sitting.assessor, look.repeat, _time(BEGAN[sitting.assessor], seconds), INVENTED])
        header = ["patch", "figure_clarity", "lap_visibility", "assessor", "repeat", "taken_at", "method"]
        _write(results / f"scores-{sitting.assessor}.csv", header, rows)
    rows = [
        [code, f"{latent['darkness'][code]:.1f}", _time(BEGAN[""], READ_S * at), INVENTED]
        for at, code in enumerate(sorted(latent["darkness"]))
    ]
    _write(results / "lightness.csv", ["patch", "darkness", "taken_at", "method"], rows)
    header = ["board", "step", "started_at", "temperature_c", "humidity_pct", "note"]
    _write(results / "bench.csv", header, _bench(patches, draw))
    (HERE / "truth.json").write_text(json.dumps(_answers(), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    _take_in(results)


def _take_in(results: Path) -> None:
    """Lay the boards out and take the results in, by the clock of that time."""
    for name in ("layout.csv", "readings.csv", "conditions.csv", "datapackage.json"):
        (HERE / name).unlink(missing_ok=True)
    plan = read_plan(HERE)
    with clock.set_to(LAID_OUT):
        folder.save_layout(folder.at(HERE), plan, lay_out(plan, LAYOUT_SEED))
    with clock.set_to(_time(BEGAN[""], 3600) + "Z"):
        cli.record([*sorted(results.glob("*.csv")), HERE])


def _time(began: datetime, seconds: int) -> str:
    return (began + timedelta(seconds=seconds)).isoformat()


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
    """Return made-up bench notes: each board in its turn, dyed on one morning and top-coated on another."""
    boards = patches.drop_duplicates("board").sort_values("board_order")
    rows: list[list[object]] = []
    for step, began in AT_THE_BENCH.items():
        for at, board in enumerate(boards["board"]):
            warm, damp = round(20.5 + draw.gauss(0, 0.4), 1), round(48 + draw.gauss(0, 1.5))
            rows.append([board, step, _time(began, 720 * at), warm, damp, INVENTED])
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
             # 0.75 with one carrier of three
             "difference": step(lap["seal_coat"], "none", "shellac 1 lb cut") + 0.25},
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
