"""A balanced layout at other numbers of boards, without laying it out: its counts grow in proportion.

Where every lot holds whole sets of treatments, each stratum has its pieces less those around them and less what its
own effects take, whatever the number of sets.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cached_property

from analysis.precision.exact import Variances, checked, is_even, mean_square, treated_rows
from analysis.precision.outlook import Chances, chances
from analysis.priors import RESIDUAL
from trials import structure
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Plan, Question
from trials.plan_file import MOST_PATCHES
from trials.structure import Structure

_SETS = 2
"""Sets of the layout that the others are reckoned from, enough to judge every interaction by."""


class Sets:
    """What whole sets of a plan's board treatments can tell.

    Parameters
    ----------
    plan : of which only the number of boards varies; see `analysis.precision.with_boards`.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.controls = plan.controls_on("board")
        self.one_set = len(plan.treatments(plan.laid_on("board")))

    def holds(self, boards: int) -> bool:
        """Whether a number of boards is whole sets besides the control boards."""
        return boards > self.controls and (boards - self.controls) % self.one_set == 0

    @cached_property
    def _base(self) -> Structure | None:
        """What so many sets in one lot can tell, every interaction asked for; nothing if that is not balanced."""
        boards = self.controls + _SETS * self.one_set
        if (
            self.plan.unusable
            or self.plan.model.curvature
            or boards * self.plan.boards.lanes * self.plan.boards.strips > MOST_PATCHES
        ):
            return None
        model = replace(self.plan.model, interactions=tuple(structure.pairs_by_weight(self.plan)))
        plan = replace(self.plan, boards=replace(self.plan.boards, lots=(boards,)), added=(), model=model)
        try:
            frame, told = treated_rows(plan, lay_out(plan, 1))
        except UserError:  # an interaction that is never made whole, say
            return None
        return told if is_even(frame, told) else None

    @property
    def balanced(self) -> bool:
        """Whether whole sets are balanced."""
        return self._base is not None

    def told(self, lots: tuple[int, ...]) -> Structure:
        """Return what these lots of boards, whole sets in each, can tell."""
        base = self._base
        assert base is not None, "ask whether it is balanced first"
        plan = replace(self.plan, boards=replace(self.plan.boards, lots=lots), added=())
        return structure.of_whole_sets(plan, base)

    def chances(self, lots: tuple[int, ...], question: Question, variances: Variances) -> tuple[float, Chances]:
        """Return df and the chances, exactly; NaN where nothing judges the question."""
        told = self.told(lots)
        effect = told.by_name[question.factor]
        levels = len(self.plan.factor(question.factor).levels)
        if not effect.can_be_judged:
            return 0.0, Chances(*[math.nan] * 5)
        known = checked(variances, told.random)
        square = mean_square(told, effect, known)
        se = (2 * square * levels / told.counts[RESIDUAL]) ** 0.5
        found = chances(se, effect.error_df, 2 if question.between else levels, effect.df, question.worth)
        return float(effect.error_df), found
