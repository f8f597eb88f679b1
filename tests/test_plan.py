"""trial.toml: what is read, and that every fault is named with its line and a cure."""

from pathlib import Path

import pytest

from tests.conftest import EXAMPLE, SMALL
from trials.errors import UserError
from trials.plan import read_plan
from trials.toml_source import locate


def read(tmp_path: Path, text: str):
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(tmp_path)


def faults(tmp_path: Path, text: str):
    with pytest.raises(UserError) as caught:
        read(tmp_path, text)
    return caught.value.problems


def test_small_plan(tmp_path):
    plan = read(tmp_path, SMALL)
    assert plan.boards.count == 4
    assert [factor.laid_on for factor in plan.factors] == ["board", "lane", "strip"]
    assert plan.factor("glaze_dwell").amounts == (3.0, 6.0)
    assert plan.response("figure_clarity").anchors[4].startswith("fleck crisp")
    assert plan.response("darkness").aim == "less"
    assert plan.assessors == ("A", "B")


def test_file_or_folder(tmp_path):
    read(tmp_path, SMALL)
    assert read_plan(tmp_path) == read_plan(tmp_path / "trial.toml") == read_plan(str(tmp_path))


def test_example_reads():
    assert read_plan(EXAMPLE).title.startswith("Reception counter")


def test_digest_ignores_spacing_and_comments(tmp_path):
    first = read(tmp_path, SMALL).digest()
    spaced = SMALL.replace("count = 4", "count   =  4   # boards").replace("\n\n", "\n\n\n")
    assert read(tmp_path, spaced).digest() == first
    assert read(tmp_path, SMALL.replace("count = 4", "count = 8")).digest() != first


