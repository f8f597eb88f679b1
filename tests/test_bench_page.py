"""The bench page: one file, and in a real browser a timekeeper that loses nothing, and its csv is taken in.

Times are moved with the browser's own clock under test, so nothing here waits for a dwell.
"""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests import phones
from tests.conftest import EXAMPLE, SMALL
from tests.phones import AT, NAMELESS, STORELESS, TWICE, Phone, csv_rows, damaged, lasting_context, size
from tests.test_figures import contrast
from trials import bench_page, cautions, csv_source, records
from trials import folder as folders
from trials.bench_page import WHOLE_BOARD, BenchPlan, BenchStep, BenchTask, TickLine
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import read_plan

STEPS = """
[[control]]
name = "bare"
laid_on = "strip"

[[step]]
name = "sand to 180"
stage = "bare"

[[step]]
name = "dye"
material = "dye powder"
stage = "dyed"
dry = "24 h"

[[step]]
name = "seal"
material = "shellac in alcohol"
stage = "sealed"
dry = "2 h"

[[step]]
name = "oil glaze"
stage = "glazed"
dry = "2 days"

[[step]]
name = "top coat"
material = "varnish"

[[step]]
name = "top coat"
material = "varnish"
"""
PLANNED = SMALL.replace("strips = 2", "strips = 3") + STEPS
HOSTILE = "</script><script>window.broken = 1</script><img src=x onerror='window.broken = 2'>\"=cmd()"
RAGS = TickLine("Oily rags", cautions.OILY_RAGS.text, closing=True)
PLAIN = BenchPlan(
    title="Hall cabinet",
    trial_id="feed01",
    boards=(3, 1),
    steps=(
        BenchStep("glaze", material="oil glaze", stage="glazed", dry_s=7200, lines=(RAGS, TickLine("Gloves", "On."))),
        BenchStep("top coat"),
    ),
    tasks=(
        BenchTask(3, "strip 1", "glaze", patches=(101, 102), dwell_s=360, ends_with="wipe back"),
        BenchTask(3, "strip 2", "glaze", patches=(103, 104), dwell_s=60, ends_with="wipe back"),
        BenchTask(1, "lane 1", "glaze", patches=(105, 106), wait_s=120),
        BenchTask(3, WHOLE_BOARD, "top coat"),
        BenchTask(1, WHOLE_BOARD, "top coat"),
    ),
)
FREE = replace(PLAIN, steps=tuple(replace(step, lines=()) for step in PLAIN.steps))
"""The same without lines to tick."""


# --- without a browser -----------------------------------------------------------------------------


def planned(place: Path, text: str = PLANNED) -> tuple[Any, Any]:
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    return plan, lay_out(plan, 1).patches


def plan_in(page: str) -> dict[str, Any]:
    (block,) = re.findall(r'<script type="application/json" id="plan">(.*?)</script>', page, re.DOTALL)
    return json.loads(block)


def test_the_page_is_one_file_that_names_nothing_outside():
    page = bench_page.page(PLAIN)
    assert not re.search(r"https?:|//[a-z]|@import|url\(|<link|\ssrc=|\shref=(?!\"#)", page)
    assert "default-src 'none'" in page
    assert plan_in(page)["tasks"][1]["dwell_s"] == 60
    trial = folders.load(EXAMPLE)
    assert len(bench_page.page(bench_page.from_plan(trial.plan, trial.patches)).encode()) < 150_000


def test_what_a_plan_says_cannot_break_out_of_the_page():
    steps = (BenchStep(HOSTILE, lines=(TickLine(HOSTILE, HOSTILE),)),)
    tasks = (BenchTask(1, HOSTILE, HOSTILE, carries=HOSTILE),)
    page = bench_page.page(BenchPlan(HOSTILE, "x-1", (1,), steps, tasks, (HOSTILE,)))
    assert page.count("<script") == 2
    assert "<img" not in page
    assert plan_in(page)["tasks"][0]["carries"] == HOSTILE


def test_the_scripts_never_write_markup():
    for path in (Path(bench_page.__file__).parent / "templates").glob("*.js"):
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|fetch\(|XMLHttp", path.read_text()
        )


