"""Kubelka and Munk (1931), Zeitschrift fuer technische Physik 12:593-601: K/S = (1 - R)^2 / (2 R).

The table is reckoned by hand from that formula and from CIE 15's L* (ISO/CIE 11664-4), outside this project.
"""

import numpy as np
import pytest

from analysis.curves import ks, ks_of_lightness, lightness, reflectance, reflectance_of_ks
from trials.errors import UserError

TABLE = [  # Y / Yn, K/S, L*
    (0.05, 9.025, 26.7348),
    (0.10, 4.05, 37.8424),
    (0.20, 1.6, 51.8372),
    (0.3553, 0.584911, 66.1592),
    (0.50, 0.25, 76.0693),
    (0.80, 0.025, 91.6849),
    (0.90, 0.005556, 95.9968),
]
INVERSE = [
    (0, 1), (0.05, 0.729844), (0.1, 0.641742), (0.5, 0.381966), (1, 0.267949), (2, 0.171573), (4.05, 0.1),
]  # fmt: skip


@pytest.mark.parametrize(("share", "ratio", "star"), TABLE)
def test_ks_and_lightness(share, ratio, star):
    assert ks(share) == pytest.approx(ratio, abs=5e-7)
    assert lightness(share) == pytest.approx(star, abs=5e-5)
    assert ks_of_lightness(star) == pytest.approx(ratio, rel=2e-4, abs=1e-6)


@pytest.mark.parametrize(("ratio", "share"), INVERSE)
def test_inverse(ratio, share):
    assert reflectance_of_ks(ratio) == pytest.approx(share, abs=5e-7)


@pytest.mark.parametrize(("one", "two"), [(60, 55.587), (50, 42.203), (40, 31.301)])
def test_two_coats_add_up(one, two):
    """From L* 66 one coat gives `one`; the second adds as much K/S as the first did."""
    bare, coat = ks_of_lightness([66.0, one])
    assert lightness(reflectance_of_ks(2 * coat - bare)) == pytest.approx(two, abs=5e-4)


def test_there_and_back():
    stars = np.linspace(0.5, 100, 200)
    assert lightness(reflectance(stars)) == pytest.approx(stars, abs=1e-10)
    shares = np.linspace(0.001, 1, 200)
    assert reflectance_of_ks(ks(shares)) == pytest.approx(shares, abs=1e-10)
    assert reflectance(8.0) == pytest.approx(216 / 24389, rel=1e-12)  # CIE 15, where the two branches meet


@pytest.mark.parametrize("bad", [0.0, -0.1, 1.2, np.nan])
def test_a_share_without_ks_is_refused(bad):
    with pytest.raises(UserError, match="has no K/S"):
        ks([0.5, bad])


@pytest.mark.parametrize("bad", [0.0, 101.0])
def test_a_lightness_without_ks_is_refused(bad):
    with pytest.raises(UserError, match="lightness"):
        ks_of_lightness(bad)
