"""How the commands talk: data to stdout, talk to stderr, the user's mistakes in one sentence each."""

from __future__ import annotations

import contextlib
import json
import math
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from trials import limits
from trials.errors import UserError, typed

DONE, ANSWER_IS_NO, USER_MISTAKE, OUR_BUG = 0, 1, 2, 70

FolderArgument = Annotated[
    Path,
    typer.Argument(
        metavar="FOLDER", help="The trial's folder.", show_default="this one", callback=limits.folder
    ),  # a misspelt one is told before anything large is loaded
]
JsonOption = Annotated[bool, typer.Option("--json", help="Give the answer as JSON, for other programs.")]


def say(text: str = "") -> None:
    """Tell the person at the keyboard something that is not the answer itself."""
    print(text, file=sys.stderr)


def next_step(command: str, first: str = "") -> None:
    """Say which command comes next, so that it can be pasted; `first` is what comes before it, a sentence."""
    if first:
        say(first)
    say(f"Next: {command}")


def named(folder: Path) -> str:
    """Return a trial's folder as it is typed after a command: nothing for the one stood in."""
    return "" if folder == Path() else f" {typed(folder)}"


@contextlib.contextmanager
def long_work(what: str) -> Iterator[LongWork]:
    """Show how far some long work is, at a terminal, and let Ctrl-C end it early; a second one stops the command."""
    work = LongWork(what)
    before = signal.getsignal(signal.SIGINT) if threading.current_thread() is threading.main_thread() else None
    if before is not None:
        signal.signal(signal.SIGINT, work.interrupt)
    try:
        yield work
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
        work.clear()


class LongWork:
    """How far some work is, and whether it has been asked to end."""

    def __init__(self, what: str) -> None:
        self._what, self._shown, self._stop = what, 0, False

    def progress(self, done: int, total: int, *_: float) -> None:
        """Show how far it is, over what stood there before."""
        if sys.stderr.isatty() and total > 1:
            text = f"{self._what} {done} of {total} (Ctrl-C ends it with what it has)"
            print(f"\r{text.ljust(self._shown)}", end="", file=sys.stderr, flush=True)
            self._shown = len(text)

    def stop(self) -> bool:
        """Whether to end early."""
        return self._stop

    def interrupt(self, *_: object) -> None:
        """Ask the work to end; the second time stop the command."""
        if self._stop:
            raise KeyboardInterrupt
        self._stop = True

    def clear(self) -> None:
        """Take the line away again."""
        if self._shown:
            print(f"\r{' ' * self._shown}\r", end="", file=sys.stderr, flush=True)


def answer(command: str, *, as_json: bool, data: dict[str, Any], lines: Sequence[str], ok: bool = True) -> None:
    """Give a command's answer: plain lines, or one JSON object with the same content."""
    if as_json:
        print(_json({"schema": f"splitboard/{command}/1", "ok": ok, "data": data, "errors": []}))
    else:
        for line in lines:
            print(line)


def _json(values: dict[str, Any]) -> str:
    return json.dumps(plain(values), ensure_ascii=False, indent=2, allow_nan=False)


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: what is not known (NaN) and what has no end become null."""
    if isinstance(value, dict):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if hasattr(value, "item"):  # a number of numpy's
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table as lines of text: words to the left, numbers to the right."""
    cells = [list(header), *([str(cell) for cell in row] for row in rows)]
    widths = [max(len(row[at]) for row in cells) for at in range(len(header))]
    numeric = [all(_is_number(row[at]) for row in cells[1:]) for at in range(len(header))]

    def line(row: Sequence[str]) -> str:
        padded = (
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(row, widths, numeric, strict=True)
        )
        return "  " + "  ".join(padded).rstrip()

    return [line(cells[0]), "  " + "  ".join("-" * width for width in widths), *(line(row) for row in cells[1:])]


def _is_number(cell: str) -> bool:
    return not cell or (cell[0] in "+-−<.0123456789" and cell[-1].isdigit())


def run(app: Callable[[], Any]) -> None:
    """Run a command line app and turn what goes wrong into a sentence and an exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    try:
        app()
    except UserError as error:
        _show(error)
        sys.exit(USER_MISTAKE)
    except KeyboardInterrupt:
        say("Stopped.")
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(DONE)
    except Exception:
        traceback.print_exc()
        say("\nThis is a fault of splitboard's own, not yours. Nothing recorded was changed by it.")
        sys.exit(OUR_BUG)


def _show(error: UserError) -> None:
    if "--json" in sys.argv:
        print(_json({"schema": "splitboard/error/1", "ok": False, "data": None, "errors": error.as_dicts()}))
    for problem in error.problems:
        say(str(problem))