def test_tasks_alike_keep_their_own_keys():
    twice = replace(PLAIN, tasks=PLAIN.tasks[-1:] * 2)
    keys = [task["key"] for task in plan_in(bench_page.page(twice))["tasks"]]
    assert keys == ["top coat/1/whole board", "top coat/1/whole board/2"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"trial_id": "a b"}, "letters, digits and hyphens"),
        ({"boards": (3, 1, 1)}, "a board stands twice"),
        ({"steps": PLAIN.steps * 2}, "a step stands twice"),
        ({"tasks": (BenchTask(9, "", "glaze"),)}, "board 9"),
        ({"tasks": (BenchTask(1, "", "stain"),)}, "'stain'"),
        ({"tasks": (BenchTask(1, "", "glaze", dwell_s=0),)}, "cannot be timed"),
        ({"tasks": (BenchTask(1, "", "glaze", dwell_s=float("nan")),)}, "cannot be timed"),
        ({"tasks": (BenchTask(1, "", "glaze", wait_s=-1),)}, "no time to wait"),
    ],
)
def test_a_plan_that_does_not_hang_together_is_refused(change, said):
    with pytest.raises(ValueError, match=said):
        replace(PLAIN, **change)


def test_a_simple_order_from_the_plan(tmp_path):
    plan, patches = planned(tmp_path)
    bench = bench_page.from_plan(plan, patches)
    order = patches.sort_values("board_order")["board"].drop_duplicates().tolist()
    assert list(bench.boards) == order
    names = ["sand to 180", "dye", "seal", "oil glaze", "top coat", "top coat (2)"]
    assert [step.name for step in bench.steps] == names
    assert [step.dry_s for step in bench.steps] == [0, 86400, 7200, 172800, 0, 0]
    for name in ("sand to 180", "dye", "top coat (2)"):
        done = [task for task in bench.tasks if task.step == name]
        assert [(task.board, task.piece, task.patches) for task in done] == [(b, WHOLE_BOARD, ()) for b in order]
    cells = patches.set_index("patch")
    sealed = [task for task in bench.tasks if task.step == "seal"]
    assert len(sealed) == 4  # one lane of each board; the lanes with none have nothing to do
    assert all(set(cells.loc[list(task.patches), "seal_coat"]) == {"shellac"} for task in sealed)
    assert all(task.piece in ("lane 1", "lane 2") and "control (bare): strip" in task.carries for task in sealed)
    glazed = [task for task in bench.tasks if task.step == "oil glaze"]
    assert [task.board for task in glazed] == [board for board in order for _ in range(2)]
    for task in glazed:
        (dwell,) = set(cells.loc[list(task.patches), "glaze_dwell"])
        assert task.dwell_s == {"3 min": 180, "6 min": 360}[dwell]
        assert re.fullmatch(r"strip [123] over both lanes", task.piece)
        assert task.ends_with == "wipe back"
    assert sorted(code for task in glazed for code in task.patches) == sorted(cells[cells["control"] == ""].index)


def test_each_step_has_the_cautions_its_words_call_for(tmp_path):
    steps = {step.name: step for step in bench_page.from_plan(*planned(tmp_path)).steps}
    lines = {name: [line.name for line in step.lines] for name, step in steps.items()}
    assert lines["sand to 180"] == ["Wood dust"]
    assert lines["dye"][:2] == ["Dye powder", "Alcohol and other solvents"]
    assert "Oily rags" not in lines["seal"]
    for name in ("oil glaze", "top coat", "top coat (2)"):
        (closing,) = [line for line in steps[name].lines if line.closing]
        assert (closing.text, closing.whole) == (cautions.OILY_RAGS.short, cautions.OILY_RAGS.text)
    assert not any(line.closing for line in steps["dye"].lines)


