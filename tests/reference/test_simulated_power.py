"""Power from made-up experiments beside exact power, statsmodels' and the tables of a textbook.

Sources: the split-plot cases of ``data/power-split-plot`` (invented cell means and variances, noncentral F and 20 000
simulated experiments in R 4.2.2); statsmodels' power of one-way layouts; Cohen 1992, A power primer, Psychological
Bulletin 112:155-159, table 2 (after Cohen 1988, Statistical Power Analysis for the Behavioral Sciences), from memory.
"""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from analysis import precision
from analysis.precision.made_up import simulate, simulate_tests
from trials.design import lay_out
from trials.plan import Question, read_plan

DATA = Path(__file__).parent / "data" / "power-split-plot"
CASES = json.loads((DATA / "expected.json").read_text())["configs"]
COUNT = 20_000
SPLIT = """\
[trial]
title = "Sample boards of quartersawn lacewood"
[boards]
count = {boards}
length = "400 mm"
width = "150 mm"
lanes = {lanes}
[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "sealer"
levels = [{sealers}]
laid_on = "lane"
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"
"""
WHOLE = """\
[trial]
title = "Sample boards of quartersawn lacewood"
[boards]
count = {boards}
length = "200 mm"
width = "150 mm"
[[factor]]
name = "carrier"
levels = [{levels}]
laid_on = "board"
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"
"""


def planned(place, text, **numbers):
    (place / "trial.toml").write_text(text.format(**numbers), encoding="utf-8")
    return read_plan(place)


def named(count):
    return ", ".join(f'"setting {at}"' for at in range(1, count + 1))


def agrees(share, chance, count=COUNT):
    """Compare a simulated share with a chance: four binomial standard errors, beyond which one in 16 000 lies."""
    return abs(share - chance) < 4 * math.sqrt(chance * (1 - chance) / count)


@pytest.mark.parametrize("name", CASES)
def test_split_plots(tmp_path, name):
    case = CASES[name]
    lanes = len(case["cell_means"][0])
    plan = planned(tmp_path, SPLIT, boards=3 * case["boards_per_carrier"], lanes=lanes, sealers=named(lanes))
    variances = {"board": case["s2_board"], "residual": case["s2_res"]}
    means = {"carrier:sealer": np.array(case["cell_means"], dtype=float)}
    layout = lay_out(plan, 1)
    order = list(
        plan.factor("sealer").levels
    )  # each on a lane of its own, so that the lane's place is not in the model
    patches = layout.patches.assign(lane=[order.index(level) + 1 for level in layout.patches["sealer"]])
    found = simulate_tests(plan, replace(layout, patches=patches), variances, means, COUNT, seed=6)
    assert set(found.p) == {"carrier", "sealer", "carrier:sealer"}
    for exact, theirs in zip(case["analytic"], case["simulated"], strict=True):
        share = float((found.p[exact["term"]] < 0.05).mean())
        assert agrees(share, exact["power"])
        assert abs(share - theirs["power"]) < 4 * math.hypot(theirs["mc_se"], math.sqrt(share * (1 - share) / COUNT))


@pytest.mark.parametrize(("levels", "boards", "f"), [(3, 12, 0.8), (4, 24, 0.5), (5, 15, 1.1)])
def test_whole_boards_are_a_one_way_layout(tmp_path, levels, boards, f):
    """The last and the first level lie a gain apart and the rest midway: Cohen's f is gain / sqrt(2 k) / sd."""
    plan = planned(tmp_path, WHOLE, boards=boards, levels=named(levels))
    gain = f * math.sqrt(2 * levels) * 1.3
    found = simulate(plan, lay_out(plan, 1), Question("carrier", "darkness", gain), {"residual": 1.69}, gain, COUNT)
    exact = FTestAnovaPower().power(f, nobs=boards, alpha=0.05, k_groups=levels)
    assert agrees(found.seen, exact)
    assert found.seen_se == pytest.approx(math.sqrt(exact * (1 - exact) / COUNT), rel=0.1)


@pytest.mark.parametrize(("first", "second"), [(8, 8), (5, 9), (3, 12)])
def test_unequal_numbers_of_boards_are_a_t_test(tmp_path, first, second):
    plan = planned(tmp_path, WHOLE, boards=24, levels=named(2))
    patches = lay_out(plan, 1).patches
    by_level = [patches[patches["carrier"] == level] for level in plan.factor("carrier").levels]
    kept = pd.concat([by_level[0].head(first), by_level[1].head(second)], ignore_index=True)
    layout = replace(lay_out(plan, 1), patches=kept)
    question = Question("carrier", "darkness", 1.5)
    found = simulate(plan, layout, question, {"residual": 1.0}, 1.5, COUNT, seed=1)
    exact = TTestIndPower().power(1.5, nobs1=first, ratio=second / first, alpha=0.05)
    assert agrees(found.seen, exact)


# --- Cohen 1992, table 2: readings a level for a power of 0.80, from memory ------------------------

EFFECTS = (0.10, 0.25, 0.40)
"""Cohen's f: small, medium, large."""

COHEN = {
    0.05: {
        2: (393, 64, 26), 3: (322, 52, 21), 4: (274, 45, 18), 5: (240, 39, 16), 6: (215, 35, 14), 7: (195, 32, 13),
    },
    0.01: {
        2: (586, 95, 38), 3: (464, 76, 30), 4: (388, 63, 25), 5: (336, 55, 22), 6: (299, 49, 20), 7: (271, 44, 18),
    },
}  # fmt: skip


def one_way(levels, each):
    return pd.DataFrame({"carrier": np.repeat([f"setting {at}" for at in range(levels)], each)})


CELLS = [(level, levels, at) for level, rows in COHEN.items() for levels in rows for at in range(3)]
QUICK = [(level, levels, at) for level, levels, at in CELLS if levels * COHEN[level][levels][at] < 800]
"""The small effects of many levels are left out for the time that thousands of boards take."""


@pytest.mark.parametrize(("level", "levels", "at"), QUICK)
def test_exact_power_against_cohens_table(level, levels, at):
    """The table is of whole readings, reckoned by interpolation: 0.80 lies within one of what it gives."""
    each, worth = COHEN[level][levels][at], EFFECTS[at] * math.sqrt(2 * levels)
    less, more = (
        precision.power(one_way(levels, each + step), ("carrier", worth), {"residual": 1.0}, level)
        for step in (-1, 1)
    )
    assert less < 0.80 < more


@pytest.mark.parametrize(("levels", "at"), [(2, 1), (2, 2), (3, 2), (5, 2)])
def test_simulated_power_against_cohens_table(tmp_path, levels, at):
    each, gain = COHEN[0.05][levels][at], EFFECTS[at] * math.sqrt(2 * levels)
    question = Question("carrier", "darkness", gain)
    less, more = (
        simulate(plan, lay_out(plan, 1), question, {"residual": 1.0}, gain, COUNT, seed=2)
        for plan in (
            planned(tmp_path, WHOLE, boards=levels * (each + step), levels=named(levels)) for step in (-1, 1)
        )
    )
    assert less.seen - 4 * less.seen_se < 0.80 < more.seen + 4 * more.seen_se
