"""Files spoiled at random, taken through whole commands: what ends with a traceback, never ends, or loses a reading.

``python -m tests.benchmarks.bench_fuzz KIND COUNT SEED`` with KIND csv, xlsx, toml or record prints how many were
taken, refused and fell, and for each place where something fell the first file that did it.
"""

from __future__ import annotations

import collections
import contextlib
import csv
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tests.conftest import EXAMPLE, SMALL, outcome  # noqa: E402
from tests.test_fuzz_taking_in import ODD, STEPS, table_of, text_of  # noqa: E402
from trials import folder as folders  # noqa: E402

PATIENCE_S = 120
"""Of processor time for one file through all of its commands."""
ROOM = 4_000_000_000


class TooLong(BaseException):
    """A file takes longer than `PATIENCE_S`."""


@contextlib.contextmanager
def patience() -> Iterator[None]:
    def over(*_: object) -> None:
        raise TooLong

    signal.signal(signal.SIGVTALRM, over)
    signal.setitimer(signal.ITIMER_VIRTUAL, PATIENCE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)


class Tally:
    """What became of the files."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.ends: collections.Counter[str] = collections.Counter()
        self.fell: dict[str, tuple[int, str]] = {}

    def run(self, what: str, *words: object) -> int:
        """Run a command; `what` is the file that it is given."""
        try:
            with patience():
                done = outcome(*words)
        except TooLong:
            self.note(f"{words[0]} takes more than {PATIENCE_S} s", what)
            return 70
        self.ends[f"{words[0]} {done.status}"] += 1
        if done.status not in (0, 1, 2):
            places = re.findall(r'File ".*?/((?:trials|analysis)/[^"]+)", line (\d+), in (\S+)', done.err)
            last = [line for line in done.err.splitlines() if line and not line.startswith((" ", "This is"))][-1]
            self.note(f"{words[0]}: {' '.join(places[-1]) if places else '?'}: {last[:150]}", what)
        return done.status

    def note(self, how: str, what: str) -> None:
        """Note that something fell, and on which file."""
        count, first = self.fell.get(how, (0, what))
        if not count:
            path = Path(tempfile.gettempdir()) / f"fell-{self.kind}-{len(self.fell)}.txt"
            path.write_text(f"{how}\n\n{what}")
            print(f"  fell: {how} ({path})", flush=True)
        self.fell[how] = (count + 1, first)

    def show(self, at: int) -> None:
        """Print how it stands."""
        ends = ", ".join(f"{name}: {count}" for name, count in sorted(self.ends.items()))
        print(f"{self.kind}: {at} files; {ends}; fell {sum(count for count, _ in self.fell.values())}", flush=True)


def files_of(place: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in place.iterdir() if path.is_file() and path.name[0] != "."}


def put_back(place: Path, before: dict[str, bytes]) -> None:
    for name in files_of(place).keys() - before.keys():
        (place / name).unlink()
    for name, data in before.items():
        (place / name).write_bytes(data)


def laid_out(work: Path) -> Path:
    """Return a trial with readings and bench notes to put files into."""
    place = work / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(SMALL + STEPS, encoding="utf-8")
    assert outcome("plan", place, "--seed", 1).status == 0
    codes = [str(code) for code in folders.load(place).patches["patch"]]
    (work / "first.csv").write_text("patch,darkness\n" + "".join(f"{code},40.5\n" for code in codes[:6]))
    (work / "notes.csv").write_text("board,step,ended_at\n1,top coat,2026-03-14T09:00\n")
    assert outcome("record", work / "first.csv", work / "notes.csv", place, "--yes").status == 0
    return place


def tables(count: int, seed: int, kind: str, written: Callable[[list[list[str]], random.Random], bytes]) -> Tally:
    """Take tables in; whatever becomes of one, what was recorded before is there and every cell may be read."""
    tally, draw = Tally(kind), random.Random(seed)
    work = Path(tempfile.mkdtemp())
    place = laid_out(work)
    before, journal = files_of(place), folders.load(place).journal
    codes = [str(code) for code in folders.load(place).patches["patch"]]
    file = work / f"a.{kind}"
    at = 0
    while at < count:
        header, rows, separator = table_of(draw.randbytes(39))
        text = text_of(header, rows, separator, codes)
        data = (
            written(list(csv.reader(io.StringIO(text), delimiter=separator)), draw)
            if kind == "xlsx"
            else spoilt(text, draw)
        )
        file.write_bytes(data)
        options = draw.sample(
            ["--yes", "--good-rows", "--assessor=A", "--stage=topcoated", "--json"], draw.randrange(4)
        )
        status = tally.run(repr(data) if kind == "csv" else text, "record", file, place, *options)
        got_past = status == 0 or kind == "csv"
        if status != 0:
            if files_of(place) != before:
                tally.note("refused, yet the folder is not as before", text)
        else:
            trial = folders.load(place)
            if trial.journal[: len(journal)] != journal:
                tally.note("a reading recorded before is lost", text)
            if draw.random() < 0.1:
                tally.run(text, "decide", place)
        put_back(place, before)
        got_past = got_past or read_at_all(file)
        at += got_past
        if got_past and at % 500 == 0:
            tally.show(at)
    shutil.rmtree(work)
    return tally


def read_at_all(file: Path) -> bool:
    from trials import table_source
    from trials.errors import UserError

    try:
        table_source.read(file)
    except UserError:
        return False
    return True


def spoilt(text: str, draw: random.Random) -> bytes:
    """Return a csv text as bytes, some of them changed."""
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    for _ in range(draw.choice([0, 0, 0, 1, 2, 8])):
        if data:
            data[draw.randrange(len(data))] = draw.choice([draw.randrange(256), *b',;"\n\r\t\0'])
    return bytes(data)


def workbook(rows: list[list[str]], draw: random.Random) -> bytes:
    """Return a table as a workbook, its cells of any kind a spreadsheet has."""
    import datetime

    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    for at, row in enumerate(rows, start=1):
        for column, cell in enumerate(row, start=1):
            value: Any = re.sub(r"[\x00-\x08\x0b-\x1f\ud800-\udfff]", "", cell)
            with contextlib.suppress(ValueError):
                value = float(cell) if at > 1 and draw.random() < 0.8 and abs(float(cell)) < 1e300 else value
            if at > 1 and draw.random() < 0.05:
                value = draw.choice([
                    True, datetime.datetime(9999, 12, 31), datetime.date(1900, 1, 1), datetime.time(23, 59, 59),
                    datetime.timedelta(days=-3), "=1/0", "#N/A", 1e-300, 1e15, None, -0.0,
                ])  # fmt: skip
            made = sheet.cell(at, column, value)
            if draw.random() < 0.05:
                made.number_format = draw.choice(["0%", "000", "@", "yyyy-mm-dd", "[h]:mm", "0.00E+00", "General;;;"])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


# --- plans -----------------------------------------------------------------------------------------

BASES = (
    *(SMALL, SMALL + STEPS) * 3,
    *(text.read_text(encoding="utf-8") for text in EXAMPLE.parent.glob("*/trial.toml")),
)
_CALM = """
1; 2; 3; 4; 5; 6; 8; 0.5; 1.5; 20; 40; "board"; "lane"; "strip"; "patch"; "more"; "less"; "grade"; "measure";
"yes_no"; ["a", "b"]; ["a", "b", "c"]; ["1 min", "5 min"]; ["10 g/L", "20 g/L", "40 g/L"]; ["none", "shellac"]; true;
false; "300 mm"; "5 min"; "24 h"; "carrier"; "seal_coat"; "glaze_dwell"; "figure_clarity"; "darkness"; "averages";
[2, 2]; [3, 3, 2]; ["carrier", "seal_coat"]; "topcoated"; "10 %"; ["0 s", "60 s", "24 h"]
"""
_WILD = """
0; -1; 1000000000; 1e39; 1e-320; 1e-9; 1e12; 1e308; -1e308; inf; nan; ""; " "; "=1+1"; []; {}; [[]]; [1, "a"]; [{}];
{a = {b = 1}}; "\\u202e"; "0 mm"; "-5 min"; "100 years"; "1e9 mm"; ["a", "a"]; "nan min"; ["0 g/L", "0.0000001 g/L"];
["1 min", "1000000 h"]; [500]; 10000; ["none", "None"]; 999999999999999999999999999999999999999
"""
_ADDED = """
model = {interactions = []}
model = {curvature = ["glaze_dwell"]}
analysis = {grades = "ordered"}
analysis = {grades = "re-dealt"}
spread = {response = "figure_clarity", board = 0.0, patch = 1e-9}
spread = {response = "darkness", board = 1e9}
control = {name = "bare", laid_on = "strip", count = 1}
control = {name = "bare board", laid_on = "board", count = 1}
exclude = {carrier = "water"}
exclude = {seal_coat = "none", glaze_dwell = ["3 min"]}
unusable = {board = 1, lane = 1, strip = 1, why = "knot"}
brief = {needs = ["darkness at most 38", "figure_clarity at least 4"]}
brief = {needs = ["darkness between 38 and 38"]}
scoring = {assessors = ["A", "B", "C"], repeats = "50 %", rest_after = 3}
scoring = {assessors = ["=A()"]}
factor = {name = "top", levels = ["a", "b"], laid_on = "patch"}
factor = {name = "load", levels = ["1 g/L", "1000000 g/L"], laid_on = "board"}
response = {name = "gloss", kind = "measure", unit = "GU", aim = 38, low = 0, high = 1e12}
response = {name = "tear", kind = "yes_no", aim = "less"}
response = {name = "fine", grades = 100, half_grades = true}
response = {name = "which", kind = "preference", factor = "seal_coat", ask = "Which is clearer?"}
question = {factor = "carrier", response = "darkness", worth = 1e-9}
question = {factor = "glaze_dwell", response = "figure_clarity", worth = 1e11}
question = {factor = "seal_coat", response = "darkness", worth = 2, between = ["none", "shellac"]}
step = {name = "wait", stage = "dyed", dry = "99 years"}
lap = {pad = "60 mm", overlap = "10 mm"}
costs = {area = "0.8 m^2", rate = 60, rework = "3 h"}
piece = {name = "counter", return_time = "9 min"}
bench = {hands = 2, day = "6 h", waste = "99 %", coverage = {dye = "0.000001 m^2/L"}}
bench = {materials = "/etc/passwd"}
"""
CALM, WILD = ([tomllib.loads(f"x = {one.strip()}")["x"] for one in text.split(";")] for text in (_CALM, _WILD))
ADDED = [next(iter(tomllib.loads(line).items())) for line in _ADDED.split("\n") if line]
LISTS = ("exclude", "control", "response", "question", "step", "unusable", "spread", "added", "factor")


def toml_of(value: Any) -> str:
    """Return a value as TOML writes it in line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return f"[{', '.join(map(toml_of, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml_of(inner)}" for key, inner in value.items()) + "}"
    return repr(value)