@pytest.mark.parametrize("step", ["натереть", "ponce", "sand and 漆"])
def test_a_step_in_words_unknown_here_gets_every_caution_of_the_plan(tmp_path, step):
    text = SMALL + f'[[step]]\nname = "{step}"\nmaterial = "дуб"\n'
    plan, patches = planned(tmp_path, text)
    found = {line.name for line in bench_page.from_plan(plan, patches).steps[0].lines}
    assert found >= {one.name for one in cautions.for_plan(plan)} - {"Wood dust"}


def test_other_plans_and_pages_of_the_same_boards_are_told_apart(tmp_path):
    plan, patches = planned(tmp_path)
    first = bench_page.from_plan(plan, patches).trial_id
    assert bench_page.from_plan(replace(plan, about="more words", steps=plan.steps[1:]), patches).trial_id == first
    assert bench_page.from_plan(plan, lay_out(plan, 2).patches).trial_id != first


def test_plans_without_steps_and_rehearsals_are_refused_in_words(tmp_path):
    plan, patches = planned(tmp_path, SMALL)
    with pytest.raises(UserError, match=r"trial\.toml: the plan names no step"):
        bench_page.from_plan(plan, patches)
    with pytest.raises(UserError, match="no wood is cut"):
        bench_page.from_plan(replace(plan, rehearsal=True), patches)


def test_letters_stand_out_in_both_schemes():
    """WCAG 2.2, success criterion 1.4.6: text 7:1; 1.4.11: the edges of controls 3:1."""
    style = (Path(bench_page.__file__).parent / "templates" / "bench.css").read_text()
    schemes = [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", line)) for line in style.splitlines() if "--ink: #" in line
    ]
    assert len(schemes) == 2
    for scheme in schemes:
        for front, ground in (("ink", "paper"), ("ink", "pale"), ("paper", "ink"), ("on-bark", "bark")):
            assert contrast(scheme[front], scheme[ground]) >= 7
        assert min(contrast(scheme["rule"], scheme["paper"]), contrast(scheme["rule"], scheme["pale"])) >= 3


# --- in a browser ----------------------------------------------------------------------------------

browser, watch = phones.browser, phones.watch  # fixtures, found by their names
KEY = "splitboard-bench-feed01"
HEARD = """
window.heard = {tones: 0, shakes: [], awake: 0};
window.AudioContext = class {
  constructor() { this.state = "running"; this.currentTime = 0; this.destination = {}; }
  createOscillator() { return {frequency: {}, connect() {}, start() { window.heard.tones += 1; }, stop() {}}; }
  createGain() { return {gain: {setValueAtTime() {}}, connect() {}}; }
  resume() { return Promise.resolve(); }
};
navigator.vibrate = (shakes) => window.heard.shakes.push(shakes);
Object.defineProperty(navigator, "wakeLock", {value: {request: () => {
  window.heard.awake += 1;
  return Promise.resolve({addEventListener() {}, release: async () => { window.heard.awake -= 1; }});
}}});
"""


class BenchPhone(Phone):
    """A bench page on a phone."""

    def begin(self, temperature: str = "20", humidity: str = "50", unit: str = "C") -> None:
        self.page.get_by_label(f"°{unit}").check()
        self.page.get_by_label("Temperature").fill(temperature)
        self.page.get_by_label("Humidity").fill(humidity)
        self.tap("Begin the session")

    def start(self) -> None:
        self.wait(1)
        self.page.locator("#start").click()

    def write(self, words: str, keep: str) -> None:
        self.page.locator("#writing").fill(words)
        self.tap(keep)

    def rows(self) -> list[dict[str, str]]:
        return csv_rows(self.page.locator("#keep-text").input_value())

    def counts(self) -> list[str]:
        return self.page.locator(".run .count").all_inner_texts()

    def entries(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.kept().splitlines()]


@pytest.fixture
def phone(browser, watch, tmp_path) -> Any:
    """Return a maker of phones; each has a storage of its own. At the end none has asked for anything or failed."""

    def make(bench=FREE, *scripts, at=AT, zone="America/New_York", **more):
        file = bench_page.write(tmp_path / "sheets" / "bench.html", bench)
        context = browser.new_context(**size(more | {"timezone_id": zone}))
        return watch(BenchPhone(context, file, KEY, at, *scripts))

    return make


