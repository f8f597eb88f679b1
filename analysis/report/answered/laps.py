"""How long an edge may wait, and whether the real piece fits."""

from __future__ import annotations

import math

from analysis.answers import Answers
from analysis.curves.of_trial import LapWindow
from analysis.report import curve_figures, evidence, words
from analysis.report.parts import Group, Picture, Section, Table
from analysis.report.words import said
from trials import lap
from trials.plan import Plan


def laps(plan: Plan, found: Answers) -> Section:
    """Say how long the edge may wait with each carrier, and whether the real piece fits."""
    asked = found.laps
    assert asked is not None
    piece = plan.piece
    opening = [asked.against.sentence] if asked.against is not None else []
    if piece is not None:
        alone = lap.time_words(piece.return_s)
        opening.append(
            f"The {piece.name} meets its wet edge again after at most {alone}; with a helper after "
            f"{lap.time_words(piece.helper_s)}."
        )
    opening += [asked.agreement] if asked.agreement else []
    opening += found.later("laps")
    groups = []
    for at, one in enumerate(asked.windows):
        if one.sentence in opening:  # nothing can be told, which is said above
            continue
        heading = words.capital(one.response.replace("_", " ")) or "Laps"
        tables = (_wait_table(found, at),) if one.waits else ()
        pictures = (_picture(plan, found, at),) if one.told else ()
        groups.append(Group(words.clean(heading), said((one.sentence, *one.notes)), pictures, tables))
    return Section(said(opening), groups=tuple(groups))


def _picture(plan: Plan, found: Answers, at: int) -> Picture:
    assert found.laps is not None
    window = found.laps.windows[at]
    times = (plan.piece.return_s, plan.piece.helper_s) if plan.piece is not None and at == 0 else (None, None)
    figure = curve_figures.lap_window(window, *times)
    title = f"{words.capital(window.response.replace('_', ' '))} by return time"
    caption, told = curve_figures.lap_window_caption(window, *times), curve_figures.lap_window_told(window, *times)
    return evidence.picture(
        plan, figure, f"laps-{at + 1}", title, caption, told, "lap_windows", "lap_points", "lap_curves"
    )


def _wait_table(found: Answers, at: int) -> Table:
    assert found.laps is not None
    window = found.laps.windows[at]
    against = found.laps.against if at == 0 else None
    held = {answer.carrier: answer for answer in against.answers} if against is not None else {}
    rows = []
    for wait in window.waits:
        cells = [wait.carrier or "all", *(_minutes(value) for value in (wait.minutes, wait.lower, wait.upper))]
        if held:
            answer = held.get(wait.carrier)
            cells.append(answer.verdict if answer is not None else "")
            cells.append(f"{answer.bay_m2:g} m²" if answer is not None and answer.bay_m2 is not None else "")
        rows.append(tuple(map(words.clean, cells)))
    columns = ("carrier", "longest wait (min)", "from", "to", *(("this piece", "largest bay") if held else ()))
    return Table(
        caption=f"Longest wait of the edge: {words.clean(window.response.replace('_', ' '))}",
        columns=columns,
        numeric=(False, True, True, True, *((False, True) if held else ())),
        rows=tuple(rows),
        notes=_of_limits(window),
        source="tables/lap_windows.csv",
    )


def _of_limits(window: LapWindow) -> tuple[str, ...]:
    """Say what the limits are; the window says itself why there are none."""
    if all(wait.no_limits is not None for wait in window.waits):
        return ()
    if window.measured:
        return ("Limits are 95% ones, from a wait of each board's own and from how steep the curve may be.",)
    return ("Limits are 95% ones, by Bayes' rule, from how steep the curves and how unlike the boards may be.",)


def _minutes(value: float) -> str:
    if math.isnan(value):
        return "not known"
    return "no end seen" if math.isinf(value) else f"{value:.3g}"
