"""The scoring page: one file, and in a real browser a form that shows codes alone and loses nothing.

The browser's clock is moved by hand, so nothing here waits for a rest. Accessibility is checked against WCAG 2.2;
the success criteria are named beside their checks (numbers from memory).
"""

import json
import os
import re
import signal
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests import phones
from tests.conftest import SMALL
from tests.phones import AT, NAMELESS, STORELESS, TWICE, Phone, broken_rules, csv_rows, damaged, lasting_context, size
from tests.test_figures import contrast
from trials import csv_text, scoring_page
from trials import folder as folders
from trials.design import lay_out
from trials.plan import read_plan
from trials.scoring import Choice, Look, Pair, Round, Scale, Sitting, sittings

HOSTILE = "</script><script>window.broken = 1</script><b>x<img src=x onerror='window.broken = 2'>"
CLARITY = Scale(
    "figure_clarity", "figure clarity", "grade", 5, True,
    ("fleck lost", "fleck found by searching", "fleck plain near", "fleck plain at 2 m", "fleck crisp"), ("glazed",),
)  # fmt: skip
LAPS = Scale("laps", "laps seen", "yes_no", 2, False, (), ("glazed",))
DEPTH = Scale("depth", "depth", "grade", 100, True, ("flat", *[""] * 98, "deep"), ("dyed",))
CLEARER = Choice("clearer", "Which shows the fleck more clearly?")
PLAIN = Sitting(
    assessor="A",
    sitting_id="feed01",
    rounds=(
        Round("glazed", (Look(417), Look(208), Look(935), Look(660), Look(417, 2)),
              (Pair("clearer", 208, 417), Pair("clearer", 935, 660))),
    ),
    scales=(CLARITY, LAPS),
    choices=(CLEARER,),
    rest_after=15,
    how_to_look=("Look from 2 m, then from 0.5 m.", "Score what you see."),
)  # fmt: skip
SHORT = replace(PLAIN, rounds=(Round("glazed", (Look(417), Look(208))),), scales=(CLARITY,), choices=())
COLUMNS = ["patch", "response", "value", "assessor", "stage", "repeat", "taken_at", "method", "note", "against"]
TEMPLATES = Path(scoring_page.__file__).parent / "templates"


# --- without a browser -----------------------------------------------------------------------------


def plan_in(page: str) -> dict[str, Any]:
    (block,) = re.findall(r'<script type="application/json" id="plan">(.*?)</script>', page, re.DOTALL)
    return json.loads(block)


def test_the_page_is_one_file_that_names_nothing_outside():
    page = scoring_page.page(PLAIN)
    assert page == scoring_page.page(PLAIN)
    assert not re.search(r"https?:|//[a-z]|@import|url\(|<link|\ssrc=|\shref=(?!\"#)|\sstyle=", page)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    items = plan_in(page)["rounds"][0]["items"]
    assert [(item["patch"], item["against"], item["repeat"]) for item in items] == [
        (417, 0, 1), (208, 0, 1), (935, 0, 1), (660, 0, 1), (417, 0, 2), (208, 417, 1), (935, 660, 1),
    ]  # fmt: skip


def test_no_treatment_stands_on_the_page_or_in_its_source(tmp_path):
    (tmp_path / "trial.toml").write_text(SMALL, encoding="utf-8")
    plan = read_plan(tmp_path)
    patches = lay_out(plan, 7).patches
    page = scoring_page.page(sittings(plan, patches, 7)[0])
    body = page.split("<body>")[1].split("<script>")[0]
    told = [
        plan.title,
        "carrier",
        "alcohol",
        "seal_coat",
        "shellac",
        "glaze_dwell",
        "3 min",
        "6 min",
        "lane",
        "strip",
    ]
    assert [word for word in told if word.casefold() in body.casefold()] == []
    assert set(plan_in(page)) == {
        "assessor", "sitting_id", "rounds", "scales", "choices", "rest_after", "how_to_look", "mark",
    }  # fmt: skip


def test_what_a_sitting_says_cannot_break_out_of_the_page():
    scale = replace(CLARITY, name="clarity", words=HOSTILE, anchors=(HOSTILE,) * 5)
    page = scoring_page.page(replace(PLAIN, assessor=HOSTILE, scales=(scale,), how_to_look=(HOSTILE,)))
    assert page.count("<script") == 2
    assert "<img" not in page
    assert plan_in(page)["assessor"] == HOSTILE