@pytest.mark.browser
def test_a_dwell_counts_down_calls_and_says_when_it_is_over(phone):
    used = phone(FREE, HEARD)
    assert used.page.locator("#start").count() == 0  # a session comes first
    used.begin()
    assert "Board 3" in used.text("#next")
    used.start()
    used.wait(60)
    assert used.counts() == ["5:00"]
    assert "left, then wipe back" in used.text("#running")
    assert used.page.evaluate("window.heard") == {"tones": 0, "shakes": [], "awake": 1}
    used.wait(292)
    assert used.text("#alarm") == "Ten seconds left, then wipe back, board 3, strip 1."
    assert used.page.evaluate("window.heard.tones") == 1
    used.wait(10)
    assert used.text("#alarm") == "Time is up: wipe back, board 3, strip 1."
    assert used.page.evaluate("window.heard.tones") == 4
    assert used.page.evaluate("window.heard.shakes.length") == 2
    used.wait(70)
    assert used.counts() == ["+1:12"]
    assert "Over time: wipe back now" in used.text("#running")
    assert used.page.title() == "+1:12 board 3, strip 1"
    assert used.page.evaluate("window.heard.tones") == 7  # and again while nobody stops it
    used.tap("Stop board 3, strip 1")
    assert used.page.locator("#running").is_hidden()
    assert used.page.evaluate("window.heard.awake") == 0
    first, second = used.rows()
    assert (first["patch"], second["patch"]) == ("101", "102")
    assert first["started_at"] == "2026-03-16T08:00:02-04:00"
    assert first["ended_at"] == "2026-03-16T08:07:15-04:00"


@pytest.mark.browser
def test_several_dwells_run_at_once_the_next_due_on_top(phone):
    used = phone()
    used.begin()
    used.wait(1)
    used.page.locator("#start").dblclick()  # six minutes; a second touch is no second tap
    assert used.counts() == ["6:00"]
    used.start()  # one minute
    assert [line.split(" · ")[0] for line in used.page.locator(".run .what").all_inner_texts()] == [
        "Board 3, strip 2",
        "Board 3, strip 1",
    ]
    used.wait(75)
    assert used.counts() == ["+0:15", "4:44"]
    used.tap("Stop board 3, strip 2")
    assert used.page.locator(".run .what").all_inner_texts() == ["Board 3, strip 1 · glaze"]
    assert "Not yet: wait until" in used.text("#next")  # the least wait after the task before
    assert used.page.locator("#start").inner_text() == "Start early"
    used.wait(125)
    assert used.page.locator("#start").inner_text() == "Start"


@pytest.mark.browser
def test_a_killed_page_goes_on_where_the_clock_is(phone):
    used = phone()
    used.begin()
    used.start()
    with used.page.expect_event("crash"), pytest.raises(Exception, match=r"crashed|ERR_ABORTED"):
        used.page.goto("chrome://crash")
    used.page.close()
    used.page = used.open_again()
    used.wait(180)
    assert used.counts() == ["3:00"]
    used.page.reload()
    used.wait(240)
    assert used.counts() == ["+1:00"]
    used.tap("Stop board 3, strip 1")
    assert used.rows()[0]["started_at"] == "2026-03-16T08:00:02-04:00"
    assert used.rows()[0]["ended_at"] == "2026-03-16T08:07:03-04:00"


@pytest.mark.browser
def test_a_browser_closed_in_the_middle_of_a_dwell_loses_nothing(browser, tmp_path):
    file = bench_page.write(tmp_path / "bench.html", FREE)
    context = lasting_context(browser, tmp_path / "profile")
    used = BenchPhone(context, file, KEY, AT)
    used.begin()
    used.start()
    context.close()
    context = lasting_context(browser, tmp_path / "profile")
    again = BenchPhone(context, file, KEY, "2026-03-16T08:04:01-04:00")
    assert again.counts() == ["2:01"]
    again.tap("Stop board 3, strip 1")
    assert again.rows()[0]["started_at"] == "2026-03-16T08:00:02-04:00"
    context.close()


