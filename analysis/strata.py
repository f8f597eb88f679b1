"""Exact analysis of variance of balanced layouts, stratum by stratum.

A layout is balanced when its pieces divide the space of the readings into strata, one a kind of piece, and every
treatment term lies whole in one of them (Nelder 1965, Proceedings of the Royal Society A 283:147-178; Bailey 2008,
Design of Comparative Experiments, chapter 10). Each term is then judged against what is left over in its own stratum,
exactly, whatever the variances of the pieces are.

`plan` finds the strata once, from the layout alone; `StrataPlan.f` then tests any number of columns of readings at
once, which is what a simulation wants; `table` does it for one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import fdtrc, fdtri, ncfdtr

from analysis import formula, model
from analysis.formula import Names
from analysis.model import ModelFrame
from trials.errors import Problem, UserError

RESIDUAL = "residual"

NOUGHT = 1e-8
"""A squared length, of vectors of length one, that counts as none: rounding gives 1e-14, an unbalanced frame 1e-4."""

CHUNK = 512
"""Columns of readings taken at once: they stay in the processor's cache."""


@dataclass(frozen=True)
class StrataPlan:
    """The strata of a balanced layout and where each treatment term lies.

    Attributes
    ----------
    strata : (s,) the strata in order, the last called ``residual``.
    terms : (t,) the treatment terms, by stratum.
    term_stratum : (t,) the number of each term's stratum.
    df : (t,) degrees of freedom of each term.
    error_df : (s,) degrees of freedom left over in each stratum.
    basis : (n - 1, n) orthonormal rows: each term's in turn, then each stratum's left over.
    multipliers : (s, s) the expected mean square of stratum i is the sum over j of ``multipliers[i, j]`` times the
        variance of piece j (the last: of the residual).
    """

    strata: tuple[str, ...]
    terms: tuple[str, ...]
    term_stratum: np.ndarray
    df: np.ndarray
    error_df: np.ndarray
    basis: np.ndarray
    multipliers: np.ndarray

    @property
    def term_error_df(self) -> np.ndarray:
        """(t,) degrees of freedom that each term is judged with."""
        return self.error_df[self.term_stratum]

    def sums_of_squares(self, readings: np.ndarray) -> np.ndarray:
        """Return the (t + s, m) sums of squares: of the terms, then of what is left over in each stratum.

        Parameters
        ----------
        readings : (n,) or (n, m), rows as in the frame that the plan was made from.
        """
        columns = np.asarray(readings, dtype=float)
        columns = columns[:, None] if columns.ndim == 1 else columns
        if len(columns) != self.basis.shape[1]:
            raise ValueError(f"{len(columns)} rows of readings for a layout of {self.basis.shape[1]}")
        result = np.empty((len(self.df) + len(self.error_df), columns.shape[1]))
        for start in range(0, columns.shape[1], CHUNK):
            part = slice(start, start + CHUNK)
            result[:, part] = self._squared(self.basis @ columns[:, part])
        return result

    def f(self, readings: np.ndarray) -> np.ndarray:
        """Return the (t, m) F statistics of (n, m) readings; NaN where a stratum has nothing left over."""
        return self._ratios(self.sums_of_squares(readings))

    def p(self, f: np.ndarray) -> np.ndarray:
        """Return the p-values of (t, m) F statistics."""
        return fdtrc(self.df[:, None], self.term_error_df[:, None], f)

    def simulate(
        self,
        mean: np.ndarray,
        variances: Mapping[str, float],
        count: int,
        rng: np.random.Generator,
    ) -> np.ndarray:
        """Draw experiments and return their (t, count) F statistics.

        Normal readings have independent normal coordinates in the strata, with the stratum's expected mean square as
        their variance: drawing these is drawing the readings, without the detour.

        Parameters
        ----------
        mean : (n,) expected readings.
        variances : by stratum, ``residual`` included.
        """
        spread = np.sqrt(self.expected_mean_squares(variances))
        deviation = np.repeat(np.concatenate([spread[self.term_stratum], spread]), self._sizes)[:, None]
        centre = self.basis @ np.asarray(mean, dtype=float)[:, None]
        result = np.empty((len(self.df), count))
        for start in range(0, count, CHUNK):
            drawn = rng.standard_normal((len(self.basis), min(CHUNK, count - start)))
            drawn *= deviation
            drawn += centre
            result[:, start : start + CHUNK] = self._ratios(self._squared(drawn))
        return result

    def expected_mean_squares(self, variances: Mapping[str, float]) -> np.ndarray:
        """Return the (s,) expected mean squares left over in the strata.

        Parameters
        ----------
        variances : by stratum, ``residual`` included.
        """
        return self.multipliers @ np.array([variances[name] for name in self.strata], dtype=float)

    def noncentrality(self, mean: np.ndarray, variances: Mapping[str, float]) -> np.ndarray:
        """Return the (t,) noncentralities of the F statistics when the (n,) readings have this mean."""
        squares = self.sums_of_squares(mean)[: len(self.df), 0]
        return squares / self.expected_mean_squares(variances)[self.term_stratum]

    def power(self, mean: np.ndarray, variances: Mapping[str, float], level: float = 0.05) -> np.ndarray:
        """Return the (t,) chances that each term's test is significant at the level; NaN without an error."""
        error_df = self.term_error_df
        some = np.where(error_df > 0, error_df, np.nan)
        critical = fdtri(self.df, some, 1 - level)
        chance = 1 - ncfdtr(self.df, some, self.noncentrality(mean, variances), critical)
        return np.where(error_df > 0, chance, np.nan)

    @property
    def _sizes(self) -> np.ndarray:
        return np.concatenate([self.df, self.error_df])

    def _squared(self, coordinates: np.ndarray) -> np.ndarray:
        """Square coordinates in place and sum them by term and by what is left over."""
        coordinates *= coordinates
        sizes = self._sizes
        filled = sizes > 0
        result = np.zeros((len(sizes), coordinates.shape[1]))
        result[filled] = np.add.reduceat(coordinates, (np.cumsum(sizes) - sizes)[filled], axis=0)
        return result

    def _ratios(self, squares: np.ndarray) -> np.ndarray:
        """Divide mean squares."""
        with np.errstate(divide="ignore", invalid="ignore"):
            errors = squares[len(self.df) :] / self.error_df[:, None]
            means = squares[: len(self.df)] / self.df[:, None]
            return means / errors[self.term_stratum]


