"""A first trial.toml: from an example, from an earlier trial, or from a few plain questions."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from trials import toml_source, units
from trials.errors import Problem, UserError, nearest

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
    """What a finisher said they want to try."""

    title: str
    wood: str
    carriers: tuple[str, ...]
    loads: tuple[str, ...]
    seal_coat: str
    dwells: tuple[str, ...]
    length: str
    width: str
    repeats: int
    worth: float

    @property
    def board_treatments(self) -> int:
        """How many different boards there are to make."""
        return max(len(self.carriers), 1) * max(len(self.loads), 1)


def ask_all(ask: Ask, say: Callable[[str], None]) -> Answers:
    """Put the questions one after the other; an answer that cannot be used is asked for again."""
    title = ask("What is the piece, or the question?", "Finish trial")
    wood = ask("Which wood?", "quartersawn lacewood")
    say("Now what you want to compare, with commas between; press Enter alone for what is not to be varied.")
    carriers = _list(ask, say, "Carriers, such as water, alcohol")
    loads = _list(ask, say, "Dye loads with their unit, such as 15 g/L, 30 g/L", kind="dye load")
    seal = ask("Seal coat to compare with none, such as shellac 1 lb cut", "").strip()
    dwells = _list(ask, say, "Glaze dwells with their unit, such as 3 min, 6 min", kind="time")
    if not (carriers or loads or seal or dwells):
        raise UserError(
            Problem("nothing is varied, so there is nothing to try", "name at least one thing to compare")
        )
    length = _quantity(ask, say, "Length of a board", "400 mm")
    width = _quantity(ask, say, "Width of a board", "150 mm")
    boards = max(len(carriers), 1) * max(len(loads), 1)
    repeats = _number(
        ask, say, f"How many boards of each of the {boards} kinds (two at least, three are better)", "3"
    )
    worth = _number(ask, say, "How much clearer must the figure be to be worth a change, in grades of 1 to 5", "0.5")
    return Answers(title, wood, carriers, loads, seal, dwells, length, width, max(int(repeats), 1), worth)


def _list(ask: Ask, say: Callable[[str], None], question: str, kind: str = "") -> tuple[str, ...]:
    while True:
        words = tuple(dict.fromkeys(word.strip() for word in ask(question, "").split(",") if word.strip()))
        if len(words) == 1:
            say("One alone cannot be compared: give two or more, or none.")
            continue
        try:
            for word in words if kind else ():
                units.read(word, kind)
        except UserError as error:
            say(str(error))
            continue
        return words


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
        f"wood = {_quoted(answers.wood)}",
        "",
        "[boards]",
        f"count = {boards}          # {answers.repeats} of each of {answers.board_treatments} kinds",
        "lots = 1            # how many planks they were sawn from",
        f"length = {_quoted(answers.length)}",
        f"width = {_quoted(answers.width)}",
        f"lanes = {2 if answers.seal_coat else 1}           # divisions along the grain",
        f"strips = {max(len(answers.dwells), 1)}          # divisions across the grain",
        "",
    ]
    for name, levels, laid_on in (
        ("carrier", answers.carriers, "board"),
        ("dye_load", answers.loads, "board"),
        ("seal_coat", ("none", answers.seal_coat) if answers.seal_coat else (), "lane"),
        ("glaze_dwell", answers.dwells, "strip"),
    ):
        if levels:
            listed = ", ".join(_quoted(level) for level in levels)
            parts += ["[[factor]]", f'name = "{name}"', f"levels = [{listed}]", f'laid_on = "{laid_on}"', ""]
    parts += [
        "[[response]]",
        'name = "figure_clarity"',
        'kind = "grade"      # 1 to 5, see the scoring form',
        'aim = "more"',
        "",
        "[[response]]",
        'name = "darkness"',
        'kind = "grade"',
        'aim = "more"',
        "",
        "[[question]]        # named before any wood is cut",
        f'factor = "{_first_factor(answers)}"',
        'response = "figure_clarity"',
        f"worth = {answers.worth:g}         # the smallest difference that would change what you do",
        "",
    ]
    return "\n".join(parts)


def _first_factor(answers: Answers) -> str:
    if answers.seal_coat:
        return "seal_coat"
    if answers.carriers:
        return "carrier"
    return "dye_load" if answers.loads else "glaze_dwell"


def _quoted(text: str) -> str:
    """Return text as a TOML string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter >= " " and letter != "\x7f" else " " for letter in escaped) + '"'
