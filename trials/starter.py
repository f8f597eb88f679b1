"""A first trial.toml: from an example, from an earlier trial, or from a few plain questions."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from trials import toml_source, units
from trials.errors import Problem, UserError, nearest
from trials.scales import SCALES

Ask = Callable[[str, str], str]
"""Put a question with its default and return the answer."""


def examples_folder() -> Path:
    """Return where the examples lie: inside the installed package, or beside it in a checkout."""
    inside = Path(__file__).parent / "examples"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "example_trials"


def example(name: str) -> Path:
    """Return the folder of an example trial.

    Raises
    ------
    UserError
        There is none of that name.
    """
    there = sorted(path.parent.name for path in examples_folder().glob("*/trial.toml"))
    if name not in there:
        raise UserError(Problem(f"there is no example named {name!r}", nearest(name, there)))
    return examples_folder() / name


def from_example(name: str) -> str:
    """Return the plan of an example as the beginning of a trial in earnest: without the mark that its results bear.

    Raises
    ------
    UserError
        There is none of that name.
    """
    import tomlkit

    document = tomlkit.parse(toml_source.text_of(example(name) / "trial.toml"))
    document["trial"].pop("example")
    return f"# Begun from the example {name}: change what is not yours.\n{tomlkit.dumps(document)}"


def follow_up(earlier: Path, folder: Path) -> str:
    """Return the plan of an earlier trial as the beginning of a new one, its comments kept.

    Parameters
    ----------
    earlier : the earlier trial's folder.
    folder : the new one, not made yet.

    Notes
    -----
    Boards that were added later count as boards from the first. Where the earlier trial has results, ``like`` names
    it, so that the new one is planned from what it found.

    Raises
    ------
    UserError
        The plan is faulty, or it is that of a rehearsal.
    """
    import tomlkit

    from trials import folder as folders

    place = folders.at(earlier)
    plan = folders.read_plan(place.plan_file)
    if plan.rehearsal:
        raise UserError(Problem(f"{str(earlier)!r} is a rehearsal", "name the trial it was made of"))
    document = tomlkit.parse(toml_source.text_of(place.plan_file))
    if plan.added:
        del document["added"]
        boards = document["boards"]
        for key in ("count", "replicates"):
            boards.pop(key, None)
        boards["lots"] = list(plan.boards.lots)
    if folders.has_readings(place):
        heading = document.setdefault("trial", tomlkit.table())
        heading["like"] = Path(os.path.relpath(place.path.resolve(), folder.resolve())).as_posix()
    return tomlkit.dumps(document)


@dataclass(frozen=True)
class Answers:
    """What a finisher said they want to try; what is not varied, not used or not known is empty."""

    title: str
    wood: str
    carriers: tuple[str, ...]
    loads: tuple[str, ...]
    seal_coats: tuple[str, ...]
    dwells: tuple[str, ...]
    top_coat: str
    length: str
    width: str
    looks: tuple[str, ...]
    measured: bool
    assessors: tuple[str, ...]
    repeats: int
    worth: float

    @property
    def board_treatments(self) -> int:
        """How many different boards there are to make."""
        return max(len(self.carriers), 1) * max(len(self.loads), 1)


_LOOKED_AT = {
    "laps": "lap_visibility", "lap": "lap_visibility", "clarity": "figure_clarity", "figure": "figure_clarity",
    "blotching": "blotch", "blotches": "blotch", "raised grain": "grain_raise", "colour": "darkness",
}  # fmt: skip
"""What people call the scales in words."""


def ask_all(ask: Ask, say: Callable[[str], None]) -> Answers:
    """Put the questions one after the other; an answer that cannot be used is asked for again."""
    title = ask("What is the piece, or the question?", "Finish trial")
    wood = ask("Which wood? (Enter leaves it open)", "").strip()
    say("Now what you want to compare, with commas between; press Enter alone for what is not to be varied.")
    carriers = _list(ask, say, "Carriers, such as water, alcohol")
    loads = _list(ask, say, "Dye loads, such as 15, 30 g/L", kind="dye load")
    seals = _list(ask, say, "Seal coats to compare with none, such as shellac 1 lb cut", least=1)
    dwells = _list(ask, say, "Glaze dwells, such as 3, 6 min", kind="time")
    if not (carriers or loads or seals or dwells):
        raise UserError(
            Problem("nothing is varied, so there is nothing to try", "name at least one thing to compare")
        )
    top_coat = ask("Top coat on all of it, such as oil varnish (Enter for none)", "").strip()
    length = _quantity(ask, say, "Length of a board, such as 400 mm or 15 3/4 in", "400 mm")
    width = _quantity(ask, say, "Width of a board", "150 mm")
    looks = _looks(ask, say)
    measured = _yes(ask, say, "Do you measure how dark it is with an instrument, in L*? yes or no", "no")
    assessors = _list(ask, say, "Who scores? Names with commas between (Enter if you alone)", least=1)
    boards = max(len(carriers), 1) * max(len(loads), 1)
    each = "of each of the {boards} kinds (two at least, three are better)" if boards > 1 else "in all"
    repeats = _number(ask, say, f"How many boards {each.format(boards=boards)}", "3" if boards > 1 else "6")
    unit = "L*" if measured and looks[0] == "darkness" else "grades of 1 to 5"
    better = f"By how much must the {looks[0].replace('_', ' ')} differ to be worth a change, in {unit}"
    worth = _number(ask, say, better, "3" if unit == "L*" else "1")
    return Answers(
        title, wood, carriers, loads, seals, dwells, top_coat, length, width, looks, measured, assessors,
        max(int(repeats), 1), worth,
    )  # fmt: skip


def _list(ask: Ask, say: Callable[[str], None], question: str, kind: str = "", least: int = 2) -> tuple[str, ...]:
    """Return words, a bare number with the unit of the last: ``10, 20, 40 g/L``."""
    while True:
        words = [word.strip() for word in ask(question, "").split(",") if word.strip()]
        if kind:
            words = [units.with_unit_of(word, words[-1]) for word in words]
        words = list(dict.fromkeys(words))
        if 0 < len(words) < least:
            say("One alone cannot be compared: give two or more, or none.")
            continue
        try:
            for word in words if kind else ():
                units.read(word, kind)
        except UserError as error:
            say(str(error))
            continue
        return tuple(words)


def _looks(ask: Ask, say: Callable[[str], None]) -> tuple[str, ...]:
    """Return the scales that are looked at, what matters most first."""
    offered = ", ".join(name.replace("_", " ") for name in SCALES)
    while True:
        words = [
            word.strip().casefold()
            for word in ask(f"What do you look at, what matters most first? {offered}", "figure clarity").split(",")
        ]
        names = [_LOOKED_AT.get(word, word.replace(" ", "_")) for word in words if word]
        wrong = next((name for name in names if name not in SCALES), "")
        if names and not wrong:
            return tuple(dict.fromkeys(names))
        say(f"{wrong.replace('_', ' ')!r} has no scale in words yet: {nearest(wrong, SCALES).replace('_', ' ')}.")


def _yes(ask: Ask, say: Callable[[str], None], question: str, default: str) -> bool:
    while True:
        word = ask(question, default).strip().casefold()
        if word in ("yes", "y", "no", "n"):
            return word[0] == "y"
        say(f"{word!r} is neither yes nor no.")


def _quantity(ask: Ask, say: Callable[[str], None], question: str, default: str) -> str:
    while True:
        text = ask(question, default)
        try:
            units.read(text, "length")
        except UserError as error:
            say(str(error))
            continue
        return text


def _number(ask: Ask, say: Callable[[str], None], question: str, default: str) -> float:
    while True:
        text = ask(question, default).replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            value = 0.0
        if 0 < value < 1000:
            return value
        say(f"{text!r} is not a number above 0.")


def plan_text(answers: Answers) -> str:
    """Return trial.toml for these answers, with comments that say what each part is for."""
    boards = answers.board_treatments * answers.repeats
    parts = [
        "# A finish trial. Lines that begin with # are remarks; units are always written.",
        "[trial]",
        f"title = {_quoted(answers.title)}",
        *([f"wood = {_quoted(answers.wood)}"] if answers.wood else []),
        "",
        "[boards]",
        f"count = {boards}          # {answers.repeats} of each of {answers.board_treatments} kinds",
        "lots = 1            # how many planks they were sawn from",
        f"length = {_quoted(answers.length)}",
        f"width = {_quoted(answers.width)}",
        f"lanes = {len(answers.seal_coats) + 1}           # divisions along the grain",
        f"strips = {max(len(answers.dwells), 1)}          # divisions across the grain",
        "",
    ]
    factors = _factors(answers)
    for name, levels, laid_on in factors:
        parts += ["[[factor]]", f'name = "{name}"', f"levels = {_listed(levels)}", f'laid_on = "{laid_on}"', ""]
    steps = list(_steps(answers))
    last = next(line for line in reversed(steps) if line.startswith("stage"))
    looks = [*answers.looks, *(["darkness"] if answers.measured and "darkness" not in answers.looks else [])]
    for name in looks:
        measured = answers.measured and name == "darkness"
        aim = "less" if measured else SCALES[name].aim or "more"
        parts += [
            "[[response]]",
            f'name = "{name}"',
            'kind = "measure"\nunit = "L*"       # lower is darker' if measured else 'kind = "grade"      # 1 to 5',
            *([f'aim = "{aim}"'] if name in ("darkness", "figure_clarity") else []),
            last.replace("stage = ", "stages = [").split("  ")[0] + "]",
            "",
        ]
    named = [name for name, _, _ in factors]
    parts += [
        "[[question]]        # named before any wood is cut",
        f'factor = "{"seal_coat" if "seal_coat" in named else named[0]}"',
        f'response = "{looks[0]}"',
        f"worth = {answers.worth:g}         # the smallest difference that would change what you do",
        "",
        "# The order of work; the times are guesses: write your own.",
        *steps,
    ]
    if answers.assessors:
        parts += ["[scoring]", f"assessors = {_listed(answers.assessors)}", ""]
    return "\n".join(parts)


def _factors(answers: Answers) -> list[tuple[str, tuple[str, ...], str]]:
    """Return what is varied: name, levels and the piece it is laid on."""
    seals = ("none", *answers.seal_coats) if answers.seal_coats else ()
    every = [
        ("carrier", answers.carriers, "board"), ("dye_load", answers.loads, "board"),
        ("seal_coat", seals, "lane"), ("glaze_dwell", answers.dwells, "strip"),
    ]  # fmt: skip
    return [one for one in every if one[1]]


def _steps(answers: Answers) -> Iterator[str]:
    """Yield the lines of the steps, in the order of the work; the times are common practice, no source."""

    def step(name: str, stage: str, *lines: str) -> Iterator[str]:
        yield from ("[[step]]", f"name = {_quoted(name)}", *lines, f'stage = "{stage}"', "")

    yield from step("sand and mark out", "bare", 'material = "abrasive paper, fresh for each lot"', 'hands = "5 min"')
    if answers.carriers or answers.loads:
        dye = "powdered dye, as the key says" if answers.carriers else "powdered dye in water"
        yield from step("dye", "dyed", f"material = {_quoted(dye)}", 'hands = "4 min"', 'dry = "24 h"')
    if answers.seal_coats:
        only = f"only = {{ seal_coat = {_listed(answers.seal_coats)} }}"
        yield from step("seal coat", "sealed", 'on = "lane"', only, 'hands = "2 min"', 'dry = "2 h"')
    if answers.dwells:
        own = ('on = "strip"', 'dwell = "glaze_dwell"', 'wipe = "40 s"', 'tolerance = "30 s"')
        yield from step("glaze", "glazed", 'material = "oil glaze"', 'hands = "40 s"', *own, 'dry = "48 h"')
    if answers.top_coat:
        coat = f"material = {_quoted(answers.top_coat)}"
        yield from step("top coat", "topcoated", coat, 'hands = "5 min"', 'dry = "48 h"')


def _listed(words: tuple[str, ...]) -> str:
    return f"[{', '.join(map(_quoted, words))}]"


def _quoted(text: str) -> str:
    """Return text as a TOML string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter >= " " and letter != "\x7f" else " " for letter in escaped) + '"'
