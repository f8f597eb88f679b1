"""What the bench has, from the plan's [bench] table: hands, day, balance, measures, coverages."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trials import units
from trials.errors import UserError
from trials.toml_source import Table

if TYPE_CHECKING:
    from trials.mixing import Settings

KINDS = {"dye": "dye", "seal_coat": "seal coat", "glaze": "glaze", "top_coat": "top coat"}
"""The liquids a coverage or a number of coats can be given for, and what the mixing sheet calls them."""


@dataclass(frozen=True)
class Bench:
    """What there is at the bench and how it works; what the plan does not say is left to the defaults.

    Attributes
    ----------
    hands : pairs of hands.
    day_min : how long a shop day is, in minutes.
    balance_g, measure_ml, syringe_ml : one division of each; 0 where the plan does not say.
    waste, floor_ml : how much more is made than the wood takes, as a share of that, and the least that is mixed;
        below 0 where the plan does not say.
    up_to : whether dye loads are of the finished liquid instead of the carrier.
    load : the dye load of a trial that does not vary it.
    coverage, coats : by liquid, m2/L and a number.
    materials : the shop's own materials file, as written.
    """

    hands: int = 1
    day_min: float = 480.0
    balance_g: float = 0.0
    measure_ml: float = 0.0
    syringe_ml: float = 0.0
    waste: float = -1.0
    floor_ml: float = -1.0
    up_to: bool = False
    load: str = ""
    coverage: tuple[tuple[str, float], ...] = ()
    coats: tuple[tuple[str, int], ...] = ()
    materials: str = ""


def read(table: Table) -> Bench:
    """Read the [bench] table; faults are noted at their keys."""
    table.allow(
        (
            "hands", "day", "balance", "measure", "syringe", "waste", "least", "basis", "load", "coverage", "coats",
            "materials",
        )
    )  # fmt: skip
    coverage: list[tuple[str, float]] = []
    coats: list[tuple[str, float]] = []
    for key, found, at in (("coverage", coverage, "spread"), ("coats", coats, "")):
        written = table.values.get(key, {})
        if not isinstance(written, dict) or set(written) - set(KINDS):
            table.fault(
                key, f"{key} is {written!r}", f"write it by liquid, such as {{ dye = … }}: {', '.join(KINDS)}"
            )
            continue
        for name, value in written.items():
            amount = _amount(table, key, value, at) if at else value
            if not isinstance(amount, int | float) or isinstance(amount, bool) or amount <= 0:
                table.fault(key, f"the {key} of {name} is {value!r}", "write one above 0")
            else:
                found.append((KINDS[name], amount))
    return Bench(
        hands=table.count("hands", 1, 1, 20),
        day_min=_given(table, "day", "time", 480.0),
        balance_g=_given(table, "balance", "mass", 0.0),
        measure_ml=_given(table, "measure", "volume", 0.0),
        syringe_ml=_given(table, "syringe", "volume", 0.0),
        waste=_given(table, "waste", "share", -100.0) / 100,
        floor_ml=_given(table, "least", "volume", -1.0),
        up_to=table.choice("basis", ("of carrier", "up to"), "of carrier") == "up to",
        load=table.text("load", "") if "load" in table else "",
        coverage=tuple(coverage),
        coats=tuple((name, int(count)) for name, count in coats),
        materials=table.text("materials", "") if "materials" in table else "",
    )


def _given(table: Table, key: str, kind: str, default: float) -> float:
    """Return the amount of a key in the unit its kind is kept in; it has to be above 0."""
    if key not in table:
        return default
    amount = _amount(table, key, table.values[key], kind)
    if amount is None:
        return default
    if amount < 0 or (amount == 0 and key not in ("waste", "least")):
        table.fault(key, f"{key} is {table.values[key]!r}", "write one above 0")
        return default
    return amount


def _amount(table: Table, key: str, written: object, kind: str) -> float | None:
    try:
        return units.read(written, kind).amount
    except UserError as error:
        table.fault(key, f"{key}: {error.problems[0].what}", error.problems[0].cure)
        return None


def settings(bench: Bench) -> Settings:
    """Return how batches are mixed at this bench."""
    from trials.mixing import Settings

    made = Settings(coverage=dict(bench.coverage), coats=dict(bench.coats), load=bench.load)
    given = {
        "balance_g": bench.balance_g or made.balance_g,
        "measure_ml": bench.measure_ml or made.measure_ml,
        "syringe_ml": bench.syringe_ml or made.syringe_ml,
        "waste": bench.waste if bench.waste >= 0 else made.waste,
        "floor_ml": bench.floor_ml if bench.floor_ml >= 0 else made.floor_ml,
    }
    return replace(made, basis="up to" if bench.up_to else "of carrier", **given)  # type: ignore[arg-type]


def materials_file(bench: Bench, place: Path) -> Path | None:
    """Return the shop's own materials file: the one the plan names, else materials.toml beside it if there is one."""
    if bench.materials:
        return place / bench.materials
    beside = place / "materials.toml"
    return beside if beside.is_file() else None
