"""Regular two-level fractions against the textbooks' tables.

Generators and resolutions: Box, Hunter and Hunter, Statistics for Experimenters (2nd edition, 2005), Montgomery,
Design and Analysis of Experiments, and the NIST/SEMATECH e-Handbook of Statistical Methods, section 5.3.3.4.7.
Word length patterns: Chen, Sun and Wu (1993), International Statistical Review 61:131-145. All from memory. Where
the generators are known the words are multiplied out here, by a way of its own.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from trials.plan import Factor
from trials.selection import two_level_fraction

DATA = Path(__file__).parent / "data" / "two-level-fractions"
ROWS = list(csv.DictReader((DATA / "data.csv").read_text(encoding="utf-8").splitlines()))
LENGTHS = json.loads((DATA / "expected.json").read_text(encoding="utf-8"))["word_lengths"]
LETTERS = "ABCDEFGHJKL"


def key(row: dict[str, str]) -> str:
    return f"{row['factors']} in {row['runs']}"


def fraction(row: dict[str, str]):
    factors = [Factor(name, ("low", "high"), "board") for name in LETTERS[: int(row["factors"])]]
    return two_level_fraction(factors, int(row["runs"]))


def printed_lengths(generators: str) -> Counter[int]:
    """Multiply out the defining relation of printed generators: ``D=AB E=AC``."""
    own = [set(text.replace("=", "")) for text in generators.split()]
    lengths: Counter[int] = Counter()
    for number in range(1, len(own) + 1):
        for some in combinations(own, number):
            letters = Counter(letter for word in some for letter in word)
            lengths[sum(count % 2 for count in letters.values())] += 1
    return lengths


@pytest.mark.parametrize("row", ROWS, ids=key)
def test_resolution_and_word_lengths_of_the_printed_generators(row):
    words = fraction(row)[1]
    assert len(words[0]) == int(row["resolution"])
    assert Counter(len(word) for word in words) == printed_lengths(row["generators"])


@pytest.mark.parametrize("row", [row for row in ROWS if key(row) in LENGTHS], ids=key)
def test_word_lengths_of_the_catalogue(row):
    expected = {int(length): number for length, number in LENGTHS[key(row)].items()}
    assert Counter(len(word) for word in fraction(row)[1]) == expected


@pytest.mark.parametrize("row", ROWS, ids=key)
def test_the_runs_are_the_fraction_that_the_words_define(row):
    """Every run once, every word the same sign in all runs, and no other product of factors constant."""
    treatments, words = fraction(row)
    number, runs = int(row["factors"]), int(row["runs"])
    signs = np.array(
        [[1 if treatment[name] == "high" else -1 for name in LETTERS[:number]] for treatment in treatments]
    )
    assert len(np.unique(signs, axis=0)) == runs
    defining = {frozenset(word) for word in words}
    assert len(defining) == 2**number // runs - 1
    for size in range(1, min(number, 5) + 1):
        for some in combinations(range(number), size):
            total = abs(int(np.prod(signs[:, some], axis=1).sum()))
            assert total == (runs if frozenset(LETTERS[at] for at in some) in defining else 0)
