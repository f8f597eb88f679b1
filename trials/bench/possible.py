"""Whether the work can be done at all with the hands there are, and if not what would make it possible."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from trials.bench.goes import Go, Work, fits
from trials.bench.task import Task, Window
from trials.bench.times import span
from trials.errors import Problem, UserError

_MINUTE_S = 60
_HALF_HOUR_S = 30 * _MINUTE_S
_LONGEST_DAY_S = 24 * 60 * _MINUTE_S
_FARTHEST = 60
"""Minutes of spacing and of tolerance that are tried."""


def check_possible(work: Work, hands: int, day_s: int) -> None:
    """Check that every go can be done in a day.

    Raises
    ------
    UserError
        One fault for each step that cannot be done; its cure names what was tried and found to do.
    """
    faults: dict[int, Problem] = {}
    for go in work.goes:
        if go.first.step not in faults and not fits(go, hands, day_s):
            faults[go.first.step] = _fault(go, hands, day_s)
    if faults:
        raise UserError(*faults.values())


def _fault(go: Go, hands: int, day_s: int) -> Problem:
    step, place = go.first.name, f"board {go.first.board}"
    longest = max(go.tasks, key=lambda task: task.length_s)
    alone = [wipe for wipe in go.wipes if not fits(Go(go.first, (wipe,)), hands, day_s)]
    if longest.length_s > day_s:
        what = f"takes {span(longest.length_s)} of hands-on time, longer than the day of {span(day_s)}"
    elif alone:
        what = f"dwells {span(_least(alone[-1]))}, which with its work is longer than the day of {span(day_s)}"
    else:
        dwells = ", ".join(map(span, sorted({_least(wipe) for wipe in go.wipes})))
        who = "one pair of hands" if hands == 1 else f"{hands} pairs of hands"
        what = f"leaves {len(go.wipes)} wipes to {who}, and they collide (dwells {dwells})"
    cures = list(_cures(go, hands, day_s))
    cures += ["divide the step into shorter ones"] if longest.length_s > day_s or not cures else []
    cure = " or ".join(cures)
    return Problem(f"step {step!r} on {place} {what}", cure, "trial.toml")


def _cures(go: Go, hands: int, day_s: int) -> Iterator[str]:
    """Yield what makes a go possible, each tried."""
    if len(go.wipes) > 1:
        if all(fits(Go(go.first, (wipe,)), hands, day_s) for wipe in go.wipes):
            kind = "strip" if len({wipe.strip for wipe in go.wipes}) > 1 else "lane"
            yield f'put it on fewer {kind}s at once (on = "{kind}")'
        for more in range(hands + 1, hands + len(go.wipes)):
            if fits(go, more, day_s):
                yield "get a helper" if more == hands + 1 else f"get {more - hands} helpers"
                break
        for apart in range(1, _FARTHEST + 1):
            if fits(_spaced(go, apart * _MINUTE_S), hands, day_s):
                yield f"keep the dwells {apart} min apart"
                break
        for most in range(1, _FARTHEST + 1):
            if fits(_tolerant(go, most * _MINUTE_S), hands, day_s):
                yield f'allow tolerance = "{most} min"'
                break
    for length in range((day_s // _HALF_HOUR_S + 1) * _HALF_HOUR_S, _LONGEST_DAY_S + 1, _HALF_HOUR_S):
        if fits(go, hands, length):
            yield f"work a day of {span(length)}"
            break


def _spaced(go: Go, apart_s: int) -> Go:
    """Return a go whose dwells differ by so much at least, the shortest as it is."""
    levels = sorted({_least(wipe) for wipe in go.wipes})
    moved = levels[:1]
    for level in levels[1:]:
        moved.append(max(level, moved[-1] + apart_s))
    to = dict(zip(levels, moved, strict=True))
    return _with_windows(go, [(to[_least(wipe)], to[_least(wipe)] + _slack(wipe)) for wipe in go.wipes])


def _tolerant(go: Go, most_s: int) -> Go:
    """Return a go whose dwells may last so much longer."""
    return _with_windows(go, [(_least(wipe), _least(wipe) + max(most_s, _slack(wipe))) for wipe in go.wipes])


def _with_windows(go: Go, windows: Sequence[tuple[int, int]]) -> Go:
    wipes = zip(go.wipes, windows, strict=True)
    return Go(go.first, tuple(replace(wipe, window=Window(go.first.number, *window)) for wipe, window in wipes))


def _least(wipe: Task) -> int:
    return wipe.window.least_s if wipe.window else 0


def _slack(wipe: Task) -> int:
    return wipe.window.most_s - wipe.window.least_s if wipe.window else 0
