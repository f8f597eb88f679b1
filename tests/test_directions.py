"""Which way a scale runs, from the plan to the report: verdicts and sentences point the way the word does."""

import csv
import json
import re

import pytest

from tests.conftest import SMALL, outcome
from trials import scales
from trials.errors import UserError
from trials.plan import Response, read_plan

PLAN = SMALL.replace("count = 4", "count = 8")
BARE = re.compile(r"\b(?:higher|lower|highest|lowest)\b")
"""What says nothing of a word that has a direction of its own."""


def plan_of(name: str, more: str = "", kind: str = 'kind = "grade"\nhalf_grades = true') -> str:
    """Return a plan that asks one question, what the seal coat does to this."""
    head, _, rest = PLAN.partition("[[response]]")
    question = rest[rest.index("[[question]]") :].replace("figure_clarity", name)
    return f'{head}[[response]]\nname = "{name}"\n{kind}\n{more}\n{question}'


def answered(place, text: str, grades: dict[str, float], report: bool = False) -> str:
    """Record what a plan's patches came to by their seal coat, and return what `decide` says, and the report."""
    place.mkdir()
    (place / "trial.toml").write_text(text, encoding="utf-8")
    assert outcome("plan", place, "--seed", 1).status == 0
    (response,) = read_plan(place).responses
    with (place / "layout.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    people = ("",) if response.kind == "measure" else ("A", "B")
    lines = ["patch,assessor," + response.name]
    for at, row in enumerate(rows):
        nudge = 0.5 * (at * 7 % 3 == 0)
        lines += [f"{row['patch']},{person},{grades[row['seal_coat']] + nudge:g}" for person in people]
    (place / "scores.csv").write_text("\n".join(lines), encoding="utf-8")
    done = outcome("record", place / "scores.csv", place, "--yes")
    assert done.status == 0, done.err
    assert outcome("close", place, "--yes").status == 0
    said = outcome("decide", place).out
    if report:
        assert outcome("report", place).status == 0
        page = (place / "report" / "report.html").read_text(encoding="utf-8")
        said += re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<style.*?</style>", "", page))
    return " ".join(said.split())


CASES = [  # response, more in the plan, without and with the seal coat, what is said of it, its direction, its merit
    ("figure_clarity", "", 2, 3, "figure clarity came out", "clearer", "better"),
    ("figure_clarity", "", 3, 2, "figure clarity came out", "less clear", "worse"),
    ("lap_visibility", "", 3, 2, "laps show", "less", "better"),
    ("lap_visibility", 'aim = "less"', 2, 3, "laps show", "more", "worse"),
    ("blotch", "", 4, 2, "blotch came out", "weaker", "better"),
    ("blotch", 'aim = "less"', 2, 4, "blotch came out", "stronger", "worse"),
    ("grain_raise", "", 3, 2, "grain raise came out", "smoother", "better"),
    ("grain_raise", "", 2, 3, "grain raise came out", "rougher", "worse"),
    ("darkness", 'aim = "more"', 2, 3, "darkness came out", "darker", "better"),
    ("darkness", 'aim = "less"', 3, 2, "darkness came out", "lighter", "better"),
    ("darkness", "aim = 4", 1, 3, "darkness came out", "darker", "better"),
    ("gloss", 'aim = "less"\nanchors = ["dull", "satin", "mirror"]', 3, 2, "gloss came out", "lower", "better"),
]


@pytest.mark.parametrize(("name", "more", "without", "with_it", "says", "direction", "merit"), CASES)
def test_what_comes_out_is_said_the_way_the_word_runs(tmp_path, name, more, without, with_it, says, direction, merit):
    found = answered(tmp_path / "t", plan_of(name, more), {"none": without, "shellac": with_it})
    assert re.search(rf"shellac instead of none: {says} [\d.]+ grades? {direction}, which is {merit} ", found), found
    verdict = re.search(r"is worth having: ([^.;,]*)", found).group(1)
    assert verdict == ("worth it" if merit == "better" else "not worth it")
    if name in scales.SCALES:
        assert not BARE.search(found)


@pytest.mark.parametrize(("name", "grades", "verdict"), [("lap_visibility", (2, 4), False), ("blotch", (4, 2), True)])
def test_the_report_never_says_higher_of_a_word_with_a_way_of_its_own(tmp_path, name, grades, verdict):
    found = answered(tmp_path / "t", plan_of(name), dict(zip(("none", "shellac"), grades, strict=True)), report=True)
    bare = [found[max(at.start() - 60, 0) : at.end() + 40] for at in BARE.finditer(found)]
    assert [one for one in bare if name.split("_")[0] in one.casefold()] == []
    assert ("worth it" in found.split("Seal coat")[1]) is True
    assert ("not worth it" in found) is not verdict


def test_lightness_is_darker_or_lighter(tmp_path):
    kind = 'kind = "measure"\nunit = "L*"\nlow = 0\nhigh = 100\naim = "less"'
    found = answered(tmp_path / "t", plan_of("darkness", kind=kind), {"none": 48, "shellac": 40}, report=True)
    assert "darkness came out 8" in found
    assert "darker, which is better" in found
    assert "darkest with shellac" in found or "lightest with none" in found
    assert not BARE.search(re.sub(r"lowest +highest", "", found)), BARE.search(found)


# --- the plan --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "wrong"),
    [(name, {"more": "less", "less": "more"}[one.aim]) for name, one in scales.SCALES.items() if one.aim],
)
def test_an_aim_against_the_words_is_refused_and_its_cures_are_plans(tmp_path, name, wrong):
    (tmp_path / "trial.toml").write_text(plan_of(name, f'aim = "{wrong}"'), encoding="utf-8")
    with pytest.raises(UserError) as refused:
        read_plan(tmp_path)
    (problem,) = refused.value.problems
    assert repr(scales.SCALES[name].anchors[-1]) in problem.what
    cures = re.findall(r'aim = "\w+"(?=;)|anchors = \[.*\]', problem.cure)
    assert len(cures) == 2
    for cure in cures:
        kept = f'aim = "{wrong}"\n{cure}' if cure.startswith("anchors") else cure
        (tmp_path / "trial.toml").write_text(plan_of(name, kept), encoding="utf-8")
        assert read_plan(tmp_path).response(name).anchors[0] in cure or cure.startswith("aim")