def test_the_scripts_never_write_markup():
    shared = Path(scoring_page.__file__).parent.parent / "phone_page" / "templates"
    for path in (*TEMPLATES.glob("*.js"), *shared.glob("*.js")):
        found = re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|fetch\(|XMLHttp", path.read_text()
        )
        assert found is None, path.name


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"sitting_id": "a b"}, "letters and digits"),
        ({"rounds": ()}, "at least one"),
        ({"rounds": PLAIN.rounds * 2}, "one round a stage"),
        ({"rounds": (Round("glazed", ()),)}, "is empty"),
        ({"scales": ()}, "no scale is read then"),
        ({"choices": ()}, "none of the choices"),
        ({"rounds": (Round("glazed", (Look(417), Look(417))),)}, "twice"),
    ],
)
def test_a_sitting_that_does_not_hang_together_is_refused(change, said):
    with pytest.raises(ValueError, match=said):
        scoring_page.page(replace(PLAIN, **change))


def schemes() -> list[dict[str, str]]:
    style = (TEMPLATES / "scoring.css").read_text()
    return [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", line)) for line in style.splitlines() if "--ink: #" in line
    ]


def test_letters_and_edges_stand_out_in_both_schemes_and_all_is_neutral_grey():
    """WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (edges of controls 3:1)."""
    light, dark = schemes()
    for scheme in (light, dark):
        for front, ground in (("ink", "ground"), ("ink", "panel"), ("on-strong", "strong")):
            assert contrast(scheme[front], scheme[ground]) >= 4.5
        assert min(contrast(scheme["rule"], scheme[under]) for under in ("ground", "panel")) >= 3
        assert contrast(scheme["strong"], scheme["ground"]) >= 3
        assert all(value[1:3] == value[3:5] == value[5:7] for value in scheme.values())
    colours = re.findall(r"#[0-9a-f]{3,8}\b", (TEMPLATES / "scoring.css").read_text())
    assert set(colours) <= {*light.values(), *dark.values()}


# --- in a browser ----------------------------------------------------------------------------------

browser, watch = phones.browser, phones.watch  # fixtures, found by their names
KEY = "splitboard-scores-feed01"


class ScoringPhone(Phone):
    """A scoring page on a phone."""

    def grade(self, value: str, response: str = "figure_clarity") -> None:
        self.page.locator(f"input[name='{response}'][value='{value}']").check()

    def look(self, value: str, laps: str = "0") -> None:
        """Answer the two scales and go on."""
        self.grade(value)
        self.grade(laps, "laps")
        self.tap("Next")

    def code(self) -> str:
        return self.text("h2 .code")

    def checked(self) -> list[str]:
        return self.page.evaluate(
            "[...document.querySelectorAll('#screen :checked')].map((one) => one.name + ' ' + one.value)"
        )

    def entries(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.kept().splitlines()]

    def saved(self) -> tuple[str, bytes]:
        with self.page.expect_download() as saved:
            self.tap("Save the scores (csv)")
        return saved.value.suggested_filename, Path(saved.value.path()).read_bytes()

    def rows(self) -> list[dict[str, str]]:
        return csv_rows(self.saved()[1])


@pytest.fixture
def phone(browser, watch, tmp_path) -> Any:
    """Return a maker of phones; each has a storage of its own. At the end none has asked for anything or failed."""

    def make(sitting=PLAIN, *scripts, at=AT, begin=True, **more):
        file = scoring_page.write(tmp_path / "sheets" / "scoring-A.html", sitting)
        made = watch(ScoringPhone(browser.new_context(**size(more)), file, KEY, at, *scripts))
        if begin:
            made.tap("Begin")
        return made

    return make


@pytest.mark.browser
def test_codes_come_alone_in_the_given_order_and_a_second_look_looks_like_any_other(phone):
    used = phone(begin=False)
    start = used.text("#screen")
    assert "Scored by: A" in start
    assert "Look from 2 m, then from 0.5 m." in start
    assert "7 looks, about 5 min" in start  # 5 x 50 s + 2 x 20 s = 290 s
    used.tap("Begin")
    seen, shown = [], []
    for value in ("1", "2.5", "3", "4", "5"):
        seen.append(used.code())
        assert used.checked() == []
        shown.append(re.sub(r"417|208|935|660", "CODE", used.page.locator("#screen").inner_html()))
        used.look(value)
    assert seen == ["417", "208", "935", "660", "417"]
    assert shown[4] == shown[3]  # the second look at 417 beside the first at 660, to the letter
    assert "Fleck crisp" not in used.text("#screen")


