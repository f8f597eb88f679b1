"""Trials whose readings are made up here and not by the project: what a simulation of its answers is held against.

A reading is a mean plus what lots, boards, lanes, strips and patches differ, each drawn normal, heavy-tailed (t with
3 degrees of freedom) or skewed (exponential), all with a mean of nought and the standard deviations of `SPREADS`.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.frame import with_factor_order
from trials import folder as folders
from trials.design import Layout, lay_out
from trials.folder import Folder, Trial
from trials.plan import Plan, read_plan

SPREADS = {"lot": 0.7, "board": 0.5, "lane": 0.35, "strip": 0.35, "patch": 0.5}
PIECES = {"lot": ["lot"], "board": ["board"], "lane": ["board", "lane"], "strip": ["board", "strip"],
          "patch": ["patch"]}  # fmt: skip


def normal(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Return standard normal numbers."""
    return rng.standard_normal(shape)


def heavy(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Return numbers with the heavy tails of t with 3 degrees of freedom, standard deviation 1."""
    return rng.standard_t(3, shape) / math.sqrt(3)


def skewed(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Return exponential numbers about a mean of nought, standard deviation 1."""
    return rng.exponential(1, shape) - 1


def factor(name: str, levels: str | Sequence[str], laid_on: str) -> str:
    """Return a factor's table of trial.toml; the letters of a word are levels."""
    return f'[[factor]]\nname = "{name}"\nlevels = {[str(one) for one in levels]}\nlaid_on = "{laid_on}"\n'


def plan_text(*parts: str, boards: int, lots: str = "1", lanes: int = 2, strips: int = 1, kind: str = "measure",
              responses: Sequence[str] = ("y",), worth: float = 1.0, asked: Sequence[str] = ()) -> str:  # fmt: skip
    """Return a trial.toml."""
    head = (
        '[trial]\ntitle = "Made up"\n'
        f'[boards]\ncount = {boards}\nlots = {lots}\nlength = "600 mm"\nwidth = "200 mm"\n'
        f"lanes = {lanes}\nstrips = {strips}\n"
    )
    read = "".join(
        f'[[response]]\nname = "{name}"\nkind = "{kind}"\naim = "more"\n'
        + ("half_grades = true\n" if kind == "grade" else 'unit = "mm"\n')
        for name in responses
    )
    questions = "".join(
        f'[[question]]\nfactor = "{name}"\nresponse = "{responses[0]}"\nworth = {worth}\n' for name in asked
    )
    return head + "".join(parts) + read + questions


def plan_of(text: str) -> Plan:
    """Return the plan of a trial.toml."""
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "trial.toml").write_text(text, encoding="utf-8")
        return read_plan(Path(place))


def laid_out(plan: Plan, seed: int) -> tuple[Layout, pd.DataFrame]:
    """Return a layout and its treated patches, factors as categories in the plan's order."""
    layout = lay_out(plan, seed)
    patches = with_factor_order(plan, layout.patches)
    return layout, patches[patches["control"] == ""].reset_index(drop=True)


Draw = Callable[[np.random.Generator, tuple[int, ...]], np.ndarray]


def drawn(
    patches: pd.DataFrame,
    rng: np.random.Generator,
    count: int,
    spreads: Mapping[str, float] = SPREADS,
    draw: Draw = normal,
    wider: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Return (count, n) what pieces differ; `wider` is by how much the differences of each of the n patches are."""
    total = np.zeros((count, len(patches)))
    for kind, columns in PIECES.items():
        codes = patches.groupby(columns, observed=True).ngroup().to_numpy()
        total += spreads.get(kind, 0.0) * draw(rng, (count, int(codes.max()) + 1))[:, codes]
    return total * wider


@dataclass(frozen=True)
class Written:
    """A plan laid out in a folder of its own, so that it can be read again and again."""

    trial: Trial

    def read(self, values: Mapping[str, np.ndarray], patches: pd.DataFrame, kept: np.ndarray | None = None) -> Trial:
        """Return the trial with these values of each response on these patches, or on those that were kept."""
        codes = [str(one) for one in patches["patch"]]
        stages = {one.name: one.stage for one in self.trial.plan.responses}
        rows = []
        for name, column in values.items():
            for at, code in enumerate(codes):
                if kept is None or kept[at]:
                    rows.append(
                        dict.fromkeys(folders.READING_COLUMNS, "")
                        | {"patch": code, "response": name, "value": repr(float(column[at])), "assessor": "A",
                           "stage": stages[name], "repeat": "1"}
                    )  # fmt: skip
        return replace(self.trial, readings=tuple(rows))


def written(place: Path, text: str, seed: int) -> Written:
    """Lay a plan out in a folder."""
    place.mkdir(parents=True, exist_ok=True)
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    layout = lay_out(plan, seed)
    folders.save_layout(Folder(place), plan, layout)
    return Written(Trial(Folder(place), plan, folders.load_record(Folder(place)), layout.patches, (), ()))


def share(held: np.ndarray) -> str:
    """Return a share with the half-width of its 95 % Monte Carlo interval: ``.948 ± .010``."""
    held = np.asarray(held, dtype=float)
    if not len(held):
        return "–"
    p = float(held.mean())
    return f"{p:.3f} ± {1.96 * math.sqrt(max(p * (1 - p), 1 / len(held) / 4) / len(held)):.3f}"
