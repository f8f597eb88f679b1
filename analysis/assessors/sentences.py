"""What the tables on assessors say, in plain sentences."""

from __future__ import annotations

from math import floor, log10

import numpy as np
import pandas as pd

from analysis.assessors.habits import consistency, severity
from trials.plan import Response


def describe(table: pd.DataFrame, repeats: pd.DataFrame | None = None, unit: str = "grade") -> tuple[str, ...]:
    """Say of each assessor, in plain sentences, how it marks.

    Parameters
    ----------
    table : one row a patch, one column an assessor, numbers; blanks where there is no mark.
    repeats : what `repeatability` returned, where marks were repeated.
    unit : what a mark counts, in the singular.

    Raises
    ------
    UserError
        As `severity`.
    """
    off, use = severity(table), consistency(table)
    sentences = []
    for at, name in enumerate(table.columns):
        sentences.append(_severity_sentence(str(name), off.iloc[at], unit))
        spread, agreement = use["spread"].iloc[at], use["agreement"].iloc[at]
        if not np.isnan(spread):
            sentences.append(f"{name}'s marks are spread {spread:.2f} times as widely as the others'.")
        if not np.isnan(agreement):
            told = f"go along with the mean of the others at a correlation of {agreement:.2f}"
            sentences.append(f"{name}'s marks {told}.")
        elif off["patches"].iloc[at]:
            sentences.append(f"Whether {name} ranks patches as the others do cannot be told from these marks.")
        if repeats is not None and name in repeats.index:
            sentences.append(_repeat_sentence(str(name), repeats.iloc[repeats.index.get_loc(name)], unit))
    return tuple(sentences)


def in_one_sentence(row: pd.Series, response: Response) -> str:
    """Say in one sentence how an assessor marks: severity, spread, second looks and drift.

    Parameters
    ----------
    row : of `analysis.assessors.each`.
    response : what was marked.
    """
    name = str(row["assessor"]) or "the unnamed assessor"
    parts = [_beside_others(row, response), _on_second_looks(row, response), _over_the_session(row, response)]
    text = f"{name} {'; '.join(parts)}."
    return text[:1].upper() + text[1:]


def _beside_others(row: pd.Series, response: Response) -> str:
    """Return how high and how wide an assessor marks."""
    mean, lower, upper = row["difference"], row["difference_lower"], row["difference_upper"]
    if not row["shared"]:
        return "shares no patch with another, so how high it marks beside others cannot be told"
    if np.isnan(lower) or upper - lower < 1e-9:
        size = f"{abs(mean):.3g} {response.unit_words(abs(mean))} {response.less_more[bool(mean > 0)]} than"
        text = f"marks {'just as' if abs(mean) < 1e-9 else size} the others on {_patches(row['shared'])}"
    else:
        places = _places((upper - lower) / 2)
        unit = response.unit_words(abs(mean))
        bounds = f"(95% interval {_signed(lower, places)} to {_signed(upper, places)})"
        if lower <= 0 <= upper:
            text = (
                f"marks no otherwise than the others that is clear of chance, {_signed(mean, places)} {unit} {bounds}"
            )
        else:
            near, far = sorted((abs(lower), abs(upper)))
            size = f"{abs(mean):.{places}f} {unit} {response.less_more[bool(mean > 0)]}"
            text = f"marks {size} than the others (95% interval {near:.{places}f} to {far:.{places}f})"
    if np.isnan(row["spread"]) or response.kind == "yes_no":
        return text
    return f"{text} and spreads its marks {row['spread']:.2f} times as widely"


def _on_second_looks(row: pd.Series, response: Response) -> str:
    """Return how well an assessor repeats a mark."""
    repeated, same = int(row["repeated"]), int(row["repeated_same"])
    if not repeated:
        return "how well a mark is repeated cannot be told, as no patch was seen twice"
    text = f"gave {_patches(repeated)} seen twice the same mark {_times(same, repeated)}"
    if response.kind == "yes_no" or same == repeated:
        return text
    sd, places = row["repeat_sd"], _places(row["repeat_sd"])
    bounds = f"95% interval {row['repeat_lower']:.{places}f} to {row['repeat_upper']:.{places}f}"
    return f"{text} (standard deviation of a repeated mark {sd:.{places}f} {response.unit_words(sd)}, {bounds})"