def changed_plan(draw: random.Random) -> str:
    """Return a plan with a few things in it changed, dropped, doubled or put in."""
    plan = tomllib.loads(draw.choice(BASES))
    for _ in range(draw.choice([1, 1, 1, 2, 2, 3])):
        values = WILD if draw.random() < 0.25 else CALM
        path: list[Any] = []
        inner: Any = plan
        while isinstance(inner, (dict, list)) and inner and (not path or draw.random() < 0.85):
            key = draw.choice(list(inner)) if isinstance(inner, dict) else draw.randrange(len(inner))
            path.append(key)
            above, inner = inner, inner[key]
        how = draw.random()
        if how < 0.6:
            above[path[-1]] = draw.choice(values)
        elif how < 0.7:
            del above[path[-1]]
        elif how < 0.85 and isinstance(above, list):
            above.append(above[path[-1]])
        else:
            name, table = draw.choice(ADDED)
            plan[name] = (
                [*plan.get(name, []), table] if name in LISTS and isinstance(plan.get(name, []), list) else table
            )
    return "".join(
        f"{json.dumps(key)} = {toml_of(drop(value))}\n" for key, value in plan.items() if value is not None
    )


def drop(value: Any) -> Any:
    """Return a value without what TOML cannot write."""
    if isinstance(value, dict):
        return {key: drop(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, list):
        return [drop(inner) for inner in value if inner is not None]
    return value


def odd_value(response: Any, draw: random.Random) -> str:
    if draw.random() < 0.03:
        return draw.choice([*ODD[:14], "1e-320", "1e300", "1e-9", "1e12"])
    if response.kind == "grade":
        return str(draw.randint(1, response.grades))
    if response.kind == "yes_no":
        return draw.choice(["yes", "no"])
    return f"{draw.gauss(40, 3):.2f}"


def results(place: Path, draw: random.Random) -> str:
    """Return a file of results of a laid-out trial, as likely odd as not."""
    trial = folders.load(place)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["patch", "response", "value", "assessor", "stage", "taken_at"])
    flat, part = draw.random() < 0.1, draw.choice([1, 1, 1, 0.9, 0.5])
    for response in trial.plan.responses:
        same = odd_value(response, draw)
        for code in trial.patches["patch"]:
            readers = ("",) if response.kind == "measure" else trial.plan.assessors or ("A",)
            for who in readers:
                for stage in response.stages:
                    if draw.random() < part:
                        value = same if flat else odd_value(response, draw)
                        writer.writerow(
                            [code, response.name, value, who, stage, draw.choice(["", "2026-03-14T10:00"])]
                        )
    return out.getvalue()


