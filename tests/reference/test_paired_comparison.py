"""Paired comparisons: critical numbers by the binomial distribution, as tabulated in ISO 5495; Bradley and Terry.

The critical numbers were reckoned exactly in another language, and agree with a second reckoning by hand for the
numbers of `BY_HAND`; the printed table of the standard was not to hand. The counts are the citations between four
journals of Stigler (1994), Statistical Science 9:94-108; estimates and standard errors of Firth (2005), Journal of
Statistical Software 12(1), to five places. All cited from memory.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from analysis import preference

DATA = Path(__file__).parent / "data" / "paired-comparison"
EXPECTED = json.loads((DATA / "expected.json").read_text())
WINS = pd.read_csv(DATA / "data.csv")
JOURNALS = ["Biometrika", "CommStatist", "JASA", "JRSSB"]
CRITICAL = [
    row for key in ("critical_numbers_5_percent", "critical_numbers_1_percent") for row in EXPECTED.get(key, [])
]
BY_HAND = {6: (6, 6), 8: (7, 8), 10: (9, 9), 12: (10, 10), 15: (12, 12), 16: (12, 13), 20: (15, 15), 24: (17, 18),
           30: (20, 21)}  # fmt: skip
TERRY = EXPECTED["bradley_terry"]


def test_the_table_is_whole():
    assert {row["alpha"] for row in CRITICAL} == {0.05, 0.01}
    assert {row["n"] for row in CRITICAL} == set(range(10, 31))


@pytest.mark.parametrize("row", CRITICAL, ids=lambda row: f"{row['n']}-{row['alpha']}")
def test_critical_numbers(row):
    assert preference.fewest_agreeing(row["n"], 1, row["alpha"]) == row["one_sided"]
    assert preference.fewest_agreeing(row["n"], 2, row["alpha"]) == row["two_sided"]


@pytest.mark.parametrize("row", CRITICAL, ids=lambda row: f"{row['n']}-{row['alpha']}")
def test_the_sign_flip_of_single_choices_is_the_binomial_test(row):
    agreeing = row["two_sided"]
    apart = [0.5] * agreeing + [-0.5] * (row["n"] - agreeing)
    assert preference.sign_flip(apart)[0] == pytest.approx(row["p_at_two_sided"], rel=1e-9)


@pytest.mark.parametrize("n", BY_HAND)
def test_critical_numbers_reckoned_by_hand(n):
    assert (preference.fewest_agreeing(n, 1), preference.fewest_agreeing(n, 2)) == BY_HAND[n]


def test_so_few_cannot_settle_it():
    assert [preference.fewest_agreeing(n, 1) for n in range(6)] == [None] * 5 + [5]
    assert [preference.fewest_agreeing(n, 2) for n in range(7)] == [None] * 6 + [6]


def test_abilities():
    found = preference.abilities(WINS, JOURNALS)
    for row in TERRY["abilities"]:
        assert found.loc[row["item"], "log_strength"] == pytest.approx(row["estimate"], rel=1e-7)
        assert found.loc[row["item"], "se"] == pytest.approx(row["se"], rel=1e-7)
    assert found["share_picked"].to_dict() == pytest.approx(TERRY["worth_sums_to_1"], rel=1e-7)


def test_abilities_as_published_to_five_places():
    found = preference.abilities(WINS, JOURNALS)
    for name in JOURNALS[1:]:
        printed = found.loc[name, ["log_strength", "se"]].to_list()
        assert printed == pytest.approx(EXPECTED["published"][name], abs=5.1e-6)


def test_intervals_are_1_96_standard_errors_wide():
    """The normal deviate 1.959964 of any table."""
    found = preference.abilities(WINS, JOURNALS)
    reach = (found["upper"] - found["log_strength"]) / found["se"]
    assert reach.iloc[1:].to_list() == pytest.approx([1.959964] * 3, rel=1e-6)


@pytest.mark.parametrize(
    ("share", "n", "limits"),
    [(0.5, 10, (0.1871, 0.8129)), (0.0, 10, (0.0, 0.3085)), (0.9, 10, (0.5550, 0.9975)), (0.75, 20, (0.509, 0.9134))],
)
def test_interval_of_a_share(share, n, limits):
    """Clopper and Pearson's limits of x of n at 95 %, as in handbook tables; from memory, to four places."""
    assert preference.share_interval(share, n) == pytest.approx(limits, abs=6e-5)