@pytest.mark.browser
def test_pairs_come_after_the_patches_and_all_is_in_the_csv_to_the_byte(phone):
    used = phone()
    used.page.locator("#note").fill('=1+1, "dull";\n-3')
    used.look("2.5", "1")
    for value in ("1", "2", "3", "4"):
        used.look(value)
    assert used.text("h2") == "Which shows the fleck more clearly?"
    assert used.page.locator("#screen .code").all_inner_texts() == ["208", "417"]
    used.tap("Left 208")
    used.page.locator("#note").fill("close")
    used.tap("Right 660")
    assert used.text("h2") == "All looked at"
    name, found = used.saved()
    assert name == "scores-A.csv"
    assert "splitboard record scores-A.csv" in used.text("#screen")
    day = "2026-03-16T08:00:0"
    head = (
        "\ufeffpatch,response,value,assessor,stage,repeat,taken_at,method,note,against\r\n"
        f'417,figure_clarity,2.5,A,glazed,1,{day}2-04:00,by eye,"\'=1+1, ""dull""; -3",\r\n'
        f'417,laps,1,A,glazed,1,{day}2-04:00,by eye,"\'=1+1, ""dull""; -3",\r\n'
        f"208,figure_clarity,1,A,glazed,1,{day}3-04:00,by eye,,\r\n"
    )
    assert found.startswith(head.encode())
    assert found.endswith(f"935,clearer,0,A,glazed,1,{day}8-04:00,by eye,close,660\r\n".encode())
    rows = csv_rows(found)
    assert list(rows[0]) == COLUMNS
    short = [(row["patch"], row["response"], row["value"], row["repeat"], row["against"]) for row in rows]
    assert short == [
        ("417", "figure_clarity", "2.5", "1", ""), ("417", "laps", "1", "1", ""),
        ("208", "figure_clarity", "1", "1", ""), ("208", "laps", "0", "1", ""),
        ("935", "figure_clarity", "2", "1", ""), ("935", "laps", "0", "1", ""),
        ("660", "figure_clarity", "3", "1", ""), ("660", "laps", "0", "1", ""),
        ("417", "figure_clarity", "4", "2", ""), ("417", "laps", "0", "2", ""),
        ("208", "clearer", "1", "1", "417"), ("935", "clearer", "0", "1", "660"),
    ]  # fmt: skip
    assert {(row["assessor"], row["stage"], row["method"]) for row in rows} == {("A", "glazed", "by eye")}
    assert [row["taken_at"] for row in rows[::2]] == [f"{day}{second}-04:00" for second in (2, 3, 4, 5, 6, 7)]
    assert rows[0]["note"] == csv_text.neutral('=1+1, "dull"; -3')
    assert (rows[10]["note"], rows[11]["note"]) == ("", "close")
    assert found.count(b"\r\n") == found.count(b"\n") == 13
    assert used.text("#handed") == "12 marks so far. Handed over 08:00. Nothing has changed since."


NOTES = [
    "=cmd()",
    "+1",
    "-3,5",
    "+1 drop",
    "@a",
    "a;=b",
    "2;-3",
    "'=x",
    "“ =x",
    "＝x",
    "\u200b=x",
    "-1e-5",
    "x=1",
    "''",
    "-",
]


@pytest.mark.browser
def test_no_spreadsheet_runs_a_note_and_each_can_be_had_back(phone):
    """The escaping is that of `trials.csv_text`, whose own tests hold it against its source."""
    used = phone()
    found = used.page.evaluate("(notes) => notes.map(neutral)", NOTES)
    assert found == [csv_text.neutral(note) for note in NOTES]
    assert [csv_text.plain(note) for note in found] == NOTES


@pytest.mark.browser
def test_next_waits_for_every_scale_and_says_what_is_open(phone):
    used = phone()
    used.grade("3")
    used.tap("Next")
    assert used.text("#fault") == "Still to answer: laps seen."
    assert used.focused() == "answer-1-1"
    assert used.code() == "417"
    used.look("3")
    assert used.code() == "208"
    assert used.focused() == "head"
    assert used.page.title() == "Patch 208 – Scoring"
    assert used.text("#progress") == "2 of 7"


@pytest.mark.browser
def test_what_cannot_be_scored_needs_a_reason_is_counted_and_gives_no_row(phone):
    used = phone(SHORT)
    used.grade("3")
    used.page.get_by_label("Cannot be scored").check()
    assert used.page.locator("#screen input[type=radio]").first.is_disabled()
    used.tap("Next")
    assert used.text("#fault") == "Write the reason first."
    used.page.get_by_label("Why can it not be scored?").fill("still wet")
    used.tap("Next")
    used.grade("4")
    used.tap("Next")
    assert "1 look gave no score and is not in the file: 417 (still wet)." in used.text("#screen")
    assert [(row["patch"], row["value"]) for row in used.rows()] == [("208", "4")]


