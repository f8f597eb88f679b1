"""Make the invented results of this example from a stated truth.

    python example_trials/lap-boards/simulate.py

lays the plan out with its seed, writes results/*.csv and truth.json, and takes the results in.
One thing lies behind a lap's grade and its
measured step: how far the first edge has set on that board after that wait. It grows with ln minutes, sooner with
alcohol than with water, for alcohol leaves first (common practice, no source; so is how long each stays wet). The
grade and the readings each add noise of their own. Every number is made up.
"""

from __future__ import annotations

import csv
import json
import math
import random
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from trials import cli, folder
from trials.design import lay_out, scoring_order
from trials.folder import clock
from trials.plan import read_plan

HERE = Path(__file__).parent
LAYOUT_SEED = 20260411
RESULT_SEED = 2
LAID_OUT = "2026-04-11T09:00:00Z"
AT_THE_BENCH = {
    "lane A, wait the return time, lane B": datetime(2026, 4, 13, 8),
    "top coat": datetime(2026, 4, 16, 8),
}
SCORED, READ = datetime(2026, 4, 20, 9), datetime(2026, 4, 20, 14)
BOARD_S, LOOK_S, READ_S = 3000, 35, 60
INVENTED = "invented"

TRUTH: dict[str, Any] = {
    "half_seen_min": {"water": 7.0, "alcohol": 2.6},  # half of the laps on a middling board are seen
    "slope": 4.0,  # log odds of a lap being seen, for each unit of ln minutes
    "boards": 0.8,  # how boards differ, in the log odds
    "wet_min": 0.1,  # what an edge met at once has waited in truth
    "grade": {
        "half_seen": 2.75,  # where grade 3 begins once rounded to half grades
        "per_log_odds": 0.3,  # grades more for each unit of log odds; the noise is logistic
    },
    "step": {
        "double_coat": 7.0,  # L* at an edge that has set
        "boards": 0.6,
        "log_odds": -1.0,  # of the index, the share of the double coat that shows, where half of the laps are seen
        "reading": 0.3,  # noise of one reading of L*: two beside the overlap, one on it
    },
}
RISK, INDEX = 0.1, 0.2
"""The share of laps that may be seen, and the index of a measured lap, for which the true waits are stated."""


def main() -> None:
    """Write the results and the truth they came from."""
    plan = read_plan(HERE)
    patches = lay_out(plan, LAYOUT_SEED).patches
    minutes = dict(zip(plan.factor("return_time").levels, plan.factor("return_time").amounts or (), strict=True))
    draw = random.Random(RESULT_SEED)
    boards = {board: draw.gauss(0, TRUTH["boards"]) for board in sorted(set(patches["board"]))}
    double = {board: draw.gauss(TRUTH["step"]["double_coat"], TRUTH["step"]["boards"]) for board in boards}
    set_so_far = {
        row["patch"]: boards[row["board"]] + _log_odds(row["carrier"], minutes[row["return_time"]])
        for row in patches.to_dict("records")
    }
    results = HERE / "results"
    results.mkdir(exist_ok=True)
    (assessor,) = plan.assessors
    rows: list[list[object]] = [
        [code, _grade(set_so_far[code], draw), assessor, _time(SCORED, LOOK_S * at), INVENTED]
        for at, code in enumerate(scoring_order(patches, LAYOUT_SEED, assessor))
    ]
    header = ["patch", "lap_visibility", "assessor", "taken_at", "method"]
    _write(results / f"scores-{assessor}.csv", header, rows)
    board_of = dict(zip(patches["patch"], patches["board"], strict=True))
    rows = [
        [code, _step(set_so_far[code], double[board_of[code]], draw), _time(READ, READ_S * at), INVENTED]
        for at, code in enumerate(sorted(set_so_far))
    ]
    _write(results / "steps.csv", ["patch", "lap_step", "taken_at", "method"], rows)
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
    with clock.set_to(_time(READ, 3 * 3600) + "Z"):
        cli.record([*sorted(results.glob("*.csv")), HERE])


def _time(began: datetime, seconds: int) -> str:
    return (began + timedelta(seconds=seconds)).isoformat()


def _log_odds(carrier: str, waited_min: float) -> float:
    """Return the log odds of a lap being seen on a middling board."""
    waited = max(waited_min, TRUTH["wet_min"])
    return float(TRUTH["slope"] * (math.log(waited) - math.log(TRUTH["half_seen_min"][carrier])))


def _grade(log_odds: float, draw: random.Random) -> str:
    """Return a grade in halves from 1 to 5, of which 3 or more has just these log odds."""
    chance = draw.random()
    luck = math.log(chance / (1 - chance))
    seen = TRUTH["grade"]["half_seen"] + TRUTH["grade"]["per_log_odds"] * (log_odds + luck)
    return f"{min(max(round(seen * 2) / 2, 1), 5):g}"


def _step(log_odds: float, double_coat: float, draw: random.Random) -> str:
    """Return a measured step in L*: the mean of a reading on each side of the overlap, less the one on it."""
    one, other, on_it = (draw.gauss(0, TRUTH["step"]["reading"]) for _ in range(3))
    step = double_coat * _share(log_odds + TRUTH["step"]["log_odds"]) + (one + other) / 2 - on_it
    return f"{round(step, 1) + 0.0:.1f}"  # no -0.0


def _share(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds))


def _bench(patches: Any, draw: random.Random) -> list[list[object]]:
    """Return made-up bench notes: each board in its turn, its lanes laid within one day, top-coated on another."""
    boards = patches.drop_duplicates("board").sort_values("board_order")
    rows: list[list[object]] = []
    for step, began in AT_THE_BENCH.items():
        for at, board in enumerate(boards["board"]):
            warm, damp = round(20.5 + draw.gauss(0, 0.4), 1), round(48 + draw.gauss(0, 1.5))
            rows.append([board, step, _time(began, BOARD_S * at), warm, damp, INVENTED])
    return rows


# --- the true waits --------------------------------------------------------------------------------


def _answers() -> dict[str, Any]:
    """Return the truth, with the waits that the analysis looks for."""
    wanted = {"seen": (RISK, _chance_over_boards), "index": (INDEX, _index_of_middling_board)}
    return {
        "note": "invented; seen_min is the wait at which a lap is seen (grade 3 or more) with the stated risk over "
        "all boards, index_min that at which a middling board's lap shows the stated share of a full double coat",
        "risk": RISK,
        "index": INDEX,
        "waits": [
            {"carrier": carrier}
            | {f"{name}_min": round(_wait(carrier, share, of), 4) for name, (share, of) in wanted.items()}
            for carrier in TRUTH["half_seen_min"]
        ],
        "truth": TRUTH,
    }


def _chance_over_boards(log_odds: float) -> float:
    """Return the chance that a lap is seen, averaged over how boards differ."""
    grid = [at / 50 for at in range(-300, 301)]
    weights = [math.exp(-(at**2) / 2) for at in grid]
    chances = (weight * _share(log_odds + TRUTH["boards"] * at) for weight, at in zip(weights, grid, strict=True))
    return sum(chances) / sum(weights)


def _index_of_middling_board(log_odds: float) -> float:
    return _share(log_odds + TRUTH["step"]["log_odds"])


def _wait(carrier: str, share: float, of: Callable[[float], float]) -> float:
    """Return the minutes at which a share that grows with the wait is reached, by halving."""
    low, high = TRUTH["wet_min"], 1440.0
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if of(_log_odds(carrier, middle)) < share else (low, middle)
    return float(low)


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