@pytest.mark.browser
def test_taps_the_browser_had_not_yet_written_come_back(phone):
    """A browser that dies drops the last seconds of its local storage: here the item is gone and cut short."""
    used = phone()
    used.begin()
    used.start()
    used.tap("Stop board 3, strip 1")
    used.start()
    before = used.entries()
    for cut in ("all", "end"):
        used.lose(cut)
        used.page.reload()
        used.page.locator(".run").wait_for()
        assert used.entries() == before
        assert len(used.rows()) == 2


@pytest.mark.browser
def test_cautions_come_before_the_first_start_and_rags_before_the_end(phone):
    used = phone(PLAIN)
    used.begin()
    assert used.page.locator("#start").is_disabled()
    used.page.get_by_label("Gloves").check()
    assert used.page.locator("#start").is_disabled()
    assert "1 line still to tick" in used.text("#next")
    used.page.get_by_label("Oily rags").check()
    used.start()
    assert used.page.locator("#next input[type=checkbox]").count() == 0  # once a session is enough
    assert used.page.locator("#close").is_disabled()
    assert "Stop what is running first" in used.text("#session")
    used.tap("Stop board 3, strip 1")
    assert used.page.locator("#close").is_disabled()
    assert "filled with water and detergent" in used.text("#session")
    used.page.get_by_label("Oily rags").check()
    assert used.page.locator("#close").is_enabled()
    used.start()
    used.tap("Stop board 3, strip 2")
    assert used.page.locator("#close").is_disabled()  # new rags since the tick
    used.page.get_by_label("Oily rags").check()
    used.tap("Close the session")
    assert used.page.locator("#session").is_hidden()
    assert used.page.locator("#start").count() == 0
    used.begin()
    assert used.page.locator("#start").is_disabled()  # a new session, the lines anew


@pytest.mark.browser
def test_undo_takes_the_last_tap_back_and_can_be_taken_back(phone):
    used = phone()
    used.begin()
    used.start()
    used.wait(100)
    used.tap("Stop board 3, strip 1")
    used.tap("Undo: Stop board 3, strip 1")
    assert used.counts() == ["4:18"]  # runs on as if never stopped
    assert used.rows() == []
    used.tap("Put back: Stop board 3, strip 1")
    assert used.rows()[0]["ended_at"] == "2026-03-16T08:01:43-04:00"
    used.tap("Undo: Stop")
    used.tap("Undo: Start")
    assert "Strip 1" in used.text("#next")
    kinds = [entry["kind"] for entry in used.entries()]
    assert kinds == ["begin", "start", "stop", "undo", "restore", "undo", "undo"]  # every tap is still there
    used.tap("Close the session")  # no oil was used, so nothing stands in the way
    assert used.page.locator("#session").is_hidden()


@pytest.mark.browser
def test_temperature_is_kept_in_celsius_and_asked_again_after_two_hours(phone):
    used = phone()
    used.begin("200", "46", unit="F")
    assert "from -22 to 140 °F" in used.text("#air")
    used.begin("68,9", "46", unit="F")
    assert used.page.locator("#air").is_hidden()
    used.start()
    used.tap("Stop board 3, strip 1")
    used.wait(7200)
    assert "Temperature in °F" in used.text("#air")  # the unit is not asked again
    assert used.page.locator("input[type=radio]").count() == 0
    used.start()  # the work goes on meanwhile
    used.tap("Stop board 3, strip 2")
    used.page.get_by_label("Temperature").fill("59")
    used.page.get_by_label("Humidity").fill("40.5")
    used.tap("Keep these")
    used.start()
    used.tap("Stop board 1, lane 1")
    found = [(row["patch"], row["temperature_c"], row["humidity_pct"]) for row in used.rows()[::2]]
    # 68.9 °F = 36.9 / 1.8 °C = 20.5 °C and 59 °F = 15 °C (NIST SP 811, appendix B.8)
    assert found == [("101", "20.5", "46"), ("103", "20.5", "46"), ("105", "15", "40.5")]


