"""What is said of residuals, on made-up trials whose fault is known."""

import math
import random

import numpy as np
import pytest
from scipy import stats

from analysis import checks, responses
from tests.conftest import SMALL
from tests.trials_made import Pieces, read, trial_of, unread

LARGE = SMALL.replace("count = 4", "count = 8").replace("strips = 2", "strips = 4")
UP = {"alcohol": 1.0, "shellac": 0.8, "6 min": 0.6}


def analysed(place, value, text=LARGE, seed=5):
    trial = trial_of(place, text, value, seed)
    return responses.analyse(trial, trial.plan.response("darkness"))


def predictor(patch):
    return sum(UP.get(patch[name], 0) for name in ("carrier", "seal_coat", "glaze_dwell"))


def test_well_behaved_readings_show_no_shape(tmp_path):
    pieces = Pieces(random.Random(7), board=0.5, patch=0.5)
    said = " ".join(checks.checks(analysed(tmp_path, lambda p, d: 40 + predictor(p) + pieces.shift(p))))
    assert "No single patch stands out" in said
    assert "Residuals show no shape" in said


def test_readings_that_multiply_call_for_their_logarithm_with_a_reason(tmp_path):
    pieces = Pieces(random.Random(3), board=0.05, patch=0.12)
    text = LARGE.replace('unit = "L*"', 'unit = "mL"')
    said = " ".join(
        checks.checks(analysed(tmp_path, lambda p, d: 10 * math.exp(predictor(p) + pieces.shift(p)), text))
    )
    assert "On the logarithm" not in said
    assert "on the logarithm of the readings" in said
    assert "larger where readings are higher" in said or "scatter more where they are higher" in said


def test_lightness_whose_steps_shrink_calls_for_k_over_s_with_a_reason(tmp_path):
    """Dye that adds up on K/S (Kubelka and Munk 1931) makes steps of L* shrink as the wood gets darker."""
    pieces = Pieces(random.Random(4), board=0.03, patch=0.03)

    def lightness(patch, draw):
        scattering = 0.3 * math.exp(2.2 * predictor(patch) + pieces.shift(patch))
        reflectance = 1 + scattering - math.sqrt(scattering**2 + 2 * scattering)
        return 116 * reflectance ** (1 / 3) - 16

    said = " ".join(checks.checks(analysed(tmp_path, lightness)))
    assert "dye adds up on K/S, not on L*" in said


def test_unequal_spread_between_carriers_is_named(tmp_path):
    pieces = Pieces(random.Random(6), patch=1.0)

    def value(patch, draw):
        return 40 + pieces.shift(patch) * (6 if patch["carrier"] == "alcohol" else 1)

    said = " ".join(checks.checks(analysed(tmp_path, value)))
    assert "times as much with carrier alcohol as with water" in said


def test_rank_correlation_agrees_with_scipy():
    draw = np.random.default_rng(1)
    first = draw.normal(size=30)
    second = first + draw.normal(size=30)
    r, p = checks.rank_correlation(first, second)
    known = stats.spearmanr(first, second)
    assert r == pytest.approx(known.statistic, rel=1e-12)
    assert p == pytest.approx(known.pvalue, rel=1e-9)


@pytest.mark.slow
def test_shapes_are_rarely_seen_where_there_are_none(tmp_path):
    """Both looks keep their level: at 5 % each speaks in about 5 % of additive trials of even scatter.

    Six layouts, each read 20 times.
    """
    layouts = [unread(tmp_path / str(seed), LARGE, seed) for seed in range(6)]
    number, steps, scatter = 120, 0, 0
    for seed in range(number):
        pieces = Pieces(random.Random(seed), board=0.7, lane=0.3, patch=0.5)

        def value(patch, draw, own=pieces):
            return 40 + predictor(patch) + own.shift(patch)

        trial = read(layouts[seed % len(layouts)], value, seed)
        analysis = responses.analyse(trial, trial.plan.response("darkness"))
        steps += checks.non_additivity(analysis)[1] < 0.05
        left = np.array(analysis.fit.residuals)
        scatter += checks.rank_correlation(np.array(analysis.fit.fitted), np.abs(left))[1] < 0.05
    assert steps <= 15  # Binomial(120, 0.05): more than 15 has a chance under 0.3 %
    assert scatter <= 15