@pytest.mark.browser
def test_a_change_of_mind_is_one_more_line_and_the_csv_has_the_last(phone):
    used = phone()
    used.look("1")
    used.look("2")
    used.tap("Back")
    assert used.code() == "208"
    assert used.checked() == ["figure_clarity 2", "laps 0"]
    used.tap("Back")
    used.grade("3.5")
    used.tap("Next")
    used.tap("Next")  # 208 unchanged: no further mark
    assert used.code() == "935"
    marks = [(e["item"]["patch"], e["answers"]["figure_clarity"]) for e in used.entries() if e["kind"] == "mark"]
    assert marks == [(417, "1"), (208, "2"), (417, "3.5")]
    used.tap("Menu")
    assert [row["value"] for row in used.rows()] == ["3.5", "0", "2", "0"]


@pytest.mark.browser
def test_back_never_reaches_the_first_look_at_a_patch_that_came_again(phone):
    used = phone()
    for value in ("1", "2", "3", "4"):
        used.look(value)
    assert used.code() == "417"
    for code in ("660", "935", "208"):
        used.tap("Back")
        assert used.code() == code
    assert used.page.get_by_role("button", name="Back").count() == 0


@pytest.mark.browser
def test_a_rest_counts_down_says_why_and_may_be_ended(phone):
    used = phone(replace(PLAIN, rest_after=2))
    used.look("1")
    used.look("2")
    assert used.text("h2") == "Rest your eyes"
    assert "Eyes tire" in used.text("#screen")
    assert used.text("#count") == "2:00"
    used.wait(31)
    assert used.text("#count") == "1:29"
    used.page.reload()
    assert used.text("#count") == "1:29"  # goes by the clock
    used.wait(90)
    assert used.text("#count") == "The rest is over."
    assert used.text("#said") == "The rest is over."
    used.tap("Go on")
    assert used.code() == "935"
    used.page.reload()
    assert used.code() == "935"
    used.look("3")
    used.look("4")
    assert used.text("#count") == "2:00"
    used.tap("Go on")  # at once
    assert used.code() == "417"


@pytest.mark.browser
def test_a_killed_browser_goes_on_at_the_same_patch_with_the_half_made_answers(browser, tmp_path):
    file = scoring_page.write(tmp_path / "scoring-A.html", PLAIN)
    profile = tmp_path / "profile"
    context = lasting_context(browser, profile)
    used = ScoringPhone(context, file, KEY, AT)
    used.tap("Begin")
    used.look("2.5")
    used.grade("4.5")
    used.page.locator("#note").fill("half wr")
    used.wait(1)
    assert used.text("#kept") == "Kept on this phone 08:00"
    used.page.wait_for_timeout(200)  # for the second store to reach the disk
    owners = [
        int(entry.name)
        for entry in Path("/proc").iterdir()
        if entry.name.isdigit() and f"--user-data-dir={profile}" in _command_line(entry)
    ]
    assert owners
    for owner in owners:  # the browser this test started and no other: its profile is this test's own folder
        with _gone_is_fine():
            os.kill(owner, signal.SIGKILL)
    with _gone_is_fine():
        context.close()
    for lock in profile.glob("Singleton*"):
        lock.unlink()
    context = lasting_context(browser, profile)
    again = ScoringPhone(context, file, KEY, "2026-03-16T08:05:00-04:00")
    again.page.locator("[name=figure_clarity][value='4.5']:checked").wait_for()
    assert again.code() == "208"
    assert again.page.locator("#note").input_value() == "half wr"
    again.grade("1", "laps")
    again.tap("Next")
    again.tap("Menu")
    assert [row["value"] for row in again.rows()] == ["2.5", "0", "4.5", "1"]
    assert again.faults == []
    context.close()


