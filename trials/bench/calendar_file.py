"""The order of work as an iCalendar file (RFC 5545), so that a telephone rings when a wipe falls due."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trials import blind
from trials.bench.hours import DAY_S
from trials.bench.scheduling import Schedule, Timed
from trials.bench.times import clock, span
from trials.errors import Problem, UserError

LONGEST_LINE = 75
"""Octets of a line without its end: RFC 5545, section 3.1."""
RAGS_S = 600
"""How long it is kept free to see to the rags: common practice, no source."""
WARNING_S = 60
"""How long before a wipe the alarm rings, where the dwell is longer than that: common practice, no source."""


def calendar(
    schedule: Schedule, title: str, when: date, zone: str = "UTC", made: datetime | None = None, *, rags: str = ""
) -> str:
    """Return the schedule as an iCalendar text, one event a task, with an alarm at each wipe.

    Parameters
    ----------
    title : of the trial; part of each event's name and identity.
    when : the date of the first day.
    zone : where the shop is, by its IANA name such as ``Europe/London``; times are written in UTC.
    made : the moment the file is made, with its zone; now where it is left out.
    rags : the caution about rags in one line, where the plan calls for it: an event ends each day's wet work.

    Raises
    ------
    UserError
        The zone is not known.

    Notes
    -----
    The shop opens at the same time by the clock on each day. Where the clocks change over night, drying is an hour
    longer or shorter than planned.
    """
    where = _zone(zone)
    stamp = _utc(made or datetime.now(UTC))
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//splitboard//bench//EN", "CALSCALE:GREGORIAN"]
    for timed in schedule.tasks:
        lines += _event(schedule, timed, (title, when, where), stamp)
    last = {timed.day: timed for timed in schedule.tasks if timed.task.wet}
    for timed in last.values() if rags else ():
        lines += _rags(schedule, timed, (title, when, where), stamp, rags)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in _folded(line))


def _event(schedule: Schedule, timed: Timed, of: tuple[str, date, tzinfo], stamp: str) -> list[str]:
    title, when, where = of
    task = timed.task
    said = "wipe" if task.window else "work"
    about = [blind.MUST_NOT_SEE, f"{task.name}, {span(task.length_s)}"]
    for wipe in schedule.wipes_of(task):
        about.append(f"wipe {wipe.task.place} at {clock(schedule.opens_s, wipe.start_s)}")
    about += [f"control: {task.control}"] if task.control else []
    identity = hashlib.sha256(f"{title}\n{when}\n{task.number}\n{task.place}\n{task.name}".encode()).hexdigest()[:32]
    lines = [
        "BEGIN:VEVENT",
        f"UID:{identity}@splitboard",
        f"DTSTAMP:{stamp}",
        f"DTSTART:{_moment(schedule, timed.start_s, when, where)}",
        f"DTEND:{_moment(schedule, timed.end_s, when, where)}",
        f"SUMMARY:{_escaped(f'{task.place}: {task.name}')}",
        f"DESCRIPTION:{_escaped(f'{title}{chr(10)}' + chr(10).join(about))}",
        f"CATEGORIES:{said.upper()}",
    ]
    if task.window:
        trigger = f"-PT{WARNING_S // 60}M" if task.window.least_s > WARNING_S else "PT0S"
        text = _escaped(f"wipe {task.place}")
        lines += ["BEGIN:VALARM", "ACTION:DISPLAY", f"TRIGGER:{trigger}", f"DESCRIPTION:{text}", "END:VALARM"]
    return [*lines, "END:VEVENT"]


def _rags(schedule: Schedule, timed: Timed, of: tuple[str, date, tzinfo], stamp: str, rags: str) -> list[str]:
    """Return the event at the end of a day's wet work that the rags are seen to."""
    title, when, where = of
    identity = hashlib.sha256(f"{title}\n{when}\nrags\n{timed.day}".encode()).hexdigest()[:32]
    return [
        "BEGIN:VEVENT",
        f"UID:{identity}@splitboard",
        f"DTSTAMP:{stamp}",
        f"DTSTART:{_moment(schedule, timed.end_s, when, where)}",
        f"DTEND:{_moment(schedule, timed.end_s + RAGS_S, when, where)}",
        "SUMMARY:See to the rags",
        f"DESCRIPTION:{_escaped(f'{title}{chr(10)}{rags}{chr(10)}{blind.MUST_NOT_SEE}')}",
        "CATEGORIES:SAFETY",
        "BEGIN:VALARM", "ACTION:DISPLAY", "TRIGGER:PT0S", "DESCRIPTION:See to the rags", "END:VALARM",
        "END:VEVENT",
    ]  # fmt: skip


def _moment(schedule: Schedule, time_s: int, when: date, where: tzinfo) -> str:
    """Return a moment of the schedule in UTC."""
    day, into = divmod(time_s, DAY_S)
    local = datetime.combine(when + timedelta(days=day), time()) + timedelta(seconds=schedule.opens_s + into)
    return _utc(local.replace(tzinfo=where))


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _zone(name: str) -> tzinfo:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        cure = "write its IANA name, such as 'Europe/London', or 'UTC'"
        raise UserError(Problem(f"the time zone {name!r} is not known here", cure)) from None


def _escaped(text: str) -> str:
    """Return text as a TEXT value: RFC 5545, section 3.3.11; control characters have no place in it."""
    text = "".join(letter for letter in text.replace("\r\n", "\n") if letter == "\n" or letter.isprintable())
    for letter in ("\\", ";", ","):
        text = text.replace(letter, f"\\{letter}")
    return text.replace("\n", "\\n")


def _folded(line: str) -> list[str]:
    """Return a line broken so that no part is longer than is allowed; no letter is broken."""
    parts, now, size = [], "", 0
    for letter in line:
        wide = len(letter.encode())
        if size + wide > LONGEST_LINE:
            parts.append(now)
            now, size = " ", 1
        now, size = now + letter, size + wide
    return [*parts, now]