def test_grades_of_ones_own_need_words(run, tmp_path):
    (tmp_path / "trial.toml").write_text(plan_of("sheen"), encoding="utf-8")
    done = run("check", tmp_path)
    assert done.status == 1
    assert "sheen is graded 1 to 5, and no grade is in words" in done.out
    assert "write anchors" in run("plan", tmp_path).err
    (tmp_path / "trial.toml").write_text(plan_of("sheen", 'anchors = ["dull", "satin", "mirror"]'), encoding="utf-8")
    assert run("check", tmp_path).status == 0
    assert read_plan(tmp_path).response("sheen").anchors == (
        "dull", "between 1 and 3", "satin", "between 3 and 5", "mirror",
    )  # fmt: skip


def test_an_aim_against_the_words_turned_round_is_refused(tmp_path):
    """What everyone would write of blotch, beside words by which 5 is the best."""
    words = scales.SCALES["blotch"].the_other_way
    (tmp_path / "trial.toml").write_text(plan_of("blotch", f'aim = "less"\n{words}'), encoding="utf-8")
    with pytest.raises(UserError, match='write aim = "more"'):
        read_plan(tmp_path)
    (tmp_path / "trial.toml").write_text(plan_of("blotch", words), encoding="utf-8")
    assert read_plan(tmp_path).response("blotch").aim_words == "weaker is better"


@pytest.mark.parametrize("written", ['aim = "more"', ""])
def test_grades_recorded_the_other_way_round_are_never_turned(run, tmp_path, written):
    """A trial laid out when 5 was the best: it opens with its old words only, and counts as unchanged then."""
    place = tmp_path / "old"
    old = f'aim = "more"\n{scales.SCALES["blotch"].the_other_way}'
    before = answered(place, plan_of("blotch", old), {"none": 2, "shellac": 4})
    assert re.search(r"blotch came out [\d.]+ grades weaker, which is better", before)
    (place / "trial.toml").write_text(plan_of("blotch", written), encoding="utf-8")
    done = run("decide", place)
    assert done.status == 2
    if not written:
        assert "grade 5 of blotch was 'none in any light'" in done.err
        assert json.dumps(scales.SCALES["blotch"].anchors[::-1], ensure_ascii=False) in done.err
    (place / "trial.toml").write_text(plan_of("blotch", old), encoding="utf-8")
    after = run("decide", place)
    assert "changed" not in after.out.casefold()
    assert " ".join(after.out.split()) == before


def test_words_against_the_aim_turn_the_direction():
    laps = Response("lap_visibility", "grade", 5, False, "", 1, 5, "less", None, ("topcoated",), ("",) * 5)
    assert laps.less_more == ("less", "more")
    assert Response(**{**vars(laps), "aim": "more"}).less_more == ("more", "less")
    assert laps.least_most == ("least", "most")