def _command_line(process: Path) -> str:
    try:
        return process.joinpath("cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""


def _gone_is_fine() -> Any:
    import contextlib

    from playwright.sync_api import Error

    return contextlib.suppress(ProcessLookupError, Error)


@pytest.mark.browser
def test_marks_the_browser_had_not_yet_written_come_back(phone):
    used = phone()
    used.look("1")
    used.look("2")
    used.grade("3")
    before = used.entries()
    for cut in ("all", "end"):
        used.lose(cut)
        used.page.reload()
        used.page.locator("[name=figure_clarity][value='3']:checked").wait_for()
        assert used.code() == "935"
        assert used.entries() == before


@pytest.mark.browser
@pytest.mark.parametrize("how", STORELESS)
def test_without_storage_the_page_says_so_at_once_and_goes_on(phone, how):
    without_second = "Object.defineProperty(window, 'indexedDB', {get() { throw new Error('denied'); }});"
    used = phone(SHORT, STORELESS[how], without_second, begin=False)
    assert "does not keep what you tap" in used.text("#notices")
    used.tap("Begin")
    used.grade("2")
    assert used.text("#kept") == "Not kept on this phone"
    used.tap("Next")
    used.grade("3")
    used.tap("Next")
    assert [row["value"] for row in used.rows()] == ["2", "3"]


@pytest.mark.browser
def test_unreadable_lines_are_told_of_left_alone_and_do_no_harm(phone):
    item = {"stage": "glazed", "choice": "", "patch": 417, "against": 0, "repeat": 1}
    good = {"id": "a", "n": 1, "ms": 1773662400000, "at": AT, "who": "A"}
    mark = good | {"kind": "mark", "item": item, "answers": {"laps": "1"}, "note": "", "cannot": False, "to": "end"}
    entries = [
        good | {"kind": "begin", "stage": "glazed"},
        mark | {"id": "b", "item": item | {"patch": "=cmd()"}},
        mark | {"id": "c", "answers": {"laps": "=1+1"}},
        mark | {"id": "d", "item": None},
        good | {"id": "e", "kind": "toString"},
        mark | {"id": "f", "at": "=1"},
    ]
    lines = '{"kind": "ma\n[]\nnull\n' + "\n".join(json.dumps(entry) for entry in entries)
    used = phone(PLAIN, damaged(KEY, lines), begin=False)
    assert "8 lines of the log on this phone cannot be read" in used.text("#notices")
    assert used.code() == "417"  # the round of the line that could be read
    used.look("3")
    assert used.kept().startswith(lines + "\n")
    assert json.loads(used.kept().splitlines()[-1])["kind"] == "mark"


@pytest.mark.browser
def test_two_tabs_add_to_one_log(phone):
    used = phone()
    other = used.open_again()
    used.grade("2")
    other.locator("[name=figure_clarity][value='2']:checked").wait_for()  # the half-made answer too
    used.grade("0", "laps")
    other.locator("[name=laps][value='0']:checked").wait_for()
    used.wait(1)
    other.locator("#note").fill("typed in the other tab")  # and not yet kept when the first tab goes on
    used.page.get_by_role("button", name="Next").click()
    other.get_by_text("208", exact=True).wait_for()
    assert used.entries()[-1]["kind"] == "mark"  # nothing half made was laid over what is scored
    other.locator("[name=figure_clarity][value='5']").check()
    other.locator("[name=laps][value='1']").check()
    used.wait(1)
    other.get_by_role("button", name="Next").click()
    used.page.get_by_text("935", exact=True).wait_for()
    used.tap("Menu")
    assert [(row["patch"], row["value"]) for row in used.rows()] == [
        ("417", "2"), ("417", "0"), ("208", "5"), ("208", "1"),
    ]  # fmt: skip


@pytest.mark.browser
def test_sharing_hands_over_the_same_table_and_a_later_change_is_told(phone):
    shares = """
    navigator.canShare = (what) => what.files.length === 1;
    navigator.share = (what) => window.refused ? Promise.reject(new Error("no"))
      : what.files[0].arrayBuffer().then((bytes) => {
        window.shared = [what.files[0].name, [...new Uint8Array(bytes)]];
      });
    """
    used = phone(replace(PLAIN, assessor="Ö. B/2"), shares)
    used.tap("Menu")
    assert "nothing to hand over" in used.text("#handed")
    assert used.page.locator("#share").count() == 0
    used.tap("Go back to the scoring")
    used.look("1")
    used.tap("Menu")
    assert used.text("#handed") == "2 marks so far. Not handed over yet."
    used.page.evaluate("window.refused = true")
    used.tap("Share the scores")
    used.page.locator("#said", has_text="Nothing was shared.").wait_for()
    assert used.text("#handed").endswith("Not handed over yet.")
    used.page.evaluate("window.refused = false")
    used.tap("Share the scores")
    used.page.wait_for_function("window.shared")
    name, shared = used.page.evaluate("window.shared")
    assert name == "scores-Ö-B-2.csv"
    assert used.text("#handed") == "2 marks so far. Handed over 08:00. Nothing has changed since."
    assert bytes(shared) == used.saved()[1]
    used.tap("Go back to the scoring")
    used.look("2")
    used.tap("Menu")
    assert used.text("#handed") == (
        "4 marks so far. Handed over 08:00. 1 look was scored or changed since: hand over once more."
    )


@pytest.mark.browser
def test_starting_afresh_needs_a_hand_over_and_names_what_it_takes_away(phone):
    used = phone()
    used.look("1")
    used.tap("Menu")
    assert used.page.locator("#afresh").count() == 0
    assert "Hand over first." in used.text("#screen")
    used.saved()
    used.tap("Start afresh")
    assert "This takes 2 marks of A off this page." in used.text("#screen")
    used.tap("Keep them")
    used.tap("Start afresh")
    used.tap("Take 2 marks away")
    assert used.text("h2") == "Before you begin"
    used.tap("Begin")
    assert (used.code(), used.checked()) == ("417", [])
    assert [entry["kind"] for entry in used.entries()].count("mark") == 1  # nothing is ever deleted


@pytest.mark.browser
def test_a_page_for_anybody_asks_the_name_and_keeps_people_apart(phone):
    used = phone(replace(PLAIN, assessor=""))
    assert used.text("#fault") == "Write your name or initials first."
    used.page.get_by_label("Your name or initials").fill("  =M  K ")
    used.tap("Begin")
    used.look("1")
    used.tap("Menu")
    name, _ = used.saved()
    assert name == "scores-M-K.csv"
    assert {row["assessor"] for row in used.rows()} == {"'=M K"}
    used.tap("Another round, or somebody else scores")
    used.page.get_by_label("Your name or initials").fill("B")
    used.tap("Go on")
    assert used.code() == "417"
    used.look("5")
    used.page.reload()
    used.tap("Menu")
    assert {(row["assessor"], row["value"]) for row in used.rows()} == {("B", "5"), ("B", "0")}


@pytest.mark.browser
def test_rounds_are_chosen_and_a_long_scale_is_a_number_with_its_ends_in_words(phone):
    dyed = Round("dyed", (Look(417), Look(208)))
    used = phone(replace(PLAIN, rounds=(dyed, *PLAIN.rounds), scales=(CLARITY, LAPS, DEPTH)), begin=False)
    assert used.page.get_by_role("radio").count() == 2
    used.tap("Begin")
    assert "1: flat; 100: deep; halves allowed." in used.text("#screen")
    box = used.page.get_by_label("Grade from 1 to 100")
    box.fill("100.5")
    used.tap("Next")
    assert used.text("#fault") == "Depth must be a whole or half number from 1 to 100."
    box.fill("72,5")
    used.tap("Next")
    used.page.get_by_label("Grade from 1 to 100").fill("8")
    used.tap("Next")
    used.tap("Begin another round")
    assert "2 looks, about 5 min; all done." in used.text("#screen")
    assert used.page.get_by_role("radio", name="Dyed").is_checked()
    used.page.get_by_role("radio", name="Glazed").check()
    used.tap("Go on")
    used.look("3")
    used.tap("Menu")
    found = [(row["stage"], row["response"], row["value"]) for row in used.rows()]
    assert found[:2] == [("dyed", "depth", "72.5"), ("dyed", "depth", "8")]
    assert found[2:] == [("glazed", "figure_clarity", "3"), ("glazed", "laps", "0")]


@pytest.mark.browser
def test_hostile_words_stay_words(phone):
    scale = replace(CLARITY, name="=1+1", words=HOSTILE, anchors=(HOSTILE,) * 5)
    choice = Choice("clearer", HOSTILE)
    rounds = (Round("glazed", (Look(417),), (Pair("clearer", 208, 417),)),)
    used = phone(
        replace(
            PLAIN, assessor="=A" + HOSTILE, rounds=rounds, scales=(scale,), choices=(choice,), how_to_look=(HOSTILE,)
        )
    )
    used.grade("3", "=1+1")
    used.page.locator("#note").fill(HOSTILE)
    used.tap("Next")
    assert used.text("h2") == HOSTILE
    used.tap("Left 208")
    used.page.reload()
    used.tap("Menu")
    assert used.page.evaluate("window.broken") is None
    assert used.page.locator("img, b").count() == 0
    first, second = used.rows()
    assert (first["response"], first["note"], first["assessor"]) == ("'=1+1", HOSTILE, "'=A" + HOSTILE)
    assert second["response"] == "clearer"
    assert re.fullmatch(r"scores-[\w-]{1,40}\.csv", used.saved()[0])


@pytest.mark.browser
def test_a_second_touch_is_no_second_tap(phone):
    rounds = (Round("glazed", (), (Pair("clearer", 208, 417), Pair("clearer", 935, 660))),)
    used = phone(replace(PLAIN, rounds=rounds))
    used.wait(1)
    used.page.get_by_role("button", name="Left 208").dblclick()
    assert used.page.locator("#screen .code").all_inner_texts() == ["935", "660"]
    used.tap("Back")
    assert "chosen before" in used.page.get_by_role("button", name="Left 208").inner_text()
    used.tap("Next")
    used.tap("Next")
    assert used.text("#fault") == "Choose the left one or the right one first."


# --- for everybody ---------------------------------------------------------------------------------


@pytest.mark.browser
def test_the_keyboard_is_enough_for_a_whole_sitting(phone):
    """WCAG 2.2, success criteria 2.1.1, 2.1.4 and 2.4.3."""
    rounds = (Round("glazed", (Look(417), Look(208)), (Pair("clearer", 208, 417),)),)
    used = phone(replace(PLAIN, rounds=rounds), begin=False, width=1100)
    keys = used.page.keyboard

    def press(*names: str) -> None:
        for name in names:
            used.wait(1)
            keys.press(name)

    press("Tab")
    assert "skip" in used.page.evaluate("document.activeElement.className")
    press("Enter", "Tab")
    assert used.focused() == "begin"
    press("Enter")
    assert used.focused() == "head"
    press("4")  # the keyboard is in no group: nothing is chosen
    assert used.checked() == []
    press("Tab", "4", "ArrowDown", "Tab", "1")
    assert used.checked() == ["figure_clarity 4.5", "laps 1"]
    press("Enter")
    assert (used.focused(), used.code()) == ("head", "208")
    press("Tab", "2", "9", "Tab", "0", "Tab", "Tab")
    assert used.focused() == "note"
    press("5")  # words, not a grade
    assert used.checked() == ["figure_clarity 2", "laps 0"]
    press("Tab", "Tab")
    assert used.focused() == "next"
    press("Enter")
    assert used.text("h2") == CLEARER.ask
    press("Tab", "Tab")
    assert used.focused() == "side-0"
    press("Space")
    assert used.text("h2") == "All looked at"
    assert used.focused() == "head"
    with used.page.expect_download() as saved:
        press("Tab", "Enter")
    rows = csv_rows(Path(saved.value.path()).read_bytes())
    assert [(row["value"], row["note"]) for row in rows] == [
        ("4.5", ""),
        ("1", ""),
        ("2", "5"),
        ("0", "5"),
        ("0", ""),
    ]


@pytest.mark.browser
def test_a_screen_reader_is_told_names_roles_and_news(phone):
    """WCAG 2.2, success criteria 1.3.1, 2.4.2, 3.1.1, 4.1.2 and 4.1.3."""
    used = phone()
    page = used.page
    assert page.locator("html").get_attribute("lang") == "en-GB"
    tree = page.locator("body").aria_snapshot()
    for line in (
        '- heading "Scoring" [level=1]',
        '- heading "Patch 417" [level=2]',
        '- group "Figure clarity"',
        '- radio "1 fleck lost"',
        '- radio "1½"',
        '- radio "5 fleck crisp"',
        '- group "Laps seen"',
        '- radio "Yes"',
        '- checkbox "Cannot be scored"',
        '- textbox "Note (may stay empty)"',
        '- button "Next"',
        '- button "Menu"',
    ):
        assert line in tree, tree
    for place in ("#kept", "#said", "#notices", "#fault"):
        assert page.locator(place).get_attribute("role") == "status"  # which is polite by itself
    for value in ("1", "2", "3", "4", "5"):
        used.look(value)
    tree = page.locator("body").aria_snapshot()
    assert '- group "Which shows the fleck more clearly?"' in tree
    assert '- button "Left 208"' in tree


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (1100, "dark")])
def test_large_enough_and_never_wider_than_the_screen(phone, width, scheme):
    """WCAG 2.2, success criteria 1.4.4, 1.4.10, 1.4.12 and 2.5.8; this page aims at 48 px."""
    used = phone(replace(PLAIN, rest_after=5), begin=False, width=width, color_scheme=scheme)
    assert_fits(used.page)
    used.tap("Begin")
    ground = schemes()[scheme == "dark"]["ground"]
    shown = used.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert shown == f"rgb({', '.join([str(int(ground[1:3], 16))] * 3)})"
    used.tap("Next")
    assert_fits(used.page)
    used.tap("Menu")
    assert_fits(used.page)
    used.tap("Go back to the scoring")
    for value in ("1", "2", "3", "4", "5"):
        used.look(value)
    assert_fits(used.page)  # a rest
    used.tap("Go on")
    assert_fits(used.page)  # a pair
    used.tap("Left")
    used.tap("Left")
    used.page.locator("summary").click()
    assert_fits(used.page)