def table(frame: pd.DataFrame, response: str, fixed: str, strata: Sequence[str]) -> pd.DataFrame:
    """Return the analysis of variance of a balanced layout.

    Parameters
    ----------
    frame : one row a reading. Text, categorical and yes/no columns are factors, numeric columns are numbers.
    response : the column to explain.
    fixed : right-hand side in Wilkinson & Rogers' notation, e.g. ``carrier * load``.
    strata : the kinds of piece, larger first, e.g. ``["board", "board:lane"]``; single readings (the residual) are
        not named.

    Returns
    -------
    By stratum and term, with a row ``residual`` for what is left over in each stratum: ss, df, ms, f, p. A stratum
    with nothing left over gives no f and no p.

    Raises
    ------
    UserError
        When the layout is not balanced: what keeps it from being so, in one sentence.
    """
    data, made = _read(frame, [response], fixed, strata)
    readings = data.response[:, 0]
    if readings.min() == readings.max():
        raise UserError(f"every value of {response!r} is {readings[0]:g}; there is no difference to explain")
    size = float(np.abs(readings).max())
    scaled = readings / size
    squares = made.sums_of_squares(scaled - scaled.mean())[:, 0] * size * size
    rows: list[tuple[object, ...]] = []
    for at, stratum in enumerate(made.strata):
        left, error_square = int(made.error_df[at]), squares[len(made.df) + at]
        error = error_square / left if left else np.nan
        for term in np.flatnonzero(made.term_stratum == at):
            df = int(made.df[term])
            f = squares[term] / df / error if left and error > 0 else np.nan
            rows.append((stratum, made.terms[term], squares[term], df, squares[term] / df, f, fdtrc(df, left, f)))
        rows.append((stratum, RESIDUAL, error_square, left, error, np.nan, np.nan))
    return pd.DataFrame(rows, columns=["stratum", "term", "ss", "df", "ms", "f", "p"]).set_index(["stratum", "term"])


