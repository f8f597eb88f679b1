"""How strongly each of several levels is picked, from who beat whom (Bradley and Terry 1952).

References
----------
Bradley and Terry (1952), Biometrika 39:324-345. Ford (1957), American Mathematical Monthly 64(8):28-33, for when the
abilities are finite. Cited from memory.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.special import ndtri

from trials.errors import UserError


def abilities(wins: pd.DataFrame, levels: Sequence[str], level: float = 0.95) -> pd.DataFrame:
    """Return each level's ability: the log odds of being picked over another are the difference of two.

    Parameters
    ----------
    wins : columns first, second, first_wins and n (comparisons; both may be sums of shares).
    levels : the levels in order; the first has ability 0.

    Returns
    -------
    Index the levels; columns log_strength (the ability), se, lower, upper (Wald; 0 and NaN for the first), and
    share_picked, the abilities' exponentials made to sum to 1.

    Raises
    ------
    UserError
        Some levels were never picked over the others, or never compared with them: no finite abilities fit.
    """
    import statsmodels.api as sm
    from statsmodels.tools.sm_exceptions import ModelWarning

    at = {name: place for place, name in enumerate(levels)}
    first, second = (wins[column].map(at).to_numpy() for column in ("first", "second"))
    won, count = wins["first_wins"].to_numpy(float), wins["n"].to_numpy(float)
    _check_finite(first, second, won, count, levels)
    signs = np.zeros((len(wins), len(levels)))
    signs[np.arange(len(wins)), first] += 1
    signs[np.arange(len(wins)), second] -= 1
    model = sm.GLM(np.column_stack([won, count - won]), signs[:, 1:], family=sm.families.Binomial())
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        # of the scale, unused here, where nothing is to spare; and of a perfect fit, which has been looked into
        warnings.simplefilter("ignore", ModelWarning)
        fit = model.fit(tol=1e-14, maxiter=100)
    ability = np.concatenate([[0.0], fit.params])
    se = np.concatenate([[np.nan], fit.bse])
    half = ndtri((1 + level) / 2) * se
    odds = np.exp(ability - ability.max())
    return pd.DataFrame(
        {
            "log_strength": ability,
            "se": se,
            "lower": ability - half,
            "upper": ability + half,
            "share_picked": odds / odds.sum(),
        },
        index=list(levels),
    )


def _check_finite(
    first: np.ndarray, second: np.ndarray, won: np.ndarray, count: np.ndarray, levels: Sequence[str]
) -> None:
    """Refuse where the levels fall into two groups, one of which never won against the other (Ford 1957)."""
    size = len(levels)
    beat = np.zeros((size, size))
    np.add.at(beat, (first, second), won)
    np.add.at(beat, (second, first), count - won)
    groups, member = connected_components(csr_array(beat > 0), directed=True, connection="strong")
    if groups == 1:
        return
    if connected_components(csr_array(beat > 0), directed=False)[0] > 1:
        raise UserError("some levels were never compared with the others, not even by way of a third")
    for group in range(groups):
        inside = member == group
        if not beat[np.ix_(inside, ~inside)].any():
            names = [name for name, there in zip(levels, inside, strict=True) if there]
            were = "was" if len(names) == 1 else "were"
            raise UserError(
                f"{' and '.join(names)} {were} never picked over any other, so how far below the others has no number"
            )
    raise AssertionError("of groups that do not all beat each other, one is beaten by all")