@pytest.mark.browser
def test_notes_skips_and_the_order_can_be_changed(phone):
    used = phone()
    used.begin()
    used.page.locator("#skip").click()
    used.tap("Skip")
    assert "Write the reason first." in used.text("#next")
    used.write("a knot, see photo", "Skip")
    assert "Strip 2" in used.text("#next")
    used.page.locator("#rest summary").click()
    used.tap("Do this one next: top coat, board 1")
    assert "Top coat" in used.text("#next")
    used.start()
    used.page.locator(".run").get_by_role("button", name="Note").click()
    used.page.locator("#writing").fill("half wr")
    used.wait(7300)  # the page draws itself anew to ask for the temperature
    assert used.page.locator("#writing").input_value() == "half wr"
    used.write("cool draught", "Keep the note")
    used.tap("Stop board 1, whole board")
    used.page.locator("#done summary").click()
    assert "Note: cool draught" in used.text("#done-rows")
    assert "Skipped" in used.text("#done-rows")
    assert [(row["board"], row["patch"], row["note"]) for row in used.rows()] == [
        ("3", "101", "strip 1; skipped: a knot, see photo"),
        ("3", "102", "strip 1; skipped: a knot, see photo"),
        ("1", "", "cool draught"),
    ]
    used.tap("Do it after all: glaze, board 3, strip 1")
    assert "Strip 1" in used.text("#next")
    assert len(used.rows()) == 1


@pytest.mark.browser
def test_drying_is_waited_for(phone):
    used = phone()
    used.begin()
    used.start()
    used.tap("Stop board 3, strip 1")
    used.page.locator("#rest summary").click()
    used.tap("Do this one next: top coat, board 3")
    assert "2 h more), glaze is drying on this board" in used.text("#next")
    used.wait(7300)
    used.wait(1)
    assert "Not yet" not in used.text("#next")


@pytest.mark.browser
def test_the_csv_is_taken_in_by_record(phone, folder, run, tmp_path):
    plan, _ = planned(folder)
    assert run("plan", folder, "--seed", 1).status == 0
    patches = lay_out(plan, 1).patches
    bench = bench_page.from_plan(plan, patches)
    tasks = tuple(task for task in bench.tasks if task.step in ("oil glaze", "top coat"))
    tasks = (tasks[0], *tasks[-2:])
    # the night the clocks go forward: 02:00 +01:00 is 03:00 +02:00 (EU Directive 2000/84/EC, last Sunday of March)
    used = phone(replace(bench, tasks=tasks), at="2026-03-29T01:58:30+01:00", zone="Europe/Berlin")
    used.begin("19,5", "52")
    for box in used.page.locator("#next input[type=checkbox]").all():
        box.check()
    used.page.locator("#next").get_by_role("button", name="Note").click()
    used.write('=cmd()|"/C calc"!A0, wet;\n"edge"', "Keep the note")
    used.start()
    used.wait(200)
    used.tap(f"Stop board {tasks[0].board}")
    for box in used.page.locator("#next input[type=checkbox]").all():
        box.check()
    used.start()
    used.page.locator(".run").get_by_role("button", name="Note").click()
    used.write("+1 drop", "Keep the note")
    used.tap(f"Stop board {tasks[1].board}")
    with used.page.expect_download() as saved:
        used.tap("Save the table (csv)")
    assert re.fullmatch(r"conditions-2026-03-29-03\d\d\.csv", saved.value.suggested_filename)
    file = tmp_path / "bench.csv"
    saved.value.save_as(file)
    table = csv_source.read(file)
    assert table.header == folders.CONDITION_COLUMNS
    assert records.is_conditions(table)
    checked = records.check_conditions(table, plan, patches, [])
    assert checked.problems == ()
    glazed = [row for row in checked.new if row["step"] == "oil glaze"]
    assert [int(row["patch"]) for row in glazed] == list(tasks[0].patches)
    assert glazed[0]["started_at"] == "2026-03-29T01:58:33+01:00"
    assert glazed[0]["ended_at"] == "2026-03-29T03:01:54+02:00"
    assert (glazed[0]["temperature_c"], glazed[0]["humidity_pct"]) == ("19.5", "52")
    assert glazed[0]["note"] == tasks[0].piece + '; =cmd()|"/C calc"!A0, wet; "edge"'
    assert "'+1 drop" in file.read_text(encoding="utf-8")  # no formula for a spreadsheet
    assert checked.new[-1]["note"] == "+1 drop"
    assert run("record", file, folder).status == 0
    kept = folders.load_conditions(folders.at(folder))
    assert kept == list(checked.new)
    again = records.check_conditions(table, plan, patches, kept)
    assert (again.new, again.already) == ((), len(kept))  # the same file twice adds nothing


