"""Take in scores, instrument readings, comparisons and bench notes: checked, appended, never lost."""

from trials.records.bench_notes import check_conditions, is_conditions
from trials.records.columns import INVENTED_METHOD
from trials.records.lacking import lacking, scorers, still_missing, unscored
from trials.records.reading import Defaults
from trials.records.taking import CONFIRMED, Checked, Held, check_readings, reading_words

__all__ = [
    "CONFIRMED",
    "INVENTED_METHOD",
    "Checked",
    "Defaults",
    "Held",
    "check_conditions",
    "check_readings",
    "is_conditions",
    "lacking",
    "reading_words",
    "scorers",
    "still_missing",
    "unscored",
]
