"""Scores typed in at the prompt, patch by patch, in the assessor's own order; each patch is handed on at once."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.cells import Fault, value
from trials.csv_source import Row, Table
from trials.design import scoring_order
from trials.folder import KEY
from trials.plan import Plan, Response
from trials.records.corrections import BY_HAND
from trials.scoring import Look, Pair, sittings

if TYPE_CHECKING:
    import pandas as pd

HELP = "Enter alone leaves a value out; 'back' goes to the one before, 'note' adds a remark, 'stop' ends here."

CHANGED = "changed at the prompt"
"""The reason of a correction that somebody made by going back."""

Ask = Callable[[str], str]
Say = Callable[[str], None]


@dataclass(frozen=True)
class Prompted:
    """What is asked at the prompt.

    Attributes
    ----------
    looks : patches, then pairs, in order; those recorded already left out.
    responses : what is asked of a patch.
    """

    assessor: str
    stage: str
    looks: tuple[Look | Pair, ...]
    responses: tuple[Response, ...]


class Stop(Exception):
    """The person wants to end here, or there is nothing more to read."""


class _Back(Exception):
    """The person wants the patch before once more."""


def to_ask(
    plan: Plan,
    patches: pd.DataFrame,
    seed: int,
    assessor: str,
    stage: str,
    only: str,
    standing: Sequence[dict[str, str]],
) -> Prompted:
    """Return what is left to ask of one assessor at one stage, or of an instrument where `only` is measured.

    Parameters
    ----------
    only : the one response to ask for; empty for all that are scored by eye.
    standing : the readings recorded so far.
    """
    by_eye = [response for response in plan.responses if response.kind != "measure" and stage in response.stages]
    chosen = [response for response in plan.responses if response.name == only] if only else by_eye
    if only and chosen and chosen[0].kind == "measure":
        looks: list[Look | Pair] = [Look(code) for code in scoring_order(patches, seed, assessor)]
    else:
        sitting = next((one for one in sittings(plan, patches, seed) if one.assessor in (assessor, "")), None)
        rounds = [one for one in sitting.rounds if one.stage == stage] if sitting else []
        looks = [look for one in rounds for look in ((*one.looks,) if chosen else ())]
        looks += [pair for one in rounds for pair in one.pairs if only in ("", pair.choice)]
    done = {_mark(row) for row in standing if (row["assessor"], row["stage"]) == (assessor, stage)}
    left = [look for look in looks if not _done(look, chosen, done)]
    return Prompted(assessor, stage, tuple(left), tuple(chosen))


def as_table(rows: Sequence[dict[str, str]], standing: Sequence[dict[str, str]]) -> Table:
    """Return the rows of one patch as a table to check; what differs from what is recorded is a change of mind."""
    recorded = {tuple(row[name] for name in KEY): row["value"] for row in standing}
    found = []
    for at, row in enumerate(rows, start=1):
        cells = dict.fromkeys((*KEY, "value", "taken_at", "note", "reason"), "") | row
        before = recorded.get(tuple(cells[name] for name in KEY))
        found.append(Row(at, cells | {"reason": CHANGED if before is not None else ""}))
    return Table(BY_HAND, tuple(found[0].cells), tuple(found), decimal_comma=False)


def _mark(row: dict[str, str]) -> tuple[str, ...]:
    return (row["response"], row["patch"], row["against"], row["repeat"])


def _done(look: Look | Pair, responses: Sequence[Response], done: Collection[tuple[str, ...]]) -> bool:
    if isinstance(look, Pair):
        return (look.choice, str(look.left), str(look.right), str(look.repeat)) in done
    return all((response.name, str(look.patch), "", str(look.repeat)) in done for response in responses)


def session(
    plan: Plan, prompted: Prompted, ask: Ask, say: Say, now: Callable[[], str]
) -> Iterator[list[dict[str, str]]]:
    """Ask for one patch or pair after the other and yield its rows, as a file's cells, as soon as it is answered.

    Parameters
    ----------
    ask, say : put a question and return what was typed; show a line. `Stop` from either ends the session.
    now : the time, ISO 8601.

    Notes
    -----
    Going back yields the patch before again; whoever takes the rows in decides what that means.
    """
    at = 0
    while at < len(prompted.looks):
        look = prompted.looks[at]
        head = f"[{at + 1} of {len(prompted.looks)}] "
        try:
            rows = _pair(plan, look, head, ask, say) if isinstance(look, Pair) else _patch(
                look, prompted.responses, head, ask, say
            )  # fmt: skip
        except Stop:
            return
        except _Back:
            at = max(at - 1, 0)
            continue
        aside = {"assessor": prompted.assessor, "stage": prompted.stage, "taken_at": now()}
        if rows:
            yield [row | aside for row in rows]
        at += 1


def _patch(look: Look, responses: Sequence[Response], head: str, ask: Ask, say: Say) -> list[dict[str, str]]:
    say(f"{head}Patch {look.patch}")
    rows = []
    note = ""
    for response in responses:
        answer, remark = _answer(f"  {response.words} ({response.hint})", response, ask, say)
        note = remark or note
        if answer:
            rows.append({"patch": str(look.patch), "response": response.name, "value": answer,
                         "repeat": str(look.repeat)})  # fmt: skip
    return [row | {"note": note} for row in rows]


def _pair(plan: Plan, pair: Pair, head: str, ask: Ask, say: Say) -> list[dict[str, str]]:
    preference = next(one for one in plan.preferences if one.name == pair.choice)
    say(f"{head}{pair.left} at the left, {pair.right} at the right: {preference.ask}")
    answer, note = _answer("  left or right", None, ask, say)
    if not answer:
        return []
    return [{"patch": str(pair.left), "against": str(pair.right), "response": pair.choice, "value": answer,
             "repeat": str(pair.repeat), "note": note}]  # fmt: skip


def _answer(question: str, response: Response | None, ask: Ask, say: Say) -> tuple[str, str]:
    """Ask until the answer is a value, nothing, or a wish to go elsewhere; return it and the note made meanwhile."""
    note = ""
    while True:
        typed = ask(question).strip()
        word = typed.casefold()
        if word == "stop":
            raise Stop
        if word == "back":
            raise _Back
        if word == "note" or word.startswith("note "):
            note = typed[5:].strip() or ask("  note").strip()
        elif not typed:
            return "", note
        elif response is None:
            if word in ("left", "right", "l", "r"):
                return ("1" if word[0] == "l" else "0"), note
            say("  Write left or right; there are no ties.")
        else:
            try:
                value(typed, response, "")
            except Fault as fault:
                say(f"  {fault.what[:1].upper()}{fault.what[1:]}; {fault.cure}.")
            else:
                return typed, note
