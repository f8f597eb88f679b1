"""Trials in memory, for tests that need readings without a folder."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from trials import folder as folders
from trials.design import lay_out
from trials.folder import Folder, Record, Trial
from trials.plan import read_plan


def trial_of(
    place: Path,
    text: str,
    value: Callable[[dict[str, Any], random.Random], float | None],
    seed: int = 1,
    assessors: int = 1,
) -> Trial:
    """Lay out a plan and read every patch of every response.

    `value` gets a patch (with the keys response and assessor) and a generator; None leaves the reading out.
    """
    return read(unread(place, text, seed), value, seed, assessors)


def unread(place: Path, text: str, seed: int = 1) -> Trial:
    """Lay out a plan, for several sets of readings of the same boards."""
    place.mkdir(exist_ok=True)
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    layout = lay_out(plan, seed)
    folders.save_layout(Folder(place), plan, layout)
    return Trial(Folder(place), plan, _record(place), layout.patches, (), ())


def read(
    trial: Trial, value: Callable[[dict[str, Any], random.Random], float | None], seed: int = 1, assessors: int = 1
) -> Trial:
    """Return a trial that is laid out with readings of every patch, as `trial_of` makes them."""
    draw = random.Random(seed)
    readings = []
    for response in trial.plan.responses:
        for patch in trial.patches.to_dict("records"):
            for assessor in "ABCDEFGH"[:assessors]:
                found = value(patch | {"response": response.name, "assessor": assessor}, draw)
                if found is not None:
                    readings.append(
                        dict.fromkeys(folders.READING_COLUMNS, "")
                        | {
                            "patch": str(patch["patch"]), "response": response.name, "value": repr(float(found)),
                            "assessor": assessor, "stage": response.stage, "repeat": "1",
                        }
                    )  # fmt: skip
    return replace(trial, readings=tuple(readings))


def laid_out_as(trial: Trial, **changes: Any) -> Trial:
    """Return a trial whose plan was another one from the beginning."""
    plan = replace(trial.plan, **changes)
    return replace(trial, plan=plan, record=replace(trial.record, plan=plan.as_dict()))


def _record(place: Path) -> Record:
    return folders.load_record(Folder(place))


class Pieces:
    """Random shifts for boards, lanes, strips and patches, drawn once each."""

    def __init__(self, draw: random.Random, **spread: float) -> None:
        self.draw, self.spread, self.shifts = draw, spread, {}

    def shift(self, patch: dict[str, Any]) -> float:
        """Return the sum of a patch's shifts."""
        columns = {"board": ("board",), "lane": ("board", "lane"), "strip": ("board", "strip"), "patch": ("patch",)}
        total = 0.0
        for kind, spread in self.spread.items():
            key = (kind, *(patch[name] for name in columns[kind]))
            if key not in self.shifts:
                self.shifts[key] = self.draw.gauss(0, spread)
            total += self.shifts[key]
        return total
