"""How often the interval of a preference holds, and how wide it is, over true shares of 0.5 to 0.9.

Run as ``python tests/benchmarks/bench_preference.py [trials of a row]`` from the project's folder. Units differ: the
share of each is drawn beta with `together` as the correlation of two looks at one unit (1: all looks alike), and each
look is a toss at it. The interval is made as `analysis.preference.outcome` makes it, for one pair of levels (95 %
said) and for each of three (98.3 % said); beside it Clopper and Pearson's, each unit counted as one plain choice.
"""

import sys
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from own_trials import share

from analysis import preference
from trials.level import LEVEL, each_of

TRUE = (0.5, 0.6, 0.7, 0.8, 0.9)


@cache
def limits(mean: float, good_as: float, level: float, mid_p: bool) -> tuple[float, float]:
    """Return an interval; the same is asked for many times."""
    return preference.share_interval(mean, good_as, level, mid_p=mid_p)


@cache
def rejected(shares: tuple[float, ...], level: float) -> bool:
    """Say whether the test rules chance out."""
    return preference.sign_flip(np.array(shares) - 0.5)[0] <= 1 - level


def interval(shares: np.ndarray, looks: int, level: float) -> tuple[float, float]:
    """Return the interval of a trial's shares."""
    good_as = preference.effective(shares, len(shares) * looks, level)
    lower, upper = limits(round(float(shares.mean()), 12), good_as, level, True)
    holds_half = not rejected(tuple(np.sort(shares)), level)
    return (min(lower, 0.5), max(upper, 0.5)) if holds_half else (lower, upper)


def row(units: int, looks: int, together: float, level: float, trials: int, rng: np.random.Generator) -> str:
    """Return what is said of one kind of trial."""
    held, plain, widths = [], [], []
    for true in TRUE:
        size = (max(trials // len(TRUE), 2), units)
        spread = 1 / together - 1
        own = rng.random(size) < true if together == 1 else rng.beta(true * spread, (1 - true) * spread, size)
        for shares in rng.binomial(looks, own) / looks:
            lower, upper = interval(shares, looks, level)
            low, high = limits(round(float(shares.mean()), 12), float(units), level, False)
            held.append(lower <= true <= upper)
            plain.append(low <= true <= high)
            widths.append((upper - lower, high - low))
    now, then = np.mean(widths, axis=0)
    before = f"each unit a plain choice {share(np.array(plain))}, {then:.2f}"
    return f"holds {share(np.array(held))}, {now:.2f} wide; {before}"


def main() -> None:
    """Print every row."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    rng = np.random.default_rng(5495)
    for pairs in (1, 3):
        level = each_of(LEVEL, pairs)
        for units in (6, 7, 8, 12, 18):
            for looks, together in ((1, 1.0), (2, 0.3), (4, 0.3), (4, 0.7), (8, 0.2)):
                found = row(units, looks, together, level, trials, rng)
                print(f"{level:.1%}, {units} units of {looks}, together {together}: {found}", flush=True)


if __name__ == "__main__":
    main()
