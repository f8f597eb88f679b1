"""Who marks higher, wider or less steadily than the others, or drifts, in numbers and in words.

Most tables here have one row a patch and one column an assessor, blanks where a patch was not marked;
`wide` makes them from readings with one row a mark, which `repeatability`, `drift` and `each` take as they are.
"""

from analysis.assessors.agreed import AGREED, ALPHA, agreed, alpha_sentence, correlation_sentence
from analysis.assessors.agreement import Level, icc, krippendorff, krippendorff_interval
from analysis.assessors.each import EACH, each
from analysis.assessors.habits import consistency, repeatability, severity
from analysis.assessors.marks import first_looks, wide
from analysis.assessors.sentences import describe, in_one_sentence
from analysis.assessors.session import drift

__all__ = [
    "AGREED",
    "ALPHA",
    "EACH",
    "Level",
    "agreed",
    "alpha_sentence",
    "consistency",
    "correlation_sentence",
    "describe",
    "drift",
    "each",
    "first_looks",
    "icc",
    "in_one_sentence",
    "krippendorff",
    "krippendorff_interval",
    "repeatability",
    "severity",
    "wide",
]