SPACED = (
    "* { line-height: 1.5 !important; letter-spacing: 0.12em !important; word-spacing: 0.16em !important; }"
    " p { margin-bottom: 2em !important; }"
)
"""Text spacing of success criterion 1.4.12."""
NARROW = "() => document.documentElement.scrollWidth <= window.innerWidth"
CUT_OFF = """() => [...document.querySelectorAll("button, label, legend, h2, p")]
  .filter((one) => one.getClientRects().length && !one.matches(".unseen") && one.scrollWidth > one.clientWidth + 1
    && one.clientWidth > 0).map((one) => one.textContent)"""
SMALL_TARGETS = """() => [...document.querySelectorAll("button, summary, textarea, input")]
  .map((one) => one.matches("[type=checkbox], [type=radio]") ? one.closest("label") : one)
  .filter((one) => one.getClientRects().length)
  .filter((one) => Math.min(one.getBoundingClientRect().height, one.getBoundingClientRect().width) < 47.9)
  .map((one) => one.textContent)"""
OVERLAPPING = """() => {
  const boxes = [...document.querySelectorAll("main button, main label, main summary")]
    .filter((one) => one.getClientRects().length).map((one) => one.getBoundingClientRect());
  return boxes.flatMap((one, at) => boxes.slice(at + 1).filter((other) => one.left < other.right - 1
    && other.left < one.right - 1 && one.top < other.bottom - 1 && other.top < one.bottom - 1)).length;
}"""
"""How many pairs of controls lie upon each other."""


