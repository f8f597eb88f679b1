"""What was said when the boards were laid out stays said: changes since are named, and nothing moves unseen."""

import json
import random
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from analysis import answers, decide, report, schedules, taken_in
from tests.conftest import SMALL, outcome
from trials import folder as folders
from trials import prespecified, publish
from trials.errors import UserError
from trials.folder import Trial, guarded
from trials.plan import Plan, read_plan

EXTRA = """
[[question]]
factor = "carrier"
response = "darkness"
worth = 2

[[spread]]
response = "darkness"
board = 2

[brief]
needs = ["darkness at most 40", "figure_clarity at least 3"]

[piece]
return_time = "9 min"

[costs]
area = "3.7 m^2"
rate = 45
rework = "5 h"
price = { seal_coat = 18.5 }
coverage = { seal_coat = "9.8 m^2/L" }

[[costs.step]]
name = "seal"
liquid = "seal_coat"
hands = "45 min"
only = { seal_coat = "shellac" }

"""
WHOLE = SMALL.replace("[scoring]", f"{EXTRA}[scoring]").replace('aim = "less"', 'low = 0\nhigh = 100\naim = "less"')
QUESTION = '[[question]]\nfactor = "carrier"\nresponse = "darkness"\nworth = 2\n'


def reading(patch: dict, response: str, assessor: str, draw: random.Random) -> str:
    """Return a reading: shellac brings a grade, water is 20 darker than alcohol."""
    if response == "darkness":
        return f"{50 - 20 * (patch['carrier'] == 'water') + draw.gauss(0, 1):.1f}"
    return str(min(5, max(1, round(2.5 + (patch["seal_coat"] == "shellac") + draw.gauss(0, 0.7)))))


