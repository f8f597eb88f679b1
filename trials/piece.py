"""The real piece the answers are for: how soon its wet edge is met again, alone and with a helper."""

from __future__ import annotations

from dataclasses import dataclass

from trials import lap, units
from trials.errors import UserError
from trials.toml_source import Table

RISK = 0.1
"""The share of laps that may show where the plan does not say: a working value."""

_WAYS = "return_time, or length, speed and turn, or area and rate"


@dataclass(frozen=True)
class Piece:
    """How a real piece is wiped.

    Attributes
    ----------
    name : what it is called.
    return_s : the longest time until its wet edge is met again, in seconds, with the hands there are.
    helper_s : the same with one more pair of hands, each wiping its share.
    rate_m2_min : how much surface the hands there are wipe in a minute; None where the plan does not say.
    hands : how many wipe at once.
    risk : the share of laps that may show.
    """

    name: str
    return_s: float
    helper_s: float
    rate_m2_min: float | None = None
    hands: int = 1
    risk: float = RISK


def read(table: Table) -> Piece | None:
    """Read the [piece] table of a plan; faults are noted at their keys, and without a return time there is no piece.

    Notes
    -----
    The return time is timed on a dry run, or reckoned as the command lap does::

        [piece]
        name = "counter"
        return_time = "9 min"       # timed; or
        length = "2.4 m"            # of lanes wiped back and forth
        speed = "0.25 m/s"          # of the pad
        turn = "8 s"                # to turn and reload; or
        area = "4 m^2"              # wiped until the first edge is met again
        rate = "0.5 m^2/min"        # by one pair of hands
        hands = 1
        risk = "10 %"               # laps that may show

    With more hands each wipes its share of the lane's length or of the area; a time that was timed is shared out
    likewise.
    """
    table.allow(("name", "return_time", "length", "speed", "turn", "area", "rate", "hands", "risk"))
    hands = table.count("hands", 1, 1, 20)
    amounts = {
        key: _amount(table, key, kind)
        for key, kind in (
            ("return_time", "time"), ("length", "length"), ("speed", "speed"), ("turn", "time"), ("area", "area"),
            ("rate", "rate"), ("risk", "share"),
        )
        if key in table
    }  # fmt: skip
    risk = amounts.get("risk")
    if risk is not None and not 0 < risk < 100:
        table.fault("risk", f"risk is {table.values['risk']!r}", "write a share between 0 and 100 %, such as '10 %'")
        risk = None
    waits = _waits(table, {key: value for key, value in amounts.items() if value is not None}, hands)
    if waits is None:
        return None
    rate = amounts.get("rate")
    return Piece(
        table.text("name", "piece"), *waits, rate_m2_min=None if rate is None else rate * hands, hands=hands,
        risk=RISK if risk is None else risk / 100,
    )  # fmt: skip


def _waits(table: Table, amounts: dict[str, float], hands: int) -> tuple[float, float] | None:
    """Return the longest return times in seconds, with the hands there are and with one more."""
    ways = {"return_time": ("return_time",), "length": ("length", "speed", "turn"), "area": ("area", "rate")}
    begun = [keys for first, keys in ways.items() if first in table]
    if len(begun) != 1:
        what = "[piece] does not say how soon its edge is met again"
        if begun:
            what = f"[piece] says in {len(begun)} ways how soon its edge is met again"
        table.fault(None if not begun else begun[-1][0], what, f"give one of {_WAYS}")
        return None
    (keys,) = begun
    for key in keys:
        if key not in table:
            table.fault(keys[0], f"{keys[0]} is given without {key}", f"give {_WAYS}")
    if not all(key in amounts for key in keys):
        return None
    if keys == ("return_time",):
        timed = 60 * amounts["return_time"]
        return timed, timed * hands / (hands + 1)
    first, second = (
        lap.panel(amounts["length"] / 1000 / number, amounts["speed"], 60 * amounts["turn"]).longest
        if keys[0] == "length"
        else lap.round_the_piece(amounts["area"], amounts["rate"] * number)
        for number in (hands, hands + 1)
    )
    return first, second


def _amount(table: Table, key: str, kind: str) -> float | None:
    try:
        amount = units.read(table.values[key], kind).amount
    except UserError as error:
        table.fault(key, f"{key}: {error.problems[0].what}", error.problems[0].cure)
        return None
    if amount < 0 or (amount == 0 and key != "turn"):
        table.fault(key, f"{key} is {table.values[key]!r}", "write one above 0")
        return None
    return amount
