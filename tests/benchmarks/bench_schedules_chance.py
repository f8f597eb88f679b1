# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""Is the chance said of the best schedule the real one, and are schedules that are alike told apart?

Run as ``python tests/benchmarks/bench_schedules_chance.py [trials a case [words]]`` from the project folder. Readings
come from `own_trials`; each trial goes through `analyse_all` and `rank`, as a real one does. Shares stand with the
half-width of their 95 % Monte Carlo interval; combinations of one trial go together, so of those it is too small.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from own_trials import SPREADS, Draw, drawn, factor, normal, plan_text, share, written
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from analysis.decide import Decision
from analysis.frame import with_factor_order
from analysis.responses import analyse_all
from analysis.schedules import rank

EFFECTS = {"a": {"v": 0.8}, "b": {"q": 0.6}, "c": {"s": 0.3, "t": 0.9}}
LIMIT = 1.5
CORRELATION = 0.5


@dataclass(frozen=True)
class Case:
    """A layout, how many responses the brief is about, what share goes missing, and how large effects are."""

    name: str
    boards: int
    responses: int = 1
    lots: int = 1
    missing: float = 0.0
    size: float = 1.0
    draw: Draw = normal


CASES = (
    Case("6 boards, 2 responses, correlation .5", 6, 2),
    Case("6 boards, 1 response", 6),
    Case("8 boards, 2 lots", 8, 2, lots=2),
    Case("20 % missing", 6, 2, missing=0.2),
    Case("4 boards", 4, 2),
    Case("no factor does anything", 6, size=0.0),
    Case("no factor does anything, 2 responses", 6, 2, size=0.0),
)


def true_chances(table, case: Case, lots: np.ndarray) -> np.ndarray:
    """Return the true chance of every combination, over the trial's lots."""
    mean = sum(table[name].map(up).fillna(0.0).astype(float).to_numpy() for name, up in EFFECTS.items()) * case.size
    spread = float(np.sqrt(sum(SPREADS[kind] ** 2 for kind in ("board", "lane", "strip", "patch"))))
    limit = LIMIT if case.size else spread * 0.967  # met by one patch in six
    chances = np.zeros(len(mean))
    for lot in lots.T:  # (responses, lots)
        upper = (mean[:, None] + lot - limit) / spread
        if case.responses == 1:
            chances += ndtr(upper[:, 0])
        else:
            cov = [[1, CORRELATION], [CORRELATION, 1]]
            chances += multivariate_normal(cov=cov).cdf(upper)
    return chances / lots.shape[1]


def one_case(case: Case, trials: int, seed: int) -> dict[str, list]:
    """Go through the trials of a case."""
    rng = np.random.default_rng(seed)
    names = ["y", "z"][: case.responses]
    text = plan_text(
        factor("a", "uv", "board"), factor("b", "pq", "lane"), factor("c", "rst", "strip"), boards=case.boards,
        lots=str(case.lots), strips=3, responses=names, asked=["a"],
    )  # fmt: skip
    spread = float(np.sqrt(sum(SPREADS[kind] ** 2 for kind in ("board", "lane", "strip", "patch"))))
    limit = LIMIT if case.size else spread * 0.967
    found: dict[str, list] = {}
    with tempfile.TemporaryDirectory() as place:
        for at in range(trials):
            if at % 20 == 0:
                laid = written(Path(place) / str(at), text, seed + at)
                patches = with_factor_order(laid.trial.plan, laid.trial.patches)
                lot_of = patches["lot"].to_numpy()
            shared, own = (drawn(patches, rng, case.responses, SPREADS | {"lot": 0}, case.draw) for _ in range(2))
            shifts = SPREADS["lot"] * rng.standard_normal((case.responses, case.lots)) * (case.lots > 1)
            pieces = np.sqrt(CORRELATION) * shared[:1] + np.sqrt(1 - CORRELATION) * own
            pieces = pieces if case.responses > 1 else own
            mean = sum(
                patches[k].astype(object).map(up).fillna(0).astype(float).to_numpy() for k, up in EFFECTS.items()
            )
            values = case.size * mean + pieces + shifts[:, lot_of - 1]
            kept = rng.random(len(patches)) >= case.missing if case.missing else None
            trial = laid.read(dict(zip(names, values, strict=True)), patches, kept)
            fitted, unfitted = analyse_all(trial)
            decision = Decision((), (), tuple(fitted), tuple(unfitted))
            ranking = rank(trial, decision, [f"{name} at least {limit:.6f}" for name in names])
            table = ranking.table
            if table["chance"].isna().any():
                continue
            truth = true_chances(table, case, shifts)
            best, alike = truth[0], ~table["told_from_best"].to_numpy()
            found.setdefault("cover", []).extend((table["lower"] <= truth) & (truth <= table["upper"]))
            found.setdefault("best cover", []).append(table["lower"][0] <= best <= table["upper"][0])
            found.setdefault("claimed", []).append(table["chance"][0])
            found.setdefault("true", []).append(best)
            found.setdefault("mean said", []).append(getattr(ranking, "mean_of_alike", np.nan))
            found.setdefault("mean of these", []).append(truth[alike].mean())
            found.setdefault("is best", []).append(best >= truth.max() - 1e-12)
            found.setdefault("kept", []).append(alike[truth >= truth.max() - 1e-12].all())
            found.setdefault("wrong", []).extend((truth >= best - 1e-12)[1:] & ~alike[1:])
            found.setdefault("any wrong", []).append(((truth >= best - 1e-12)[1:] & ~alike[1:]).any())
            found.setdefault("said less likely", []).append((~alike).sum())
            found.setdefault("behind cover", []).append(
                bool(((table["behind_lower"] <= best - truth) & (best - truth <= table["behind_upper"])).all())
            )
    return found


def main() -> None:
    """Print a row a case."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    wanted = sys.argv[2] if len(sys.argv) > 2 else ""
    for at, case in enumerate(CASES):
        if wanted not in case.name:
            continue
        found = one_case(case, trials, 1000 * at)
        claimed, true, said, these = (
            np.mean(found[key]) for key in ("claimed", "true", "mean said", "mean of these")
        )
        print(
            f"{case.name} ({len(found['true'])} trials)\n"
            f"  cover of the true chance: all {share(found['cover'])}, of the best {share(found['best cover'])}\n"
            f"  the best: claimed {claimed:.3f}, true {true:.3f}; mean of those not to be told from it: said "
            f"{said:.3f}, true {these:.3f}\n"
            f"  is truly best {share(found['is best'])}, truly best among those not to be told from it "
            f"{share(found['kept'])}\n"
            f"  wrongly said less likely {int(np.sum(found['wrong']))} of {len(found['wrong'])}, in "
            f"{share(found['any wrong'])} of the trials; said less likely {np.mean(found['said less likely']):.1f} a "
            f"trial; all shortfalls covered at once {share(found['behind cover'])}",
            flush=True,
        )


if __name__ == "__main__":
    main()
