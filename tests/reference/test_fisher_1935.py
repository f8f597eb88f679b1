"""Darwin's maize: Fisher (1935), The Design of Experiments, chapter 3.

Fifteen pairs of plants, one crossed and one self-fertilised in each pot; heights in inches. Fisher counts
863 of the 32 768 ways to swap the members of the pairs in which the crossed plants are ahead by as much as
they were, 1726 both ways (from memory; counted afresh for the values beside the data). The other two sets of
the folder are invented, their counts made by listing every arrangement in another language.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from analysis import rerandomise

DATA = Path(__file__).parent / "data" / "randomization-tests"
EXPECTED = json.loads((DATA / "expected.json").read_text())
FRAME = pd.read_csv(DATA / "data.csv")
PAIRS = {"group": ["board", "group"]}
BOARDS = {"group": ["board"], "half": ["board", "half"]}
SPLIT = EXPECTED["split_plot"]


def subset(name):
    return FRAME[FRAME["set"] == name]


def levels(frame, column, *order):
    return frame.assign(**{column: pd.Categorical(frame[column], order)})


CASES = {
    "darwin": (levels(subset("darwin"), "group", "self", "cross"), "group", PAIRS, EXPECTED["darwin_sign_flip"]),
    "two groups": (subset("two_group"), "group", {"group": ["board"]}, EXPECTED["two_group"]),
    "sealer": (subset("split_plot"), "half", BOARDS, SPLIT["sealer_sign_flip_by_board"]),
    "carrier": (
        levels(subset("split_plot"), "group", "water", "alcohol"),
        "group",
        BOARDS,
        SPLIT["carrier_permute_boards"],
    ),
    "interaction": (
        levels(subset("split_plot"), "group", "water", "alcohol"),
        "group:half",
        BOARDS,
        SPLIT["interaction_permute_half_differences"],
    ),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("statistic", ["f", "difference"])
def test_two_sided_counts(case, statistic):
    frame, term, structure, expected = CASES[case]
    result = rerandomise.test(frame, "y", term, structure, statistic=statistic)
    assert result.exact
    assert result.arrangements == result.draws == expected["arrangements"]
    assert result.count == expected["count_two_sided"]
    assert result.p == pytest.approx(expected["p_two_sided"], rel=1e-14)


@pytest.mark.parametrize("case", CASES)
def test_one_sided_counts(case):
    frame, term, structure, expected = CASES[case]
    result = rerandomise.test(frame, "y", term, structure, statistic="difference", alternative="greater")
    assert result.count == expected["count_upper"]
    assert result.p == pytest.approx(expected["p_upper"], rel=1e-14)
    observed = expected.get("observed_difference", expected.get("observed_mean_difference"))
    assert result.statistic == pytest.approx(observed, rel=1e-12)


@pytest.mark.parametrize("case", CASES)
def test_the_other_way_round(case):
    frame, term, structure, expected = CASES[case]
    column = term.split(":")[0]
    order = pd.Categorical(frame[column]).categories
    turned = levels(frame, column, *order[::-1])
    result = rerandomise.test(turned, "y", term, structure, statistic="difference", alternative="less")
    assert result.count == expected["count_upper"]
    assert result.statistic < 0


def test_published_count_of_darwins_pairs():
    frame, term, structure, _ = CASES["darwin"]
    result = rerandomise.test(frame, "y", term, structure)
    assert result.count == 1726
    assert round(result.p, 4) == 0.0527
    assert result.df == (1, 14)
    assert result.statistic == pytest.approx(EXPECTED["darwin_t_test"]["t"] ** 2, rel=1e-12)
