"""What to weigh and measure now: a batch as it is asked for in words, or every batch of a laid-out trial."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trials import bench_choices, cautions, materials, mixing, units
from trials import folder as folders
from trials.errors import Problem, UserError

ASK = "write --basis 'of carrier' or --basis 'up to'; both are shown"


@dataclass(frozen=True)
class Asked:
    """A batch as it is asked for; what is not said is empty, or 0."""

    volume: str = ""
    area: str = ""
    coverage: str = ""
    coats: int = 1
    waste: str = ""
    load: str = ""
    basis: str = ""
    cut: float = 0.0
    retarder: float = 0.0
    parts: str = ""
    balance: str = ""


def reckon(asked: Asked) -> tuple[dict[str, Any], list[str]]:
    """Return a batch as plain values and as lines of text, what to do first.

    Raises
    ------
    UserError
        Neither a volume nor an area with its coverage, nothing to mix, or an amount that cannot be read.
    """
    amount_ml, lines = _amount(asked)
    if not (asked.load or asked.cut or asked.retarder or asked.parts):
        what = "it is not said what to mix"
        raise UserError(Problem(what, "add --load for dye, --cut for shellac, --retarder, or --parts for a blend"))
    data: dict[str, Any] = {"volume_ml": amount_ml}
    names: list[str] = []
    if asked.load:
        found, said, named = _dye(asked, amount_ml)
        data["dye"] = found
        lines += said
        names += named
    if asked.cut:
        made = mixing.shellac(asked.cut, finished_ml=amount_ml)
        data["shellac"] = {"flakes_g": made.flakes_g, "alcohol_ml": made.alcohol_ml, "finished_ml": made.finished_ml}
        lines += made.lines()
        names.append(cautions.SOLVENT.name)
    if asked.retarder:
        slowed = mixing.retarder(asked.retarder, amount_ml, asked.load or None)
        data["retarder"] = {"of_total_ml": slowed.retarder_ml, "on_top_total_ml": slowed.total_on_top_ml}
        lines += slowed.lines()
        names.append(cautions.SOLVENT.name)
    if asked.parts:
        blend = mixing.blend(_parts(asked.parts), amount_ml)
        data["blend"] = dict(zip(blend.names, blend.volumes_ml, strict=True))
        lines += blend.lines()
        names.append(cautions.SOLVENT.name)
    return data, [*lines, "", *_cautions(names)]


def _amount(asked: Asked) -> tuple[float, list[str]]:
    if bool(asked.volume) == bool(asked.area):
        what = "both a volume and an area are given" if asked.volume else "it is not said how much to make"
        raise UserError(Problem(what, "write --volume '500 mL', or --area '0.8 m^2' with --coverage '7 m^2/L'"))
    if asked.volume:
        amount = units.read(asked.volume, "volume").amount
        if not amount > 0:
            raise UserError(Problem(f"the volume is {asked.volume}", "write one above 0"))
        return amount, []
    if not asked.coverage:
        raise UserError(
            Problem("it is not said how far a litre goes", "add --coverage '7 m^2/L', from the maker's sheet")
        )
    waste = units.read(asked.waste, "share").amount / 100 if asked.waste else mixing.WASTE
    found = mixing.volume(asked.area, asked.coverage, coats=asked.coats, waste=waste)
    return found.ml, found.lines()


def _dye(asked: Asked, amount_ml: float) -> tuple[dict[str, Any], list[str], list[str]]:
    if asked.basis not in ("", "of carrier", "up to"):
        raise UserError(Problem(f"the basis is {asked.basis!r}", ASK))
    strength = mixing.read_load(asked.load)
    basis: mixing.Basis = "up to" if asked.basis == "up to" else "of carrier"
    made = mixing.dye(strength, amount_ml, basis)
    unit: mixing.Unit = "g" if strength.measured == "by mass" else "mL"
    data: dict[str, Any] = {
        "amount": made.dye, "unit": unit, "carrier_ml": made.carrier_ml, "finished_ml": made.finished_ml,
        "basis": made.basis,
    }  # fmt: skip
    lines = made.lines()
    if not asked.basis and strength.basis is None:
        lines.append(f"It was taken as so much per litre of carrier; {ASK.replace('write', 'to say it, write')}.")
    if asked.balance:
        division = units.read(asked.balance, "mass" if unit == "g" else "volume").amount
        weighed = mixing.weigh(made.dye, division, unit=unit)
        lines += weighed.lines()
        data["enough"] = weighed.is_enough
        if not weighed.is_enough:
            lines += mixing.stock_route(weighed, made.finished_ml, measure_ml=0.5).lines()
    return data, lines, [(cautions.DYE_POWDER if unit == "g" else cautions.SOLVENT).name]


def _parts(written: str) -> dict[str, float]:
    """Read ``alcohol 3, thinner 1``."""
    found: dict[str, float] = {}
    for part in written.split(","):
        name, _, number = part.strip().rpartition(" ")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            name = ""
        if not name.strip():
            raise UserError(
                Problem(f"{part.strip()!r} is not a name and a number of parts", "write 'alcohol 3, thinner 1'")
            )
        if materials.load().hardener(name):
            raise UserError(materials.refusal(name.strip()))
    return found


def _cautions(names: list[str]) -> list[str]:
    if not names:
        return []
    return [
        "Cautions:",
        *(f"- {one.name}: {one.text}" for one in (materials.CAUTIONS[name] for name in dict.fromkeys(names))),
        f"- {cautions.GENERAL}",
    ]


# --- a trial's batches -----------------------------------------------------------------------------


def of_trial(place: Path) -> tuple[dict[str, Any], list[str]]:
    """Return every batch of a laid-out trial as plain values and as lines of text.

    Raises
    ------
    UserError
        The trial cannot be read, or one of its batches cannot be reckoned.
    """
    trial = folders.load(place)
    made = batches(trial)
    data = {
        "batches": [
            {
                "kind": one.kind,
                "what": one.what,
                "levels": dict(one.levels),
                "made_ml": one.made_ml,
                "lines": one.lines(),
            }
            for one in made.batches
        ],
        "left_out": list(made.left_out),
    }
    if not made.batches and not made.left_out:
        what = "the plan's factors and steps name nothing to mix"
        raise UserError(Problem(what, 'name materials in the [[step]]s, such as material = "powdered dye in water"'))
    return data, [*made.lines(), "", *_cautions(list(made.cautions))]


def batches(trial: folders.Trial) -> mixing.Mixing:
    """Return the batches of the boards of a trial's last occasion."""
    bench = trial.plan.bench
    table = materials.load(bench_choices.materials_file(bench, trial.folder.path))
    return mixing.batches(trial.plan, trial.latest_patches, table, bench_choices.settings(bench))