@pytest.mark.browser
def test_sharing_hands_over_the_same_table(phone):
    shares = """
    navigator.canShare = (what) => what.files.length === 1;
    navigator.share = (what) => what.files[0].text().then((text) => { window.shared = [what.files[0].name, text]; });
    """
    used = phone(FREE, shares)
    used.begin()
    assert used.page.locator("#share").count() == 0
    used.start()
    used.tap("Stop board 3, strip 1")
    used.tap("Share the table")
    used.page.wait_for_function("window.shared")
    name, text = used.page.evaluate("window.shared")
    assert re.fullmatch(r"conditions-2026-03-16-0800\.csv", name)
    assert csv_rows(text) == used.rows()


@pytest.mark.browser
def test_hostile_words_stay_words(phone):
    steps = (BenchStep("=cmd()" + HOSTILE, note=HOSTILE, lines=(TickLine(HOSTILE, HOSTILE),)),)
    tasks = (BenchTask(1, HOSTILE, steps[0].name, carries=HOSTILE, dwell_s=60, ends_with=HOSTILE),)
    used = phone(BenchPlan(HOSTILE, "feed01", (1,), steps, tasks, (HOSTILE,)))
    used.begin()
    used.page.locator("#next input[type=checkbox]").check()
    used.start()
    used.page.locator(".run").get_by_role("button", name="Note").click()
    used.write(HOSTILE + "\u2028'`${1}", "Keep the note")
    used.wait(90)
    used.page.locator(".run").get_by_role("button", name="Stop").click()
    used.page.reload()
    assert used.page.evaluate("window.broken") is None
    assert used.page.locator("img").count() == 0
    (row,) = used.rows()
    assert row["step"] == "'=cmd()" + HOSTILE
    assert row["note"] == f"{HOSTILE}; {HOSTILE} '`${{1}}"
    assert used.text("h1") == HOSTILE


@pytest.mark.browser
@pytest.mark.parametrize("how", STORELESS)
def test_without_storage_the_page_says_so_and_goes_on(phone, how):
    used = phone(FREE, STORELESS[how])
    used.begin()
    assert "does not keep what you tap" in used.text("#notices")
    used.start()
    used.wait(100)
    assert used.counts() == ["4:20"]
    used.tap("Stop board 3, strip 1")
    assert len(used.rows()) == 2


@pytest.mark.browser
def test_unreadable_lines_are_told_of_left_alone_and_do_no_harm(phone):
    task = {
        "key": "k",
        "step": "glaze",
        "piece": "strip 1",
        "ends_with": "",
        "board": 3,
        "patches": [],
        "dwell_s": None,
    }
    good = {"id": "a", "n": 1, "ms": 1773662400000, "at": "2026-03-16T08:00:00-04:00"}
    entries = [
        good | {"kind": "begin", "temperature_c": 20, "humidity_pct": 50, "unit": "C"},
        good | {"id": "b", "kind": "start", "task": task | {"patches": ["=cmd()"]}},
        good | {"id": "c", "kind": "start", "task": None},
        good | {"id": "d", "kind": "toString"},
        good | {"id": "e", "kind": "close", "at": "=1+1"},
    ]
    lines = '{"kind": "sta\n[]\nnull\n' + "\n".join(json.dumps(entry) for entry in entries)
    used = phone(FREE, damaged(KEY, lines))
    assert "7 lines of the log on this phone cannot be read" in used.text("#notices")
    used.start()  # the session of the line that could be read
    assert len(used.counts()) == 1
    assert used.kept().startswith(lines + "\n")
    assert json.loads(used.kept().splitlines()[-1])["kind"] == "start"