def _over_the_session(row: pd.Series, response: Response) -> str:
    """Return how far an assessor's marks moved from the first patch to the last."""
    change, lower, upper = row["drift"], row["drift_lower"], row["drift_upper"]
    if np.isnan(change):
        return f"whether the marks drifted cannot be told: {row['drift_unknown']}"
    unit = response.unit_words(abs(change))
    span = "from the first patch to the last the marks"
    way = f"towards {response.less_more[bool(change > 0)]}"
    if np.isnan(lower):
        return f"{span} moved {abs(change):.2g} {unit} {way}, but {row['drift_unknown']}"
    if upper - lower < 1e-9:
        return f"{span} {'stayed' if abs(change) < 1e-9 else f'moved {abs(change):.2g} {unit} {way}'}"
    places = _places((upper - lower) / 2)
    if lower <= 0 <= upper:
        bounds = f"95% interval {_signed(lower, places)} to {_signed(upper, places)}"
        return f"{span} did not clearly drift, {_signed(change, places)} {unit} ({bounds})"
    near, far = sorted((abs(lower), abs(upper)))
    return f"{span} moved {abs(change):.{places}f} {unit} {way} (95% interval {near:.{places}f} to {far:.{places}f})"


def _patches(count: int) -> str:
    return f"{count} patch{'' if count == 1 else 'es'}"


def _times(same: int, repeated: int) -> str:
    if repeated == 1:
        return "again" if same else "only once"
    return "every time" if same == repeated else "never" if not same else f"{same} times" if same > 1 else "once"


def _severity_sentence(name: str, row: pd.Series, unit: str) -> str:
    mean, lower, upper, patches = row["difference"], row["lower"], row["upper"], int(row["patches"])
    if not patches:
        return f"{name} shares no marked patch with the others, so nothing can be said of {name}."
    way = "higher" if mean > 0 else "lower"
    equal = abs(mean) < 1e-9
    if np.isnan(lower):
        size = "just as" if equal else f"{abs(mean):.3g} {unit} {way} than"
        return f"{name} marks {size} the others on the one patch they share."
    if upper - lower < 1e-9 * max(1, abs(mean)):
        size = "just as the others do on average" if equal else f"{abs(mean):.3g} {unit} {way} than the others' mean"
        return f"{name} marks every patch {size}."
    places = _places((upper - lower) / 2)
    if lower <= 0 <= upper:
        return (
            f"Whether {name} marks higher or lower than the others is not settled: {_signed(mean, places)} {unit} "
            f"(95% interval {_signed(lower, places)} to {_signed(upper, places)})."
        )
    near, far = sorted((abs(lower), abs(upper)))
    return (
        f"{name} marks {abs(mean):.{places}f} {unit} {way} than the others "
        f"(95% interval {near:.{places}f} to {far:.{places}f})."
    )


def _signed(value: float, places: int) -> str:
    """Return a number with its sign, none on a zero."""
    text = f"{abs(value):.{places}f}"
    return text if not float(text) else ("+" if value > 0 else "−") + text


def _places(half: float) -> int:
    """Return decimals enough to show the first figure of half the interval."""
    return max(0, -floor(log10(half)))


def _repeat_sentence(name: str, row: pd.Series, unit: str) -> str:
    sd, patches = float(row["repeat_sd"]), int(row["patches"])
    on = "the one patch marked again" if patches == 1 else f"all {patches} patches marked again"
    if sd == 0:
        return f"{name} gave the same mark on {on}."
    places = _places(sd)
    return (
        f"Marking a patch again, {name} repeats its mark with a standard deviation of {sd:.{places}f} {unit} "
        f"({patches} patch{'' if patches == 1 else 'es'}; "
        f"95% interval {row['lower']:.{places}f} to {row['upper']:.{places}f})."
    )
