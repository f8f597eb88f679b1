"""The order of work at the bench for the hands there are."""

from trials.bench.calendar_file import calendar
from trials.bench.lines import bench_lines
from trials.bench.scheduling import Schedule, Timed, faults, schedule
from trials.bench.task import Task, Window, tasks, why_no_order
from trials.bench.timeline import timeline_svg

__all__ = [
    "Schedule", "Task", "Timed", "Window", "bench_lines", "calendar", "faults", "schedule", "tasks", "timeline_svg",
    "why_no_order",
]  # fmt: skip
