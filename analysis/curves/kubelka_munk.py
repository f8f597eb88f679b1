"""Darkness on a scale on which dye adds up: Kubelka and Munk's K/S.

Kubelka and Munk (1931, Zeitschrift fuer technische Physik 12:593-601): a thick layer that reflects R absorbs and
scatters in the ratio K/S = (1 - R)^2 / (2 R). Twice the dye gives twice the K of the dye. Here it is taken of the
luminance Y of the whole visible light, relative to a perfect white, which is an approximation: single-constant and
broadband. It does not hold across different surfaces (sealed and unsealed, glazed and not), nor for nearly black.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from trials.errors import Problem, UserError

_KAPPA = 24389 / 27
"""CIE 15: below L* 8 the lightness is so many times Y / Yn."""


def ks(reflectance: ArrayLike) -> np.ndarray:
    """Return K/S of reflectances, as shares of what a perfect white reflects.

    Raises
    ------
    UserError
        A share that is not above 0 or is above 1.
    """
    share = np.asarray(reflectance, dtype=float)
    if not ((share > 0) & (share <= 1)).all():
        worst = share[~((share > 0) & (share <= 1))].flat[0]
        raise UserError(
            Problem(f"a reflectance of {worst:g} has no K/S", "give shares above 0 and up to 1 (per cent by 100)")
        )
    return (1 - share) ** 2 / (2 * share)


def ks_of_lightness(lightness: ArrayLike) -> np.ndarray:
    """Return K/S of CIE lightnesses L*, above 0 and up to 100, through `reflectance`."""
    value = np.asarray(lightness, dtype=float)
    if not ((value > 0) & (value <= 100)).all():
        worst = value[~((value > 0) & (value <= 100))].flat[0]
        raise UserError(Problem(f"a lightness L* of {worst:g} has no K/S", "give values above 0 and up to 100"))
    return ks(np.minimum(reflectance(value), 1.0))


def reflectance_of_ks(ratio: ArrayLike) -> np.ndarray:
    """Return the reflectance that has a K/S (nought or more), the inverse of `ks`."""
    value = np.asarray(ratio, dtype=float)
    return 1 / (1 + value + np.sqrt(value * (value + 2)))


def reflectance(lightness: ArrayLike) -> np.ndarray:
    """Return Y / Yn of CIE lightnesses L* (CIE 15, ISO/CIE 11664-4)."""
    value = np.asarray(lightness, dtype=float)
    return np.where(value > 8, ((value + 16) / 116) ** 3, value / _KAPPA)


def lightness(reflectance: ArrayLike) -> np.ndarray:
    """Return the CIE lightness L* of Y / Yn (CIE 15, ISO/CIE 11664-4)."""
    share = np.asarray(reflectance, dtype=float)
    return np.where(share > 8 / _KAPPA, 116 * np.cbrt(share) - 16, share * _KAPPA)