def plan(frame: pd.DataFrame, fixed: str, strata: Sequence[str]) -> StrataPlan:
    """Find the strata of a layout and the place of each treatment term in them; arguments as for `table`."""
    return _read(frame, [], fixed, strata)[1]


def _read(
    frame: pd.DataFrame, response: Sequence[str], fixed: str, strata: Sequence[str]
) -> tuple[ModelFrame, StrataPlan]:
    terms = formula.parse(fixed)
    names = (strata,) if isinstance(strata, str) else tuple(strata)
    pieces = [formula.parse_random([name])[0] for name in names]
    data = model.read_frame(frame, response, terms, pieces)
    strata_names = (*names, RESIDUAL)
    indicators = _indicators(data, pieces, names)
    spaces = _spaces(indicators, strata_names, data.missing)
    multipliers = _multipliers(indicators, spaces, strata_names)
    placed = sorted(_place(data, terms, spaces, strata_names), key=lambda one: one[1])
    leftovers = []
    for at, space in enumerate(spaces):
        taken = [basis for _, stratum, basis in placed if stratum == at]
        leftovers.append(_beside(space, np.hstack(taken)) if taken else space)
    made = StrataPlan(
        strata=strata_names,
        terms=tuple(formula.label(term) for term, _, _ in placed),
        term_stratum=np.array([stratum for _, stratum, _ in placed], dtype=np.intp),
        df=np.array([basis.shape[1] for _, _, basis in placed], dtype=np.intp),
        error_df=np.array([left.shape[1] for left in leftovers], dtype=np.intp),
        basis=np.ascontiguousarray(np.hstack([*(basis for _, _, basis in placed), *leftovers]).T),
        multipliers=multipliers,
    )
    return data, made


def _indicators(data: ModelFrame, pieces: Sequence[Names], names: Sequence[str]) -> list[np.ndarray]:
    """Return for each stratum its (n, pieces) columns of noughts and ones; the last has one a row."""
    rows = len(data.index)
    if rows < 2:
        raise UserError(Problem("one row has no strata", "take more readings"))
    result = []
    for term, name in zip(pieces, names, strict=True):
        codes, count = model.pieces(data, term)
        if count == rows:
            raise UserError(
                Problem(
                    f"stratum {name!r} has one row a piece, which is what the residual is",
                    "leave it out, it is there unnamed",
                )
            )
        result.append(np.eye(count)[codes])
    return [*result, np.eye(rows)]


def _spaces(indicators: list[np.ndarray], names: Sequence[str], missing: int) -> list[np.ndarray]:
    """Return an orthonormal (n, d) basis of what each stratum adds to the mean and the strata before it."""
    rows = len(indicators[0])
    gaps = f" (rows with a value missing: {missing})" if missing else ""
    earlier = np.full((rows, 1), rows**-0.5)
    spaces = []
    for indicator, name in zip(indicators[:-1], names, strict=False):
        sizes = indicator.sum(axis=0)
        if np.ptp(sizes) > 0:
            spread = f"{sizes.min():g} to {sizes.max():g}"
            raise _unbalanced(f"the pieces of stratum {name!r} hold unlike numbers of rows, {spread}{gaps}")
        space = _basis(indicator, earlier)
        if not space.shape[1]:
            raise UserError(
                Problem(
                    f"stratum {name!r} has no pieces that an earlier stratum has not",
                    "name larger pieces before smaller ones, each once",
                )
            )
        # what a stratum adds must be its own: constant on its pieces
        if (np.square(indicator.T @ space).sum(axis=0) < (1 - NOUGHT) * sizes[0]).any():
            raise _unbalanced(
                f"the pieces of stratum {name!r} do not meet those of the strata before it equally often{gaps}"
            )
        spaces.append(space)
        earlier = np.hstack([earlier, space])
    return [*spaces, _beside(np.eye(rows), earlier)]