# one row a fault: what is written in place of what, the line it must name, what it must say
CASES = [
    ('title = "Hall', 'titel = "Hall', 2, "no key 'titel' in [trial]; write 'title'"),
    ("count = 4", "cuont = 4", 5, "write 'count'"),
    ('levels = ["water", "alcohol"]', 'levels = ["water", "water"]', 13, "stands in levels 2 times"),
    ('levels = ["water", "alcohol"]', 'levels = ["water"]', 13, "has one level"),
    ('levels = ["3 min", "6 min"]', 'levels = ["3 min", "180 s"]', 23, "are the same level"),
    ('levels = ["3 min", "6 min"]', "levels = [3, 6]", 23, '"3 min"'),
    ('levels = ["3 min", "6 min"]', 'levels = ["3 min", "6"]', 23, "level '6' has no unit"),
    ('levels = ["3 min", "6 min"]', 'levels = ["3 min", "6 g"]', 23, "mix mass and time"),
    ('levels = ["3 min", "6 min"]', 'levels = ["3 min", "6 mn"]', 23, "unit of level '6 mn' is not known"),
    ('levels = ["3 min", "6 min"]', 'levels = ["1 oz/qt", "2 oz/qt"]', 23, "weight or of fluid"),
    ('laid_on = "lane"', 'laid_on = "half"', 19, "not one of board, lane, strip, patch"),
    ('laid_on = "lane"', 'laid_on = "lanes"', 19, "write 'lane'"),
    ("lanes = 2", "lanes = 1", 8, "a board has one lane"),
    ("strips = 2", "strips = 30", 9, "30 strips do not fit on a length of 400 mm"),
    ("lanes = 2", "lanes = 12", 8, "12 lanes do not fit on a width of 150 mm"),
    ('length = "400 mm"', 'length = "400"', 6, "'400' has no unit"),
    ('length = "400 mm"', "length = 400", 6, "400 has no unit"),
    ('length = "400 mm"', 'length = "400 min"', 6, "measures time, not length"),
    ('length = "400 mm"', 'length = "4 mm"', 6, "from 50 mm to 6000 mm"),
    ("count = 4", 'count = "4"', 5, "whole number"),
    ("count = 4", "count = true", 5, "whole number"),
    ('response = "figure_clarity"', 'response = "figure_clairty"', 39, "write 'figure_clarity'"),
    ('factor = "seal_coat"', 'factor = "seel_coat"', 38, "write 'seal_coat'"),
    ("worth = 0.5", "worth = -1", 40, "worth is -1"),
    ("worth = 0.5", 'worth = "half"', 40, "not a number"),
    ("worth = 0.5", 'worth = 0.5\nbetween = ["none", "shelac"]', 41, "write 'shellac'"),
    ('kind = "grade"', 'kind = "grades"', 28, "write 'grade'"),
    ('aim = "more"', 'aim = "bright"', 29, "write 'more', 'less', or the number"),
    ('name = "carrier"', 'name = "board"', 12, "choose another name"),
    ('name = "carrier"', 'name = "second"', 12, "choose another name"),
    ('name = "carrier"', 'name = "the carrier"', 12, "write it as 'the_carrier'"),
    ('name = "carrier"', 'name = "seal_coat"', 17, "two factors named"),
    ('unit = "L*"', 'grades = 5', 34, "belongs to a response of kind 'grade'"),
    ('unit = "L*"', 'low = 5\nhigh = 1', 34, "low (5) is not below high (1)"),
    ('unit = "L*"', 'stage = "varnished"', 34, "not a stage of the work"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line", "says"), CASES, ids=[case[1][:40] for case in CASES])
def test_each_fault_is_named_with_line_and_cure(tmp_path, old, new, line, says):
    assert old in SMALL
    found = faults(tmp_path, SMALL.replace(old, new, 1))
    assert any(says in str(problem) and problem.line == line for problem in found), [str(one) for one in found]
    assert all(problem.cure for problem in found)


def test_all_faults_at_once_in_order(tmp_path):
    text = SMALL
    for old, new in (
        ('laid_on = "lane"', 'laid_on = "half"'),
        ("worth = 0.5", "worth = 0"),
        ("count = 4", "count = 0"),
    ):
        text = text.replace(old, new, 1)
    found = faults(tmp_path, text)
    lines = [problem.line for problem in found]
    assert lines == sorted(lines)
    assert {5, 19, 40} <= set(lines)


@pytest.mark.parametrize(
    ("exclusion", "says"),
    [
        ('[[exclude]]\ncarrier = "oil"\n', "'oil' is not a level of carrier"),
        ('[[exclude]]\ncarrier = ["water", "alcohol"]\n', "leave nothing"),
        ('[[exclude]]\ncarrier = "water"\n', "leave nothing of carrier 'water'"),
        ('[[exclude]]\nwhy = "because"\n', "names no factor"),
        ("[[exclude]]\ncarrier = []\n", "names no level of carrier"),
        ('[[control]]\nname = "bare"\nlaid_on = "strip"\ncount = 2\n', "2 control strips leave no strip of 2"),
    ],
)
def test_exclusions_and_controls_that_leave_nothing(tmp_path, exclusion, says):
    found = [problem for problem in faults(tmp_path, SMALL + exclusion) if says in str(problem)]
    assert found
    assert found[0].line in (SMALL.count("\n") + 1, SMALL.count("\n") + 2)


@pytest.mark.parametrize(
    ("old", "new", "line", "says", "cured"),
    [
        (
            "worth = 0.5", "worth = 0,5", 40,
            "worth = 0,5 is no number here; write 0.5 with a point, not a comma", "worth = 0.5",
        ),
        ("worth = 0.5", 'worth = "0.5"', 40, "worth is '0.5', not a number; write it bare", "worth = 0.5"),
        (
            '["none", "shellac"]', '["none" "shellac"]', 18,
            'there is no comma between "none" and "shellac"; write "none", "shellac"', '["none", "shellac"]',
        ),
        (
            '["none", "shellac"]', '[\n  "none"\n  "shellac",\n]', 20,
            'there is no comma between "none" and "shellac"; write "none", "shellac"',
            '[\n  "none",\n  "shellac",\n]',
        ),
        (
            'name = "seal_coat"', 'name = "seal coat"', 17, "'seal coat' is not one word; write it as 'seal_coat'",
            'name = "seal_coat"',
        ),
        (
            'factor = "seal_coat"', 'factor = "seal coat"', 38,
            "the question is about 'seal coat', which is not a factor; write 'seal_coat'", 'factor = "seal_coat"',
        ),
        (
            'laid_on = "lane"', 'laid_on = "lanes"', 19,
            "not one of board, lane, strip, patch; write 'lane'", 'laid_on = "lane"',
        ),
        (
            'laid_on = "lane"', 'laidon = "lane"', 19,
            "there is no key 'laidon' in [factor]; write 'laid_on'", 'laid_on = "lane"',
        ),
        ("[scoring]", "[scorring]", 42, "there is no key 'scorring'; write 'scoring'", "[scoring]"),
        ('length = "400 mm"', "length = 400", 6, "length: 400 has no unit; write a length", 'length = "400 mm"'),
        (
            'length = "400 mm"', 'length = "15 3/4"', 6,
            "length: '15 3/4' has no unit; write a length", 'length = "15 3/4 in"',
        ),
    ],
)  # fmt: skip
def test_one_slip_is_one_fault_and_its_cure_cures_it(tmp_path, old, new, line, says, cured):
    """The numbers of lines are counted in the text above, as a person would."""
    slipped = SMALL.replace(old, new, 1)
    (found,) = faults(tmp_path, slipped)
    assert found.line == line
    assert says in str(found)
    read(tmp_path, slipped.replace(new, cured, 1))


def test_a_bare_number_is_a_grit_where_the_factor_says_so(tmp_path):
    sanded = SMALL.replace('"glaze_dwell"', '"sanding"').replace('"3 min", "6 min"', '"150", "180"')
    assert read(tmp_path, sanded).factor("sanding").amounts is None
    (found,) = faults(tmp_path, sanded.replace('"sanding"', '"coats"'))
    assert "write '150 min' or '150 g/L', or what is counted, such as '150 coats' or '150 grit'" in str(found)
    read(tmp_path, sanded.replace('"sanding"', '"coats"').replace('"150", "180"', '"150 coats", "180 coats"'))
    (found,) = faults(tmp_path, sanded.replace('"150", "180"', "150, 180"))
    assert 'write each between quotation marks, such as "150 min", "150 g/L" or "150 grit"' in str(found)


def test_two_slips_in_one_name_have_cures_that_agree(tmp_path):
    slipped = SMALL.replace('"seal_coat"', '"seal coat"')
    cures = [str(found) for found in faults(tmp_path, slipped)]
    assert len(cures) == 2
    assert all("'seal_coat'" in cure for cure in cures)


def test_every_slip_is_told_at_once_and_obeying_all_leaves_no_fault(tmp_path):
    slips = (
        ("title = ", "titel = ", 2, "write 'title'"),
        ("count = 4", 'count = "vier"', 5, "write a whole number from 1 to 500, without quotes"),
        ('"400 mm"', '"15 3/4"', 6, "write a length with its unit"),
        ('"seal_coat"', '"seal coat"', 17, "write it as 'seal_coat'"),
        ('laid_on = "lane"', 'laid_on = "lanes"', 19, "write 'lane'"),
        ('kind = "measure"', 'kind = "mesure"', 33, "write 'measure'"),
        ("[scoring]", "[scorring]", 42, "write 'scoring'"),
    )
    text = SMALL
    for right, wrong, _, _ in slips:
        text = text.replace(right, wrong, 1)
    found = faults(tmp_path, text)
    assert [one.line for one in found] == [line for _, _, line, _ in slips]
    assert all(cure in str(one) for one, (_, _, _, cure) in zip(found, slips, strict=True))
    for right, wrong, _, _ in slips:
        text = text.replace(wrong, right.replace('"400 mm"', '"15 3/4 in"'), 1)
    read(tmp_path, text)


def test_a_misspelt_table_does_not_echo(tmp_path):
    slipped = SMALL.replace('[[response]]\nname = "figure', '[[respones]]\nname = "figure', 1)
    slipped = slipped.replace("[[response]]", "[[respones]]", 1)
    (found,) = faults(tmp_path, slipped)
    assert "there is no key 'respones'; write 'response'" in str(found)
    faulty = slipped.replace('kind = "grade"', 'kind = "grad"')
    assert [one.line for one in faults(tmp_path, faulty)] == [26, 28]


def test_missing_pieces(tmp_path):
    found = faults(tmp_path, "[trial]\ntitle = 'x'\n")
    assert any("how many boards" in str(problem) for problem in found)
    found = faults(tmp_path, "[boards]\ncount = 2\n")
    assert any("varies nothing" in str(problem) for problem in found)
    no_worth = SMALL.replace("worth = 0.5\n", "")
    assert any("how large a difference" in str(problem) for problem in faults(tmp_path, no_worth))


def test_lots_and_replicates(tmp_path):
    assert read(tmp_path, SMALL.replace("count = 4", "count = 5\nlots = 2")).boards.lots == (3, 2)
    assert read(tmp_path, SMALL.replace("count = 4", "lots = [3, 1]")).boards.lots == (3, 1)
    assert read(tmp_path, SMALL.replace("count = 4", "replicates = 3\nlots = 3")).boards.lots == (2, 2, 2)
    assert "hold 4 boards" in str(faults(tmp_path, SMALL.replace("count = 4", "count = 5\nlots = [3, 1]"))[0])
    assert "take 6 boards" in str(faults(tmp_path, SMALL.replace("count = 4", "count = 4\nreplicates = 3"))[0])


def test_not_toml(tmp_path):
    found = faults(tmp_path, SMALL + "\nthis is not toml\n")
    assert len(found) == 1
    assert "is not TOML" in str(found[0])
    assert found[0].line == SMALL.count("\n") + 2


@pytest.mark.parametrize("data", [b"\x89PNG\r\n\x1a\n\0\0\0", b"\xff\xfe[\0t\0", b"%PDF-1.7\n\xe2\xe3"])
def test_not_text(tmp_path, data):
    (tmp_path / "trial.toml").write_bytes(data)
    with pytest.raises(UserError):
        read_plan(tmp_path)


def test_no_file(tmp_path):
    with pytest.raises(UserError, match=r"holds no trial\.toml"):
        read_plan(tmp_path)


def test_too_many_patches(tmp_path):
    big = SMALL.replace("count = 4", "count = 100").replace("strips = 2", "strips = 8")
    assert any("three-digit codes" in str(problem) for problem in faults(tmp_path, big))


def test_hand_written_toml_lines():
    text = '[a]\n# [[b]]\nx = """\n[c]\ny = 1\n"""\nz = [\n  "k = 1",\n]\n[[b]]\n"odd key" = 1\n[[b]]\nq.r = 2\n'
    lines = locate(text)
    assert lines["a",] == 1
    assert lines["a", "z"] == 7
    assert lines["b", 0] == 10
    assert lines["b", 0, "odd key"] == 11
    assert lines["b", 1, "q", "r"] == 13
    assert ("c",) not in lines


# --- what the boards are chosen for, what cannot be used, what is expected --------------------------

MORE = """
[model]
interactions = [["seal_coat", "carrier"]]
criterion = "I"

[[unusable]]
board = 3
lane = 1
why = "knot"

[[spread]]
response = "darkness"
board = 2.0
reading = 0.5

[[added]]
boards = 2
on = "2026-05-01"
"""


def test_model_unusable_spread_and_added(tmp_path):
    plan = read(tmp_path, SMALL.replace("[boards]", 'like = "../earlier"\n[boards]', 1) + MORE)
    assert plan.model.interactions == (("carrier", "seal_coat"),)  # in the plan's order
    assert plan.model.criterion == "I"
    assert [(one.board, one.lane, one.strip, one.why) for one in plan.unusable] == [(3, 1, 0, "knot")]
    assert plan.unusable[0].covers(1, 2)
    assert not plan.unusable[0].covers(2, 2)
    assert plan.spreads[0].pieces == (("board", 2.0), ("reading", 0.5))
    assert plan.like == "../earlier"
    assert plan.boards.lots == (4, 2)
    assert plan.added == (2,)


def test_no_interactions_is_not_the_same_as_nothing_said(tmp_path):
    assert read(tmp_path, SMALL + "[model]\ninteractions = []\n").model.interactions == ()
    assert read(tmp_path, SMALL).model.interactions is None


def test_what_is_not_used_leaves_the_digests_as_they_were(tmp_path):
    """Records written before these keys existed still agree with their plans."""
    plan = read(tmp_path, SMALL)
    assert not {"model", "unusable", "spreads", "like", "added", "rehearsal"} & plan.as_dict().keys()
    changed = read(tmp_path, SMALL + '[model]\ncriterion = "I"\n')
    assert changed.layout_digest() != plan.layout_digest()
    spread = read(tmp_path, SMALL + '[[spread]]\nresponse = "darkness"\nboard = 1\n')
    assert spread.layout_digest() == plan.layout_digest()


@pytest.mark.parametrize(
    ("added", "says"),
    [
        ('[model]\ninteractions = "carrier"\n', "write pairs of factors"),
        ('[model]\ninteractions = [["carrier"]]\n', "is not a pair of factors"),
        ('[model]\ninteractions = [["carrier", "seel_coat"]]\n', "write 'seal_coat'"),
        ('[model]\ninteractions = [["carrier", "carrier"]]\n', "paired with itself"),
        ('[model]\ninteractions = [["carrier", "seal_coat"], ["seal_coat", "carrier"]]\n', "stands there twice"),
        ('[model]\ncurvature = ["carrier"]\n', "has no curvature"),
        ('[model]\ncurvature = ["glaze_dwell"]\n', "three levels or more"),
        ('[model]\ncriterion = "E"\n', "not one of D, I"),
        ("[[unusable]]\nlane = 1\n", "does not say on which board"),
        ("[[unusable]]\nboard = 2\n", "names neither lane nor strip"),
        ("[[unusable]]\nboard = 5\nlane = 1\n", "whole number from 1 to 4"),
        ('[[spread]]\nresponse = "darknes"\nboard = 1\n', "write 'darkness'"),
        ('[[spread]]\nresponse = "darkness"\n', "says nothing"),
        ('[[spread]]\nresponse = "darkness"\nboard = -1\n', "write a standard deviation"),
        ('[[spread]]\nresponse = "darkness"\nboards = 1\n', "write 'board'"),
        ("[[added]]\nboards = 400\n", "more than 900 patches"),
        ("[[added]]\n", "does not say how many boards"),
    ],
)
def test_faults_of_the_later_tables(tmp_path, added, says):
    assert any(says in str(problem) for problem in faults(tmp_path, SMALL + added))


def test_too_many_combinations_are_refused_at_once(tmp_path):
    text = "[boards]\ncount = 4\n"
    for name in "abcdef":
        listed = ", ".join(f'"{name}{at}"' for at in range(10))
        text += f'[[factor]]\nname = "{name}"\nlevels = [{listed}]\nlaid_on = "board"\n'
    assert any("1000000 combinations" in str(problem) for problem in faults(tmp_path, text))
