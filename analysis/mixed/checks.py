"""Can this model be fitted to this frame? If not, one sentence that says why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.mixed.reml import NO_RESIDUAL, Moments, Point
from trials.errors import Problem, UserError

TOLD_APART = 1e-8
"""Smallest eigenvalue of the random terms' information, scaled to ones on its diagonal, with which they differ."""

EXACT = 1e-13
"""What is left of a response beside the fixed part, relative to its size, that counts as rounding."""


SMALLEST = 1e-150
"""Below this a value's square leaves the range of double precision."""


def enough_rows(rows: int, rank: int) -> None:
    """Refuse a frame with no more rows than the fixed part has effects."""
    if rows <= rank:
        have = "one row" if rows == 1 else f"{rows} rows"
        raise UserError(
            Problem(
                f"{have} cannot tell {rank} effect{'s' if rank > 1 else ''} of the fixed part and their error",
                "take more readings or leave terms out",
            )
        )


def something_left(name: str, response: np.ndarray, left: float) -> None:
    """Refuse a response that is constant, too small for its square, or that the fixed part gives exactly.

    Parameters
    ----------
    left : root mean square of the response beside the fixed part.
    """
    if response.min() == response.max():
        raise UserError(f"every value of {name!r} is {response[0]:g}; there is no difference to explain")
    if 0 < left < SMALLEST:
        raise UserError(
            Problem(
                f"the differences in {name!r} are as small as {left:.3g}, too small to reckon with",
                "choose another unit",
            )
        )
    if left <= EXACT * np.abs(response).max():
        raise UserError(
            Problem(
                f"the fixed part gives every value of {name!r} exactly", "leave terms out, nothing is left as error"
            )
        )


def pieces_repeat(names: Sequence[str], codes: Sequence[np.ndarray], sizes: Sequence[int]) -> None:
    """Refuse a random term with one piece, with one row a piece, or with the pieces of another term."""
    for at, (name, code, size) in enumerate(zip(names, codes, sizes, strict=True)):
        if size == 1:
            raise UserError(
                Problem(f"random term {name!r} has one piece only, all {len(code)} rows are of it", "leave it out")
            )
        if size == len(code):
            raise UserError(
                Problem(
                    f"random term {name!r} has one row a piece, which is what the residual is",
                    "leave it out, it is there unnamed",
                )
            )
        for other in range(at):
            if sizes[other] == size and len(np.unique(codes[other] * size + code)) == size:
                raise UserError(
                    Problem(
                        f"random terms {names[other]!r} and {name!r} are the same pieces", "leave one of them out"
                    )
                )


def told_apart(names: Sequence[str], start: Point, free: int) -> None:
    """Refuse random terms whose variances no reading could tell from each other's, or from the residual's.

    Parameters
    ----------
    start : the point at which every variance but the residual's is zero.
    free : rows less rank of the fixed part.
    """
    for name, trace in zip(names, start.traces, strict=True):
        if trace <= TOLD_APART * free:
            raise UserError(
                Problem(
                    f"random term {name!r} has no piece more than the fixed part takes: nothing is left to show how "
                    "much its pieces differ",
                    "repeat the treatments over more pieces, or leave the term or a term of the fixed part out",
                )
            )
    information = start.information(free, expected=True)
    size = np.sqrt(information.diagonal())
    scaled = information / np.outer(size, size)
    if np.linalg.eigvalsh(scaled)[0] < TOLD_APART:
        axes = np.linalg.eigh(scaled)[1]
        alike = np.abs(axes[:, 0]) > 1e-3
        held = [repr(name) for name, one in zip([*names, "residual"], alike, strict=True) if one]
        raise UserError(
            Problem(
                f"the variances of {_listed(held)} cannot be told apart in this layout", "leave one of the terms out"
            )
        )


def residual_is_left(names: Sequence[str], data: Moments) -> None:
    """Refuse a layout or readings in which fixed part and pieces leave nothing for the residual."""
    if not len(names):
        return
    if data.free <= data.loadings.shape[1]:
        terms = _listed([repr(name) for name in names])
        raise UserError(
            Problem(
                f"the fixed part and the pieces of {terms} take as many degrees of freedom as there are rows, and "
                "nothing is left to show the residual",
                "take more readings or leave terms out",
            )
        )
    if data.outside <= NO_RESIDUAL * data.total:
        raise no_residual(names)


def no_residual(names: Sequence[str]) -> UserError:
    """Return the refusal of readings whose residual variance is zero."""
    return UserError(
        Problem(
            f"readings on the same piece do not differ once the fixed part and {_listed([repr(n) for n in names])} "
            "are taken out, so that the residual variance is zero",
            "average the readings of a piece, or leave that random term out",
        )
    )


def _listed(words: Sequence[str]) -> str:
    """Join words: ``a``, ``a and b``, ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