def _unbalanced(what: str) -> UserError:
    return UserError(Problem(f"{what}: the layout is not balanced", "fit a mixed model instead"))


def _multipliers(indicators: list[np.ndarray], spaces: list[np.ndarray], names: Sequence[str]) -> np.ndarray:
    """Return how many times each piece's variance is in each stratum's expected mean square."""
    result = np.empty((len(spaces), len(indicators)))
    for i, space in enumerate(spaces):
        for j, indicator in enumerate(indicators):
            squares = ((indicator.T @ space) ** 2).sum(axis=0)
            result[i, j] = squares.mean()
            if np.ptp(squares) > NOUGHT * indicator.sum(axis=0)[0]:
                raise _unbalanced(
                    f"the pieces of stratum {names[j]!r} are not spread evenly over stratum {names[i]!r}"
                )
    return np.round(result, 9)


def _place(
    data: ModelFrame, terms: Sequence[Names], spaces: list[np.ndarray], names: Sequence[str]
) -> list[tuple[Names, int, np.ndarray]]:
    """Return each term with its stratum and an orthonormal basis of its columns beside those it contains."""
    rows = len(data.index)
    design = model.design(data.columns, terms, "sum", rows)
    found: dict[Names, np.ndarray] = {(): np.full((rows, 1), rows**-0.5)}
    placed = []
    for term, span in zip(design.terms[1:], design.spans[1:], strict=True):
        within = np.hstack([basis for other, basis in found.items() if set(other) <= set(term)])
        basis = _basis(design.matrix[:, span], within)
        if not basis.shape[1]:
            raise UserError(
                Problem(f"term {formula.label(term)!r} adds nothing to the terms it contains", "leave it out")
            )
        for other, taken in found.items():
            if (np.square(taken.T @ basis) > NOUGHT).any():
                what = f"term {formula.label(other)!r}" if other else "the mean"
                raise _unbalanced(f"what is found of term {formula.label(term)!r} depends on {what}")
        placed.append((term, _stratum(term, basis, spaces, names), basis))
        found[term] = basis
    return placed


def _stratum(term: Names, basis: np.ndarray, spaces: list[np.ndarray], names: Sequence[str]) -> int:
    """Return the number of the stratum in which a term's (n, d) basis lies."""
    shares = np.array([np.square(space.T @ basis).sum() for space in spaces]) / basis.shape[1]
    if shares.max() < 1 - NOUGHT:
        over = [repr(name) for name, share in zip(names, shares, strict=True) if share > NOUGHT]
        raise _unbalanced(f"term {formula.label(term)!r} is spread over the strata {' and '.join(over)}")
    return int(shares.argmax())


def _basis(columns: np.ndarray, earlier: np.ndarray) -> np.ndarray:
    """Return an orthonormal basis of what (n, a) columns add to an orthonormal (n, b) basis."""
    sizes = np.linalg.norm(columns, axis=0)
    rest = columns / np.where(sizes > 0, sizes, 1.0)
    for _ in range(2):  # the second time for what rounding left the first
        rest = rest - earlier @ (earlier.T @ rest)
    left, strengths, _ = np.linalg.svd(rest, full_matrices=False)
    return left[:, strengths > 1e-7]


def _beside(space: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """Return a basis of what is in an (n, a) space and orthogonal to an (n, b) subspace of it."""
    turned = np.linalg.qr(space.T @ taken, mode="complete")[0]
    return space @ turned[:, taken.shape[1] :]