def assert_fits(page: Any) -> None:
    """Large targets, a name for every control, nothing beyond the edge: plain, spaced out, and at twice the size."""
    assert page.evaluate(SMALL_TARGETS) == []
    assert page.evaluate(NAMELESS) == []
    assert page.evaluate(TWICE) == []
    for change in ("", SPACED, "html { font-size: 212.5% !important; }"):
        # through the document's own interface, which the page's policy lets a tester use
        page.evaluate(
            "(rules) => { const sheet = new CSSStyleSheet(); sheet.replaceSync(rules);"
            " document.adoptedStyleSheets = [sheet]; }",
            change,
        )
        assert page.evaluate(NARROW), change
        assert page.evaluate(CUT_OFF) == [], change
        assert page.evaluate(OVERLAPPING) == 0, change
    page.evaluate("() => { document.adoptedStyleSheets = []; }")


# --- from the plan to the recorded readings --------------------------------------------------------

COMPARED = """
[[response]]
name = "clearer_fleck"
kind = "preference"
factor = "seal_coat"
ask = "Which shows the fleck more clearly?"
pairs = 3
"""


@pytest.mark.browser
def test_a_sitting_made_from_a_plan_is_scored_and_recorded(browser, watch, folder, run, tmp_path):
    (folder / "trial.toml").write_text(SMALL + COMPARED, encoding="utf-8")
    assert run("plan", folder, "--seed", 1).status == 0
    assert run("sheets", folder).status == 0
    used = watch(ScoringPhone(browser.new_context(**size({})), folder / "sheets" / "scoring-A.html", KEY, AT))
    used.tap("Begin")
    codes, pairs = [], []
    for _ in range(40):
        if used.text("h2") == "All looked at":
            break
        if used.text("h2") == "Rest your eyes":
            used.tap("Go on")
        elif used.page.locator("input[name='figure_clarity']").count():
            codes.append(used.code())
            used.grade(str(1 + int(codes[-1]) % 5))  # the same patch gets the same grade again
            used.tap("Next")
        else:
            pairs.append(used.page.locator("#screen .code").all_inner_texts())
            used.tap(f"Left {pairs[-1][0]}")
    name, found = used.saved()
    assert (len(codes), len(set(codes)), len(pairs)) == (20, 16, 4)  # a fifth of each comes again, rounded up
    (tmp_path / name).write_bytes(found)
    done = run("record", tmp_path / name, folder)
    assert done.status == 0, done.err
    assert "scores-A.csv: 24 readings taken in" in done.out
    rows = folders.load(folder).readings
    assert [row["patch"] for row in rows if row["response"] == "figure_clarity"] == codes
    assert [[row["patch"], row["against"]] for row in rows if row["response"] == "clearer_fleck"] == pairs
    assert {row["taken_at"][-6:] for row in rows} == {"-04:00"}
    assert sum(row["repeat"] == "2" for row in rows) == 5
    assert "24 recorded already" in run("record", tmp_path / name, folder).out
    assert run("close", "--yes", folder).status == 0
    assert run("analyse", folder).status == 0


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_accessibility_rule_of_axe_core_is_broken(phone, scheme):
    """Deque's open rules for WCAG 2.0 to 2.2 A and AA and best practice, on each screen of a sitting."""
    used = phone(replace(PLAIN, rest_after=3), begin=False, color_scheme=scheme)
    used.context.clock.resume()  # the rules wait for it

    def check(heading: str) -> None:
        assert heading in used.text("#screen")
        assert broken_rules(used.page) == []

    check("Score what you see.")
    used.tap("Begin")
    check("417")
    for at in range(5):
        used.look("2.5")
        if at == 2:
            check("Rest your eyes")
            used.tap("Go on")
    check("Which shows the fleck more clearly?")
    used.tap("Left 208")
    used.tap("Go on")
    used.tap("Right 660")
    check("All looked at")
