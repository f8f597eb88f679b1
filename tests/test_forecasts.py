"""What is said beforehand against what comes of readings made up elsewhere: the cheap cases of the benchmark."""

import importlib
import math

import pytest

from tests.conftest import REPOSITORY

pytestmark = pytest.mark.slow


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.syspath_prepend(str(REPOSITORY / "tests" / "benchmarks"))
    made = importlib.import_module("bench_forecasts")
    monkeypatch.setattr(made, "LAYOUTS", 2)
    monkeypatch.setattr(made, "THROUGH", 3)
    return made


@pytest.mark.parametrize("name", ["8 boards, a2 b2 c3", "7 boards, a3 uneven, b2 c2"])
def test_what_is_said_comes_true_as_often(bench, capsys, name):
    """Within 4.5 Monte Carlo standard errors of 2000 trials, and of 1000 where what is said is simulated itself."""
    (case,) = (one for one in bench.CASES if one.name == name)
    found = bench.one_case(case, 2000, 100, seed=5)
    assert set(found) == {"a", "b", "c"}
    for by in found.values():
        said = dict(zip(("gain", "none", "half"), by["said"].mean(axis=0), strict=True))
        for what in ("gain", "none"):
            spread = math.sqrt(max(said[what] * (1 - said[what]), 0.01))
            assert abs(by[what].mean() - said[what]) < 4.5 * spread * math.hypot(2000**-0.5, 1000**-0.5)
        assert by["half"].mean() == pytest.approx(said["half"], rel=0.05)
    *_, alike, of = [int(word) for word in capsys.readouterr().out.split() if word.isdecimal()]
    assert alike == of == 9