@pytest.mark.browser
def test_two_tabs_add_to_one_log(phone):
    used = phone()
    used.begin()
    other = used.open_again()
    used.start()
    other.locator(".run").wait_for()
    used.wait(1)
    other.get_by_role("button", name="Stop board 3, strip 1").click()
    used.page.locator("#running").wait_for(state="hidden")
    assert [entry["kind"] for entry in used.entries()] == ["begin", "start", "stop"]


@pytest.mark.browser
def test_a_clock_set_back_gives_no_time_that_record_refuses(phone, tmp_path):
    used = phone()
    used.begin()
    used.start()
    used.page.evaluate("const now = Date.now; Date.now = () => now() - 3600000;")
    used.page.get_by_role("button", name="Stop board 3, strip 1").click()
    row = used.rows()[0]
    assert row["ended_at"] == ""
    assert "clock was set back" in row["note"]


@pytest.mark.browser
@pytest.mark.parametrize("width", [320, 1100])
def test_large_enough_for_wet_gloves_and_never_wider_than_the_screen(phone, width):
    trial = folders.load(EXAMPLE)
    bench = bench_page.from_plan(trial.plan, trial.patches)
    used = phone(replace(bench, tasks=tuple(t for t in bench.tasks if t.dwell_s)), width=width, color_scheme="dark")
    assert_large(used.page, width)
    used.begin()
    for box in used.page.locator("#next input[type=checkbox]").all():
        box.check()
    assert_large(used.page, width)
    used.start()
    used.start()
    used.page.locator("#skip").click()
    for summary in used.page.locator("summary").all():
        summary.click()
    used.wait(200)
    assert_large(used.page, width)
    used.page.locator("[id^=stop]").first.click()
    assert_large(used.page, width)
    assert used.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(21, 17, 14)"


def assert_large(page: Any, width: int) -> None:
    """Touch targets of 56 px, letters of 18 px, a name for every control, nothing beyond the edge."""
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    small = page.evaluate("""
      [...document.querySelectorAll("button, summary, textarea, input")]
        .map((one) => one.matches("[type=checkbox], [type=radio]") ? one.closest("label") : one)
        .filter((one) => one.getClientRects().length && one.getBoundingClientRect().height < 55.9)
        .map((one) => one.textContent)
    """)
    assert small == []
    tiny = page.evaluate("""
      [...document.querySelectorAll("body *:not(script)")].filter((one) => one.getClientRects().length)
        .filter((one) => [...one.childNodes].some((child) => child.nodeType === 3 && child.data.trim()))
        .filter((one) => parseFloat(getComputedStyle(one).fontSize) < 17.9).map((one) => one.textContent)
    """)
    assert tiny == []
    assert page.evaluate(NAMELESS) == []
    assert page.evaluate(TWICE) == []


@pytest.mark.browser
def test_the_keyboard_and_a_screen_reader_are_enough(phone):
    used = phone(PLAIN)
    keys = used.page.keyboard
    used.page.get_by_label("Temperature").focus()
    keys.type("20")
    keys.press("Tab")
    keys.type("50")
    used.wait(1)
    keys.press("Enter")
    assert used.focused() == "next-head"
    for _ in range(2):
        keys.press("Tab")
        keys.press("Space")
    assert used.focused() == "tick1"
    keys.press("Tab")
    used.wait(1)
    keys.press("Enter")
    assert len(used.counts()) == 1
    assert used.page.locator("#said").text_content() == "Start board 3, strip 1, 08:00 AM."
    used.page.get_by_role("button", name="Stop board 3, strip 1", exact=True).focus()
    used.wait(1)
    keys.press("Enter")
    assert len(used.rows()) == 2
    assert used.page.get_by_role("alert").first.get_attribute("id") == "alarm"
    assert used.page.get_by_role("heading", level=1).inner_text() == "Hall cabinet"