def plans(count: int, seed: int) -> Tally:
    """Take plans through check, plan, made-up results and analysis; `count` are those that check can read."""
    tally, draw = Tally("toml"), random.Random(seed)
    work = Path(tempfile.mkdtemp())
    at = 0
    while at < count:
        place = work / "trial"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        text = changed_plan(draw)
        (place / "trial.toml").write_text(text, encoding="utf-8")
        status = tally.run(text, "check", place)
        if status == 2 or status == 70:
            continue
        at += 1
        if tally.run(text, "plan", place, "--seed", 1) == 0:
            (work / "results.csv").write_text(results(place, draw), encoding="utf-8")
            what = f"{text}\n\n{(work / 'results.csv').read_text()}"
            if tally.run(what, "record", work / "results.csv", place, "--yes", "--good-rows") == 0:
                tally.run(what, "close", place)
                tally.run(what, "decide", place)
                for command in draw.sample(["report", "publish", "analyse", "mix", "size"], 1):
                    if draw.random() < 0.3:
                        tally.run(what, command, place)
        if at % 25 == 0:
            tally.show(at)
    shutil.rmtree(work)
    return tally


# --- the record ------------------------------------------------------------------------------------


def records(count: int, seed: int) -> Tally:
    """Damage datapackage.json in bytes or in values; each command is refused or goes on, and nothing is lost."""
    tally, draw = Tally("record"), random.Random(seed)
    work = Path(tempfile.mkdtemp())
    place = laid_out(work)
    outcome("close", place)
    before = files_of(place)
    whole = json.loads(before["datapackage.json"])
    for at in range(1, count + 1):
        data = bytearray(before["datapackage.json"])
        if draw.random() < 0.4:
            for _ in range(draw.choice([1, 1, 3, 20])):
                data[draw.randrange(len(data))] = draw.randrange(256)
            data = data[: draw.randrange(len(data))] if draw.random() < 0.3 else data
        else:
            values = json.loads(json.dumps(whole))
            for _ in range(draw.choice([1, 1, 2, 4])):
                inner: Any = values
                path: list[Any] = []
                while isinstance(inner, (dict, list)) and inner and (not path or draw.random() < 0.8):
                    own = (
                        [key for key in inner if key.startswith("splitboard")]
                        if isinstance(inner, dict) and not path
                        else []
                    )
                    key = draw.choice(own or list(inner)) if isinstance(inner, dict) else draw.randrange(len(inner))
                    path.append(key)
                    above, inner = inner, inner[key]
                above[path[-1]] = draw.choice([*WILD, *CALM])
            data = bytearray(json.dumps(values).encode())
        (place / "datapackage.json").write_bytes(data)
        for command in ("decide", "check", "publish", "analyse", "close", "record", "correct"):
            words: list[object] = [command, place]
            if command == "record":
                words = [command, work / "first.csv", place]
            elif command == "correct":
                words = [command, "105", "darkness", "39", place, "--why", "x"]
            tally.run(data.decode("utf-8", "replace"), *words)
        after = files_of(place)
        if [after.get(name) for name in ("readings.csv", "layout.csv", "conditions.csv", "trial.toml")] != [
            before.get(name) for name in ("readings.csv", "layout.csv", "conditions.csv", "trial.toml")
        ]:
            tally.note("a table is not as before", data.decode("utf-8", "replace"))
        put_back(place, before)
        shutil.rmtree(place / "open-data", ignore_errors=True)
        if at % 25 == 0:
            tally.show(at)
    shutil.rmtree(work)
    return tally


def main(kind: str, count: str, seed: str = "1") -> None:
    """Print what became of the files."""
    resource.setrlimit(resource.RLIMIT_AS, (ROOM, ROOM))
    if kind == "toml":
        tally = plans(int(count), int(seed))
    elif kind == "record":
        tally = records(int(count), int(seed))
    else:
        tally = tables(int(count), int(seed), kind, workbook)
    tally.show(int(count))
    for how, (times, _) in tally.fell.items():
        print(f"  {times} times: {how}")


if __name__ == "__main__":
    main(*sys.argv[1:])
