"""What a layout will be able to tell: power, the width of intervals, the chance of settling a question, and size.

Everything here takes the variances as given. `power` is exact for a balanced layout: the F test of a term in its own
stratum has a noncentral F distribution (Nelder 1965, Proceedings of the Royal Society A 283:147-178). `expected` and
`size` take a difference's standard error by generalised least squares and its degrees of freedom from the expected
information on the variances (Satterthwaite 1946, Biometrics Bulletin 2:110-114), which in a balanced layout are
those of the stratum, exactly. `simulate` checks both by analysing made-up readings.
"""

from __future__ import annotations

from analysis.precision.exact import power
from analysis.precision.known import KnownVariances
from analysis.precision.made_up import Simulated, SimulatedTests, simulate, simulate_tests
from analysis.precision.outlook import Expected, expected
from analysis.precision.sizing import MOST_TIMES, compares_several, enough_boards, size, with_boards
from analysis.precision.variants import lots, readers

__all__ = [
    "MOST_TIMES",
    "Expected",
    "KnownVariances",
    "Simulated",
    "SimulatedTests",
    "compares_several",
    "enough_boards",
    "expected",
    "lots",
    "power",
    "readers",
    "simulate",
    "simulate_tests",
    "size",
    "with_boards",
]
