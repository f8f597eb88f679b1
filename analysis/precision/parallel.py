"""Work with random numbers, cut into chunks for as many cores as are wanted.

Every chunk has a seed of its own, spawned from the one seed, so that the result depends on that seed and on how much
there is to do, never on how many cores did it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeAlias, TypeVar

import numpy as np

Result = TypeVar("Result")

Work: TypeAlias = Callable[[int, np.random.SeedSequence], Result]
"""Does so many of something with a seed. Other processes are to do it, so it has to be one that can be pickled."""

Progress: TypeAlias = Callable[[int, int], None]
"""Is told how many are done, and of how many."""


def in_chunks(
    work: Work[Result],
    count: int,
    size: int,
    seed: int,
    workers: int | None = 1,
    progress: Progress | None = None,
) -> list[Result]:
    """Do a number of things, chunk by chunk.

    Parameters
    ----------
    count : how many.
    size : how many a chunk; the last may have fewer.
    workers : how many processes; all the cores there are, or what joblib's own context says, if None. Within
        ``joblib.parallel_config`` they are those of its back end, which may be a cluster's. One works in this process
        and does without joblib.
    progress : called in this process as chunks come in.

    Returns
    -------
    The chunks' results, in order.
    """
    if workers is not None and workers < 1:
        raise ValueError(f"one worker or more, not {workers}")
    if count < 1 or size < 1:
        raise ValueError(f"nothing to do: {count} in chunks of {size}")
    sizes = [min(size, count - start) for start in range(0, count, size)]
    seeds = np.random.SeedSequence(seed).spawn(len(sizes))
    results, done = [], 0
    for number, result in zip(sizes, _results(work, sizes, seeds, workers), strict=True):
        results.append(result)
        done += number
        if progress is not None:
            progress(done, count)
    return results


def _results(
    work: Work[Result], sizes: Sequence[int], seeds: Sequence[np.random.SeedSequence], workers: int | None
) -> Iterator[Result]:
    """Give the results in order, as they come."""
    if workers == 1 or len(sizes) == 1:
        return map(work, sizes, seeds)
    from joblib import Parallel, delayed
    from joblib.parallel import get_active_backend

    # joblib keeps its processes' matrix libraries to their share of the cores by itself
    in_context = get_active_backend()[1]
    jobs = workers if workers is not None else in_context if in_context is not None else -1
    tasks = (delayed(work)(number, own) for number, own in zip(sizes, seeds, strict=True))
    found: Iterator[Result] = Parallel(n_jobs=jobs, return_as="generator")(tasks)
    return found
