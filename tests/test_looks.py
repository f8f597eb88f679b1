"""Looking again after boards were added: a verdict sought twice is right as often as one sought once."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.frame import with_factor_order
from analysis.precision.made_up.experiments import Pair, Wanted, prepare
from tests.test_scatter import CARRIER, SEAL, plan_text
from trials import structure
from trials.design import add_boards, lay_out
from trials.level import LATER, LEVEL, all_of, chance_of, each_of, level_of, per_cent
from trials.plan import read_plan


def test_the_level_of_a_look(tmp_path):
    (tmp_path / "trial.toml").write_text(plan_text(CARRIER, SEAL), encoding="utf-8")
    plan = read_plan(tmp_path)
    assert level_of(plan) == LEVEL == 0.95
    assert level_of(replace(plan, added=(2,))) == level_of(replace(plan, added=(2, 4))) == LATER == 0.99
    assert each_of(0.95, 3) == pytest.approx(1 - 0.05 / 3)
    assert all_of(each_of(0.99, 6), 6) == pytest.approx(0.99)
    assert (per_cent(LEVEL), per_cent(LATER), per_cent(each_of(0.95, 3))) == ("95%", "99%", "98.3%")
    assert (chance_of(LEVEL), chance_of(LATER)) == ("one in twenty", "one in 100")


@pytest.mark.slow
def test_two_looks_are_wrong_as_seldom_as_one(tmp_path):
    """Six boards, then four more where the first look gives no verdict; a true gain of just the worth.

    400 trials at 95 %: 368 to 390 hold in all but one of a hundred such tests (binomial).
    """
    (tmp_path / "trial.toml").write_text(plan_text(CARRIER, SEAL), encoding="utf-8")
    plan = read_plan(tmp_path)
    layout = lay_out(plan, 1)
    longer = replace(plan, boards=replace(plan.boards, lots=(6, 4)), added=(4,))
    more = add_boards(longer, layout.patches, 2, {"carrier": 1.0})
    whole = with_factor_order(longer, pd.concat([layout.patches, more.patches], ignore_index=True))
    rng = np.random.default_rng(1)
    values = np.zeros((len(whole), 400))
    for columns, spread in ((["lot"], 0.7), (["board"], 0.5), (["board", "lane"], 0.35), (["patch"], 0.5)):
        codes = whole.groupby(columns).ngroup().to_numpy()
        values += spread * rng.standard_normal((codes.max() + 1, 400))[codes]
    seen = []
    for one, patches in ((plan, with_factor_order(plan, layout.patches)), (longer, whole)):
        told = structure.of_layout(one, patches)
        wanted = Wanted((told.by_name["carrier"],), tuple(Pair.all_of(patches, "carrier")), level_of(one))
        seen.append(prepare(patches, told, wanted).of(values[: len(patches)]))
    (first, half), (again, wider) = ((one.differences[:, 0], one.half_widths[:, 0]) for one in seen)
    open_ = np.abs(first) <= half  # at a gain of just the worth, no verdict is an interval that holds the truth
    held = open_ & (np.abs(again) <= wider)
    assert open_.sum() - held.sum() > 0
    assert 368 <= held.sum() <= 390
