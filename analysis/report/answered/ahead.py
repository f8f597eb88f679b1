"""What to do next: more boards, and one to confirm the choice."""

from __future__ import annotations

from analysis.answers import Answers, Schedules
from analysis.decide import decimals
from analysis.report import words
from analysis.report.parts import Group, Section, Table
from analysis.report.words import said
from analysis.schedules.ranking import treatment_words
from trials.plan import Plan


def ahead(plan: Plan, found: Answers) -> Section:
    """Say which boards to make next, and what one more of the chosen schedule should read."""
    groups = []
    if found.next.boards is not None:
        how = f"In the trial's folder the command 'splitboard {found.next.words}' lays out just these."
        lines = [found.next.sentence, how]
        groups.append(Group("More boards", said(lines), tables=(_board_table(plan, found),)))
    else:
        groups.append(Group("More boards", said([found.next.sentence])))
    ranked = found.schedules
    if ranked is not None and ranked.ranking is not None and ranked.ranking.best is not None:
        chosen = treatment_words(ranked.ranking.best)
        lines = [
            f"Before the piece, make one more board of the schedule chosen: {chosen}.",
            "Its readings should fall in the ranges below, 19 times of 20 each; where one does not, something at the "
            "bench has changed or the model does not hold.",
        ]
        shown = (_confirmation_table(ranked),) if ranked.confirmation else ()
        groups.append(Group("A board to confirm the choice", said(lines), tables=shown))
    return Section(groups=tuple(groups))


def _board_table(plan: Plan, found: Answers) -> Table:
    rows = [
        tuple(map(words.clean, (f"board {board}", *(words.listed(list(levels)) for levels in carried.values()))))
        for board, carried in found.next.carried()
    ]
    columns = ("board", *(factor.words for factor in plan.factors))
    return Table("The boards proposed", columns, (False,) * len(columns), tuple(rows), (), "tables/next_boards.csv")


def _confirmation_table(ranked: Schedules) -> Table:
    rows = []
    for one in ranked.confirmation:
        digits = decimals(one.lower, one.upper)
        of = "one patch" if one.patches == 1 else f"mean of {one.patches} patches"
        rows.append((one.response.words, of, str(one.readings), words.number(one.mean, digits),
                     words.interval(one.lower, one.upper, digits)))  # fmt: skip
    return Table(
        caption="What a confirmation board should read",
        columns=("response", "of", "readings a patch", "about", "95% prediction interval"),
        numeric=(False, False, True, True, True),
        rows=tuple(tuple(map(words.clean, row)) for row in rows),
        source="tables/confirmation.csv",
    )
