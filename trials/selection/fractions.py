"""Fractions of the board treatments known to be good: regular two-level ones and orthogonal arrays."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, islice, product
from math import prod

import numpy as np

from trials.plan import Factor, Plan
from trials.selection.places import Treatment

MOST_COLUMNS = 100
"""So many sets of columns of an array are compared at most."""
MOST_FACTORS = 12
"""Of more factors the defining relation is not looked for."""
MOST_CARRIED, MOST_ALIKE = 60, 6
"""So many sets of generators are carried on, and so many of one word length pattern."""


def board_fraction(plan: Plan, runs: int) -> list[Treatment]:
    """Return a fraction of the board treatments that fills so many boards, where there is one."""
    factors = plan.laid_on("board")
    full = prod(len(factor.levels) for factor in factors)
    if len(factors) < 2 or not len(factors) < runs < full or len(plan.treatments(factors)) < full:
        return []
    if all(len(factor.levels) == 2 for factor in factors) and runs & (runs - 1) == 0:
        return two_level_fraction(factors, runs)[0]
    rows = orthogonal_array(tuple(len(factor.levels) for factor in factors), runs)
    if rows is None:
        return []
    return [{factor.name: factor.levels[at] for factor, at in zip(factors, row, strict=True)} for row in rows]


# --- regular two-level fractions -------------------------------------------------------------------


def two_level_fraction(factors: Sequence[Factor], runs: int) -> tuple[list[Treatment], tuple[tuple[str, ...], ...]]:
    """Return the regular fraction with the fewest short words (of minimum aberration).

    Parameters
    ----------
    factors : two or more, each of two levels.
    runs : a power of two, more than the number of factors, at most 2 ** factors.

    Returns
    -------
    The treatments, and each word of the defining relation (``I = ABCD``) as the factors it multiplies,
    shortest first.

    Raises
    ------
    ValueError
        There is no such fraction.

    References
    ----------
    Box, Hunter and Hunter, Statistics for Experimenters (2nd edition, 2005), chapter 6.
    """
    from pyDOE3 import fracfact

    number, base = len(factors), runs.bit_length() - 1
    if runs != 2**base or not base <= number < runs or any(len(factor.levels) != 2 for factor in factors):
        raise ValueError(f"there is no regular fraction of {number} factors in {runs} runs")
    letters = "abcdefghijklmnopqrstuvwxyz"[:number]
    generators, words = _best_generators(number, base)
    texts = [*letters[:base], *("".join(letters[at] for at in _members(word)) for word in generators)]
    treatments = [
        {factor.name: factor.levels[int(sign > 0)] for factor, sign in zip(factors, row, strict=True)}
        for row in fracfact(" ".join(texts))
    ]
    members = sorted((_members(word) for word in words), key=lambda word: (len(word), word))
    return treatments, tuple(tuple(factors[at].name for at in word) for word in members)


def defining_words(factors: Sequence[Factor], treatments: Sequence[Mapping[str, str]]) -> list[tuple[str, ...]]:
    """Return the words of the defining relation, shortest first, if treatments are a regular two-level fraction.

    A word is a product of factors (as +1 and -1) that is the same in all runs.
    """
    number, runs = len(factors), len(treatments)
    if number < 2 or number > MOST_FACTORS or any(len(factor.levels) != 2 for factor in factors):
        return []
    signs = [[factor.levels.index(treatment[factor.name]) for factor in factors] for treatment in treatments]
    table = np.array(signs)
    words = [
        some
        for size in range(1, number + 1)
        for some in combinations(range(number), size)
        if len(set((table[:, list(some)].sum(axis=1) % 2).tolist())) == 1
    ]
    if len(np.unique(table, axis=0)) < runs or (len(words) + 1) * runs != 2**number:
        return []
    return [tuple(factors[at].name for at in word) for word in words]


def _members(word: int) -> list[int]:
    """Return the factors of a word, which is a number with one binary digit for each factor."""
    return [at for at in range(word.bit_length()) if word >> at & 1]


def _best_generators(number: int, base: int) -> tuple[list[int], list[int]]:
    """Return the generators of the added factors that leave the fewest short words, and the defining words.

    Factors are added one at a time; the best sets so far are carried on, several of each word length pattern.
    """
    sets: list[tuple[list[int], list[int]]] = [([], [])]
    longest_first = sorted(range(1, 2**base), key=lambda word: (-word.bit_count(), word))
    possible = [word for word in longest_first if word.bit_count() > 1]
    for added in range(base, number):
        tried: dict[frozenset[int], tuple[list[int], list[int]]] = {}
        for generators, words in sets:
            for word in possible:
                chosen = frozenset((*generators, word))
                if word not in generators and chosen not in tried:
                    own = word | 1 << added
                    tried[chosen] = ([*generators, word], [*words, own, *(own ^ other for other in words)])
        ranked = sorted(tried.values(), key=lambda one: _length_pattern(one[1], number))
        seen: Counter[tuple[int, ...]] = Counter()
        sets = []
        for one in ranked[: MOST_CARRIED * MOST_ALIKE]:
            pattern = _length_pattern(one[1], number)
            seen[pattern] += 1
            if seen[pattern] <= MOST_ALIKE and len(sets) < MOST_CARRIED:
                sets.append(one)
    return sets[0]


def _length_pattern(words: Sequence[int], number: int) -> tuple[int, ...]:
    lengths = Counter(word.bit_count() for word in words)
    return tuple(lengths[size] for size in range(1, number + 1))


# --- orthogonal arrays -----------------------------------------------------------------------------


def orthogonal_array(levels: tuple[int, ...], runs: int) -> np.ndarray | None:
    """Return an array in which the levels of every two factors meet equally often, if a listed one fits.

    Parameters
    ----------
    levels : how many levels each factor has.
    runs : how many rows are wanted.

    Returns
    -------
    (runs, factors) of level numbers from 0, or None. Columns of more levels stand in for fewer where the
    one is a multiple of the other. Of the columns that fit those are taken in which triples of factors meet
    most evenly.

    References
    ----------
    Plackett and Burman (1946), The design of optimum multifactorial experiments, Biometrika 33:305-325, for
    two levels; the other arrays are those listed by pyDOE3.
    """
    if any(runs % (one * other) for one, other in combinations(levels, 2)):
        return None
    best: tuple[int, np.ndarray] | None = None
    for table in _listed_arrays(levels, runs):
        sizes = table.max(axis=0) + 1
        fitting = [[at for at in range(len(sizes)) if sizes[at] % number == 0] for number in levels]
        for columns in islice(_distinct(fitting, levels), MOST_COLUMNS):
            rows = table[:, columns] % np.array(levels)
            uneven = _unevenness_of_triples(rows, levels)
            if best is None or uneven < best[0]:
                best = (uneven, rows)
    return best[1] if best and _is_even(best[1], levels) else None


def is_orthogonal_array(factors: Sequence[Factor], treatments: Sequence[Mapping[str, str]]) -> bool:
    """Whether treatments are a fraction in which the levels of every two factors meet equally often."""
    levels = tuple(len(factor.levels) for factor in factors)
    if len(levels) < 3 or len(treatments) >= prod(levels):
        return False
    signs = [[factor.levels.index(treatment[factor.name]) for factor in factors] for treatment in treatments]
    return _is_even(np.array(signs), levels)


def _listed_arrays(levels: tuple[int, ...], runs: int) -> list[np.ndarray]:
    from pyDOE3 import get_orthogonal_array, list_orthogonal_arrays, pbdesign

    if set(levels) == {2} and runs in (12, 20, 24) and len(levels) < runs:
        return [(pbdesign(runs - 1) > 0).astype(int)]
    names = [name for name in list_orthogonal_arrays() if name.startswith(f"L{runs}(")]
    return [np.asarray(get_orthogonal_array(name), dtype=int) for name in names]


def _distinct(fitting: Sequence[Sequence[int]], levels: tuple[int, ...]) -> Iterator[list[int]]:
    """Yield columns for the factors, one each; of factors with as many levels the order makes no difference."""
    groups = [[at for at, number in enumerate(levels) if number == size] for size in dict.fromkeys(levels)]
    for picked in product(*(combinations(fitting[group[0]], len(group)) for group in groups)):
        columns = [0] * len(levels)
        for group, some in zip(groups, picked, strict=True):
            for at, column in zip(group, some, strict=True):
                columns[at] = column
        if len(set(columns)) == len(columns):
            yield columns


def _is_even(rows: np.ndarray, levels: tuple[int, ...]) -> bool:
    """Whether the levels of every two factors meet equally often."""
    return all(len(set(_meetings(rows, pair, levels).tolist())) == 1 for pair in combinations(range(len(levels)), 2))


def _unevenness_of_triples(rows: np.ndarray, levels: tuple[int, ...]) -> int:
    some = islice(combinations(range(len(levels)), 3), 100)
    return sum(int((_meetings(rows, triple, levels) ** 2).sum()) for triple in some)


def _meetings(rows: np.ndarray, factors: Sequence[int], levels: tuple[int, ...]) -> np.ndarray:
    """Count how often each combination of some factors' levels occurs."""
    sizes = [levels[at] for at in factors]
    numbers = np.ravel_multi_index([rows[:, at] for at in factors], sizes)
    return np.bincount(numbers, minlength=prod(sizes))
