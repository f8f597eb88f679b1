"""What is said of how the results came in: blind or not, corrected or not, looked at too early or not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from trials.errors import command
from trials.folder import Trial
from trials.folder.seal import part_words
from trials.records import CONFIRMED

LOOKED = "looked"
"""The act put on record when results are analysed before the scoring is closed."""


def scored_by_eye(trial: Trial) -> bool:
    """Whether any standing reading is a person's judgement, which knowing the treatments could sway."""
    by_eye = {response.name for response in trial.plan.responses if response.kind != "measure"}
    by_eye |= {preference.name for preference in trial.plan.preferences}
    return any(row["response"] in by_eye for row in trial.readings)


def too_early(trial: Trial) -> bool:
    """Whether results are seen now that somebody may go on scoring after."""
    return not trial.closed and not trial.plan.mark and scored_by_eye(trial)


def warning(trial: Trial) -> str:
    """Return what stands above answers that come before the scoring is closed; empty where there is no need."""
    if not too_early(trial):
        return ""
    return (
        "The scoring is not closed: whoever scores on after reading this is no longer blind, and the report will say "
        f"so. Close it first with '{command('close', trial.folder.path)}' when all is scored."
    )


def blinding(trial: Trial) -> Iterator[str]:
    """Say when the scoring was closed and what came in after the treatments could be seen."""
    if trial.plan.rehearsal or not scored_by_eye(trial):
        return
    if not trial.closed:
        yield "The scoring was not closed when this was made: readings taken in later may not be blind."
    for act in trial.closings:
        on, readings = _when(act["at"]), _count(act["rows"])
        why = f" ({act['why']})" if act.get("why") else ""
        if act["act"] == "closed":
            yield f"The scoring was closed on {on}, after {readings}{why}; until then no screen showed a treatment."
            yield from _told(act.get("could_tell", ()))
        elif act["act"] == "opened":
            yield f"It was opened again on {on}{why}; what was scored after that may not be blind."
    early = [act for act in trial.closings if act["act"] == LOOKED]
    first = early[0] if early else next((act for act in trial.closings if act["act"] == "closed"), None)
    late = _new_rows(trial, first["rows"]) if first else 0
    if early:
        times = "once" if len(early) == 1 else f"{len(early)} times"
        yield (
            f"The results were looked at {times} while the scoring was open, first on {_when(early[0]['at'])} after "
            f"{_count(early[0]['rows'])}."
        )
    if late:
        yield f"{_count(late)} came in after the treatments could be seen, and may not be blind."


def _told(answers: Sequence[Mapping[str, str]]) -> Iterator[str]:
    """Say whether those who scored could tell treatments, as they said themselves when the scoring was closed."""
    of = {"no": "of no patch", "some": "of some patches", "most": "of most patches"}
    said = [f"{one['assessor'] or 'whoever scored'} {of[one['answer']]}" for one in answers]
    if not said:
        yield "Whether whoever scored could tell treatments was not recorded."
        return
    yield f"Asked then of how many patches they could tell the treatment while scoring: {', '.join(said)}."
    seen = [one["assessor"] or "whoever scored" for one in answers if one["answer"] != "no"]
    if seen:
        yield f"What {' and '.join(seen)} scored may follow what was expected; a blind second assessor would show it."


def _new_rows(trial: Trial, rows: int) -> int:
    """Count the readings below a row of the journal that correct none."""
    return sum(not row["supersedes"] for row in trial.journal[rows:])


def corrections(trial: Trial) -> Iterator[str]:
    """Count the corrections, with their reasons, and the doubtful readings that were confirmed."""
    found = [(at, row) for at, row in enumerate(trial.journal) if row["supersedes"]]
    if not found:
        yield "No reading was corrected."
    else:
        withdrawn = sum(not row["value"] for _, row in found)
        reasons = Counter(row["reason"] for _, row in found)
        listed = "; ".join(f"{reason} ({count})" if count > 1 else reason for reason, count in reasons.most_common())
        share = f", {withdrawn} of them withdrawn" if withdrawn else ""
        kept = "the old one is kept" if len(found) == 1 else "the old ones are kept"
        yield f"{_were(len(found))} corrected{share}; {kept}. Reasons: {listed}."
        closed = next((act["rows"] for act in trial.closings if act["act"] == "closed"), None)
        late = sum(at >= closed for at, _ in found) if closed is not None else 0
        if late:
            yield f"{late} of the corrections came after the scoring was closed."
    confirmed = sum(CONFIRMED in row["note"] for row in trial.readings)
    if confirmed:
        yield f"{_were(confirmed)} doubtful when taken in, and confirmed."


def outside(trial: Trial) -> Iterator[str]:
    """Say which tables and what of the record were changed outside splitboard and gone on with, when and why."""
    for edit in trial.record.edited:
        parts = ", ".join(map(part_words, edit["parts"]))
        yield (
            f"datapackage.json was edited outside splitboard ({parts}), accepted on {_when(edit['at'])} "
            f"({edit['why']}). What it said before is not known; it is kept as {edit['kept_as']}."
        )
    for one in trial.record.accepted:
        yield (
            f"{one.difference.name} was changed outside splitboard, accepted on {_when(one.at)} ({one.why}): "
            f"{one.difference.words}. As it was it is kept as {one.kept_as}."
        )


def _were(count: int) -> str:
    return f"{_count(count)} {'was' if count == 1 else 'were'}"


def _count(readings: int) -> str:
    return f"{readings} {'reading' if readings == 1 else 'readings'}"


def _when(at: str) -> str:
    return at[:16].replace("T", ", ")