def take_in(place: Path, *responses: str) -> None:
    """Record a reading of every patch, two assessors for grades."""
    trial, draw = folders.load(place), random.Random(3)
    rows = [
        dict.fromkeys(folders.READING_COLUMNS, "")
        | {"patch": str(patch["patch"]), "response": response, "assessor": assessor, "stage": "topcoated",
           "repeat": "1", "value": reading(patch, response, assessor, draw)}
        for response in responses
        for assessor in ("AB" if response == "figure_clarity" else "m")
        for patch in trial.patches.to_dict("records")
    ]  # fmt: skip
    with folders.locked(trial.folder):
        folders.append_readings(trial.folder, trial.plan, rows)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a trial with results, which nobody writes in: `place` copies it."""
    place = tmp_path_factory.mktemp("kept") / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(WHOLE, encoding="utf-8")
    assert outcome("plan", place, "--seed", 1).status == 0
    take_in(place, "figure_clarity", "darkness")
    with folders.locked(folders.at(place)):
        folders.record_close(folders.at(place), read_plan(place), "closed", "")
    return place


@pytest.fixture
def place(kept: Path, tmp_path: Path) -> Path:
    """Return the trial with results in a folder of its own."""
    return Path(shutil.copytree(kept, tmp_path / "trial"))


def edit(place: Path, was: str, now: str) -> Trial:
    """Change trial.toml and read the trial again."""
    path = place / "trial.toml"
    text = path.read_text(encoding="utf-8")
    assert was in text
    path.write_text(text.replace(was, now), encoding="utf-8")
    return folders.load(place)


def plan_of(tmp_path: Path, text: str) -> Plan:
    """Read a plan from its text."""
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(tmp_path)


MOVED = (
    ('aim = "less"', 'aim = "more"', "response.darkness.aim", "less", "more"),
    ('aim = "less"', "aim = 38", "response.darkness.aim", "less", 38.0),
    ('unit = "L*"', 'unit = "points"', "response.darkness.unit", "L*", "points"),
    ("high = 100", "high = 90", "response.darkness.high", 100.0, 90.0),
    ('kind = "grade"', 'kind = "grade"\ngrades = 7', "response.figure_clarity.grades", 5, 7),
    ('kind = "grade"', 'kind = "grade"\nhalf_grades = true', "response.figure_clarity.half_grades", False, True),
    ('aim = "more"', 'aim = "more"\nstage = "sealed"', "response.figure_clarity.stages", ["topcoated"], ["sealed"]),
    ("worth = 2", "worth = 9", "question.carrier.darkness.worth", 2.0, 9.0),
    (QUESTION, "", "question.carrier.darkness", 2.0, None),
    (QUESTION, QUESTION + QUESTION.replace("carrier", "seal_coat"), "question.seal_coat.darkness", None, 2.0),
    ("at most 40", "at most 60", "brief.darkness.at most", 40.0, 60.0),
    ('"darkness at most 40", ', "", "brief.darkness.at most", 40.0, None),
    ('return_time = "9 min"', 'return_time = "1 min"', "piece.return_time", [540.0, 270.0], [60.0, 30.0]),
    ('rework = "5 h"', 'rework = "0.1 h"', "costs.rework", 5.0, 0.1),
    ("seal_coat = 18.5", "seal_coat = 1", "costs.price.seal_coat", 18.5, 1.0),
    ('hands = "45 min"', 'hands = "15 min"', "costs.step.seal.hands", 0.75, 0.25),
    ("board = 2", "board = 3", "spread.darkness.board", 2.0, 3.0),
    ("[scoring]", '[analysis]\ngrades = "ordered"\n[scoring]', "analysis.grades", "averages", "ordered"),
    ("[scoring]", "[model]\ninteractions = []\n[scoring]", "model.interactions", None, []),
)  # fmt: skip


@pytest.mark.parametrize(("was", "now", "what", "before", "after"), MOVED)
def test_everything_that_a_plan_decides_is_compared(tmp_path, was, now, what, before, after):
    first = plan_of(tmp_path, WHOLE).as_dict()
    found = prespecified.changed(first, first, plan_of(tmp_path, WHOLE.replace(was, now)))
    assert [(one.place, one.before, one.now) for one in found] == [(what, before, after)]
    assert prespecified.words(found[0]).startswith(what.replace(".", " ").replace("_", " "))


def test_the_words_of_grades_are_compared_one_by_one(tmp_path):
    first = plan_of(tmp_path, WHOLE)
    words = list(first.response("figure_clarity").anchors)
    text = WHOLE.replace('kind = "grade"', f'kind = "grade"\nanchors = {json.dumps([*words[:4], "dazzling"])}')
    (one,) = prespecified.changed(first.as_dict(), first.as_dict(), plan_of(tmp_path, text))
    assert (one.place, one.before, one.now) == ("response.figure_clarity.anchors.5", words[4], "dazzling")


def test_a_pair_of_levels_is_compared(tmp_path):
    levels = WHOLE.replace('["water", "alcohol"]', '["water", "alcohol", "oil"]').replace("count = 4", "count = 6")
    pair = levels.replace("worth = 2", 'worth = 2\nbetween = ["water", "oil"]')
    first = plan_of(tmp_path, pair).as_dict()
    (one,) = prespecified.changed(
        first, first, plan_of(tmp_path, pair.replace('"water", "oil"]', '"alcohol", "oil"]'))
    )
    assert (one.place, one.before, one.now) == (
        "question.carrier.darkness.between", ["oil", "water"], ["alcohol", "oil"]
    )  # fmt: skip
    turned = plan_of(tmp_path, pair.replace('between = ["water", "oil"]', 'between = ["oil", "water"]'))
    assert prespecified.changed(first, first, turned) == ()


HARMLESS = (
    ("Hall cabinet", "A hall cabinet"),
    ('length = "400 mm"', 'length = "40 cm"\nmargin = "5 mm"'),
    ('kind = "grade"', 'kind = "grade"\ngrades = 5\nstage = "topcoated"'),
    ("worth = 2", 'worth = 2.0\nbetween = ["alcohol", "water"]'),
    ("darkness at most 40", "darkness  at most 40.0 L*"),
    ('rework = "5 h"', 'rework = "300 min"'),
    ('return_time = "9 min"', 'return_time = "540 s"'),
    ('area = "3.7 m^2"', 'area = "37000 cm^2"'),
    ('["A", "B"]', '["A", "B", "C"]'),
    ("[scoring]", '[analysis]\ngrades = "averages"\n[model]\ncriterion = "D"\n[scoring]'),
    ("[scoring]", '[[step]]\nname = "dye"\nhands = "4 min"\n[scoring]'),
)


@pytest.mark.parametrize(("was", "now"), HARMLESS)
def test_what_decides_nothing_or_says_the_same_is_no_change(tmp_path, was, now):
    first = plan_of(tmp_path, WHOLE).as_dict()
    assert was in WHOLE
    assert prespecified.changed(first, first, plan_of(tmp_path, WHOLE.replace(was, now))) == ()


def test_the_order_of_tables_is_no_change(tmp_path):
    first = plan_of(tmp_path, WHOLE).as_dict()
    other = WHOLE.replace(QUESTION, "").replace("[[question]]", f"{QUESTION}\n[[question]]")
    assert read_plan(tmp_path).questions != plan_of(tmp_path, other).questions
    assert prespecified.changed(first, first, read_plan(tmp_path)) == ()


def test_what_an_older_record_lacks_is_not_compared(tmp_path):
    """Such as keys that responses and pieces had not always."""
    plan = plan_of(tmp_path, WHOLE)
    first = plan.as_dict()
    for one in first["responses"]:
        del one["half_grades"], one["anchors"], one["stages"]
    for table, key in (("piece", "risk"), ("costs", "rework_risk"), ("boards", "guard_mm")):
        del first[table][key]
    for one in first["questions"]:
        del one["between"]
    assert prespecified.changed(first, first, plan) == ()
    assert prespecified.as_asked(plan, first) == plan


# --- answers ---------------------------------------------------------------------------------------


def test_an_aim_that_is_turned_round_does_not_turn_the_verdict(place):
    before = decide.decide(folders.load(place))
    found = decide.decide(edit(place, 'aim = "less"', 'aim = "more"'))
    assert found.findings == before.findings
    (by_now,) = found.by_now
    assert (by_now.response, by_now.asked, by_now.leading.gain) == (
        "darkness", False, -before.findings[1].leading.gain
    )  # fmt: skip
    assert [one.place for one in by_now.changed] == ["response.darkness.aim"]


def test_a_question_that_is_withdrawn_is_answered_and_stays_in_the_family(place, run):
    before = decide.decide(folders.load(place))
    found = decide.decide(edit(place, QUESTION, ""))
    assert [one.p_all for one in found.findings] == [one.p_all for one in before.findings]
    assert found.findings[1].standing == "Asked beforehand and withdrawn after the results were in."
    assert "Counting that 2 questions were asked" in decide.together_words(found, folders.load(place).as_asked.plan)
    said = "question carrier darkness (worth 2): withdrawn after the results were in"
    done = run("decide", place)
    assert said in done.out
    assert said in run("publish", place).out
    noted = folders.load(place).changed[0]
    assert (noted.readings, noted.noticed_at[:2]) == (48, "20")
    assert f"{said} (first noticed on {noted.noticed_at[:10]}, with 48 readings in)" in run("check", place).out
    assert (
        json.loads(run("decide", place, "--json").out)["data"]["changed"][0]["place"] == "question.carrier.darkness"
    )


def test_a_response_that_is_withdrawn_with_its_question_is_read_on(place):
    before = decide.decide(folders.load(place))
    text = (place / "trial.toml").read_text(encoding="utf-8")
    start = text.index('[[response]]\nname = "darkness"')
    gone = text[start : text.index("[[question]]", start)]
    edit(place, '"darkness at most 40", ', "")
    (place / "trial.toml").write_text(
        (place / "trial.toml").read_text(encoding="utf-8").replace(gone, "").replace(QUESTION, "")
        .replace('[[spread]]\nresponse = "darkness"\nboard = 2\n', ""), encoding="utf-8",
    )  # fmt: skip
    found = decide.decide(folders.load(place))
    assert [one.sentence for one in found.findings] == [one.sentence for one in before.findings]
    assert found.findings[1].withdrawn


def test_a_withdrawal_before_results_is_not_said_to_come_after(tmp_path, run):
    place = tmp_path / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(WHOLE, encoding="utf-8")
    assert run("plan", place, "--seed", 1).status == 0
    edit(place, QUESTION, "")
    take_in(place, "figure_clarity", "darkness")
    (one,) = folders.load(place).changed
    assert (one.readings, one.noticed_at[:2]) == (0, "20")
    assert "withdrawn after the boards were laid out" in prespecified.words(one)


def test_a_record_that_was_not_watched_does_not_know_when(place):
    """A folder of an earlier version may have been changed before its readings came in."""
    edit(place, QUESTION, "")
    path = place / "datapackage.json"
    values = json.loads(path.read_bytes())
    del values["splitboard:seal"], values["splitboard:noticed"]
    path.write_text(json.dumps(values))
    (one,) = folders.load(place).changed
    assert one.readings is None
    assert "withdrawn since the boards were laid out" in prespecified.words(one)


def test_what_a_reading_is_makes_every_answer_on_it_exploratory(place):
    found = decide.decide(edit(place, 'kind = "grade"', 'kind = "grade"\nhalf_grades = true'))
    first, second = found.findings
    assert first.standing == "Exploratory, for it rests on what was changed since: figure clarity half grades."
    assert (first.asked, second.standing) == (True, "")


def test_another_worth_is_a_later_question(place):
    trial = edit(place, "worth = 0.5", "worth = 0.3")
    found = decide.decide(trial)
    assert [(one.worth, one.asked) for one in found.findings] == [(0.5, True), (2.0, True), (0.3, False)]
    assert found.findings[2].p_all != found.findings[2].p_all
    steps = {one.factor: one for one in schedules.worth_it(found, trial.as_asked.plan)}
    assert [gain.worth for gain in steps["seal_coat"].gains if gain.worth is not None] == [0.5]


def test_brief_costs_and_way_of_counting(place):
    trial = edit(place, "at most 40", "at most 60")
    assert set(answers.answers(trial, decide.decide(trial)).exploratory) >= {"schedules"}
    trial = edit(place, "at most 60", "at most 40")
    assert "schedules" not in answers.answers(trial, decide.decide(trial)).exploratory
    trial = edit(place, 'rework = "5 h"', 'rework = "0.1 h"\n')
    assert "worth" in answers.answers(trial, decide.decide(trial)).exploratory
    trial = edit(place, "[scoring]", '[analysis]\ngrades = "ordered"\n[scoring]')
    found = answers.answers(trial, decide.decide(trial))
    assert "the answers stay with averages" in found.way_words[0]
    assert all(one.leading == "averages" for one in found.ways)
    shown = report.content(trial, found, "2026-03-20T10:00:00Z")
    assert [group.sentences for group in shown.asked.groups] == [tuple(map(prespecified.words, trial.changed))]
    assert shown.changed.startswith("2 things in the plan changed")


def test_added_boards_launder_nothing(place, run):
    edit(place, "at most 40", "at most 60")
    assert run("plan", place, "--add", 1, "--seed", 2).status == 0
    trial = folders.load(place)
    assert [one.place for one in trial.changed] == ["brief.darkness.at most"]
    assert trial.record.plan["brief"][0].endswith("40")
    assert trial.record.added[0]["plan"]["brief"][0].endswith("60")
    assert json.loads(publish.build(trial, closed=True)["datapackage.json"])["splitboard:plan"] == trial.record.plan


def test_what_is_published_before_closing_names_no_level(place):
    trial = edit(place, "worth = 2", "worth = 3")
    trial = replace(trial, plan=replace(trial.plan, preferences=()))
    page = publish.build(trial, closed=False)["README.md"].decode()
    assert "question carrier darkness worth: 2 → 3" in page
    assert "water" not in page


# --- the seal --------------------------------------------------------------------------------------


def tampered(values: dict, what: str) -> dict:
    """Change one thing in a record."""
    if what == "the plan":
        values["splitboard:plan"]["questions"][1]["worth"] = 9.0
    elif what == "the scoring":
        values["splitboard:scoring"][0]["rows"] = 3
    elif what == "the seed":
        values["splitboard:seed"] = 7
    elif what == "the changes noticed":
        values["splitboard:noticed"] = [{"what": ["brief"], "before": 1, "now": 2, "at": "2026", "rows": 0}]
    elif what == "the tables":
        values["splitboard:tables"]["conditions.csv"] = values["splitboard:tables"]["readings.csv"]
    else:
        del values["splitboard:seal"]
    return values


@pytest.mark.parametrize(
    "what",
    ["the plan", "the scoring", "the seed", "the changes noticed", "the tables", "the seal"],
)  # fmt: skip
def test_an_edit_of_the_record_is_named(place, run, what):
    path = place / "datapackage.json"
    path.write_text(json.dumps(tampered(json.loads(path.read_bytes()), what)))
    before = path.read_bytes()
    with pytest.raises(UserError, match=rf"datapackage\.json: .* was changed outside \({what}\)"):
        folders.load(place)
    assert run("close", place, "--open-again", "--why", "more").status == 2
    assert path.read_bytes() == before


def test_a_record_without_a_seal_is_held_against_its_plan_digest(place):
    path = place / "datapackage.json"
    values = json.loads(path.read_bytes())
    del values["splitboard:seal"], values["splitboard:noticed"]
    path.write_text(json.dumps(values))
    assert folders.load(place).changed == ()
    path.write_text(json.dumps(tampered(values, "the plan")))
    with pytest.raises(UserError, match=r"was changed outside \(the plan\)"):
        folders.load(place)


def test_an_edited_record_that_is_accepted_makes_every_answer_exploratory(place, run):
    path = place / "datapackage.json"
    edited = json.dumps(tampered(json.loads(path.read_bytes()), "the plan"))
    path.write_text(edited)
    done = run("accept", place, "--why", "no copy is left")
    assert (done.status, "datapackage.json: the plan edited." in done.out) == (0, True)
    trial = folders.load(place)
    (one,) = trial.record.edited
    assert (one["why"], (place / one["kept_as"]).read_text()) == ("no copy is left", edited)
    assert [change.place for change in trial.changed] == ["record.plan", "question.carrier.darkness.worth"]
    found = decide.decide(trial)
    assert all(one.changed for one in found.findings)
    assert {"worth", "schedules", "dark", "laps"} <= set(answers.answers(trial, found).exploratory)
    (said,) = taken_in.outside(trial)
    assert said.startswith("datapackage.json was edited outside splitboard (the plan), accepted on ")
    assert run("accept", place, "--why", "again").status == 2


@pytest.mark.parametrize("key", ["splitboard:tables", "splitboard:layoutHash"])
def test_what_says_what_lies_on_a_board_is_not_accepted_edited(place, run, key):
    path = place / "datapackage.json"
    values = json.loads(path.read_bytes())
    values |= {key: values[key][::-1] if key.endswith("Hash") else guarded.packed({"layout.csv": b"patch"})}
    edited = json.dumps(values)
    path.write_text(edited)
    assert "accept" not in run("decide", place).err
    done = run("accept", place, "--why", "it is mine")
    assert (done.status, path.read_text()) == (2, edited)
    assert "put the file back from a copy" in done.err
