"""What trial.toml says beside the trial itself: the real piece, the brief, what steps cost, how grades count."""

import re

import pytest

from tests.conftest import EXAMPLE, REPOSITORY, SMALL
from trials.errors import UserError
from trials.plan import read_plan

COSTS = """
[costs]
area = "3.7 m^2"
rate = 45
price = { seal_coat = 18.4 }
coverage = { seal_coat = "9.8 m^2/L" }

[[costs.step]]
name = "sealing"
liquid = "seal_coat"
hands = "45 min"
only = { seal_coat = "shellac" }
"""


@pytest.fixture
def read(tmp_path):
    """Read the small plan with more beneath it."""

    def read_with(more: str):
        (tmp_path / "trial.toml").write_text(SMALL + more, encoding="utf-8")
        return read_plan(tmp_path)

    return read_with


def faults(read, more: str) -> list[str]:
    with pytest.raises(UserError) as caught:
        read(more)
    return [f"{one.line}: {one.what}; {one.cure}" for one in caught.value.problems]


@pytest.mark.parametrize(
    ("given", "alone_s", "helper_s", "rate"),
    [
        ('return_time = "9 min"', 540, 270, None),
        ('return_time = "9 min"\nhands = 2', 540, 360, None),
        ('area = "4 m^2"\nrate = "0.5 m^2/min"', 480, 240, 0.5),
        ('area = "4 m^2"\nrate = "0.5 m^2/min"\nhands = 2', 240, 160, 1.0),
        # 2 m at 0.25 m/s, back and forth, 8 s to turn: 2 × 8 + 8; half of it each with a helper: 2 × 4 + 8
        ('length = "2 m"\nspeed = "0.25 m/s"\nturn = "8 s"', 24, 16, None),
        ('length = "2 m"\nspeed = "0.25 m/s"\nturn = "0 s"', 16, 8, None),
    ],
)
def test_the_return_time_of_a_piece(read, given, alone_s, helper_s, rate):
    """Path and rate, as in test_lap.py: common practice, no source."""
    piece = read(f"\n[piece]\n{given}\n").piece
    assert piece.return_s == pytest.approx(alone_s)
    assert piece.helper_s == pytest.approx(helper_s)
    assert piece.rate_m2_min == pytest.approx(rate)
    assert piece.risk == 0.1


def test_a_piece_has_a_name_and_a_risk(read):
    piece = read('\n[piece]\nname = "counter"\nreturn_time = "540 s"\nrisk = "5 %"\n').piece
    assert (piece.name, piece.risk, piece.return_s) == ("counter", 0.05, 540)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("", "does not say how soon its edge is met again; give one of return_time"),
        ('return_time = "9 min"\narea = "4 m^2"\nrate = "1 m^2/min"', "says in 2 ways how soon"),
        ('area = "4 m^2"', "area is given without rate"),
        ('length = "2 m"\nspeed = "0.25 m/s"', "length is given without turn"),
        ('return_time = "0 min"', "return_time is '0 min'; write one above 0"),
        ('return_time = "9"', "has no unit; write a time with its unit"),
        ('return_time = "9 m"', "measures length, not time"),
        ('return_time = "9 min"\nrisk = "100 %"', "write a share between 0 and 100 %"),
        ('return_time = "9 min"\nhands = 0', "hands is 0; write a whole number from 1 to 20"),
        ('return_time = "9 min"\nspeeed = "1 m/s"', "no key 'speeed' in [piece]; write 'speed'"),
    ],
)
def test_a_piece_that_cannot_be_read(read, given, says):
    (fault,) = faults(read, f"\n[piece]\n{given}\n")
    assert says in fault
    assert int(fault.split(":")[0]) > len(SMALL.splitlines())


def test_a_brief_is_kept_as_written(read):
    plan = read('\n[brief]\nneeds = ["darkness at most 38", "figure_clarity at least 4"]\n')
    assert plan.brief == ("darkness at most 38", "figure_clarity at least 4")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("", "'needs' is missing here"),
        ("needs = []", "the brief has no condition"),
        ('needs = ["darknes at most 38"]', "there is no response 'darknes'; write 'darkness'"),
        ('needs = ["dark please"]', "is not a condition; write it like 'darkness at most 38'"),
        ('needs = ["figure_clarity at least 9"]', "9 is off the scale of figure clarity"),
        ('need = ["darkness at most 38"]\nneeds = ["darkness at most 38"]', "no key 'need' in [brief]"),
    ],
)
def test_a_brief_that_cannot_be_read(read, given, says):
    (fault,) = faults(read, f"\n[brief]\n{given}\n")
    assert says in fault


def test_every_fault_of_a_brief_is_named(read):
    found = faults(read, '\n[brief]\nneeds = ["gloss at least 2", "darkness at most 38 grades"]\n')
    assert len(found) == 2


def test_a_fault_elsewhere_hides_none_of_a_brief_or_of_costs(read):
    wrong = COSTS.replace("price = { seal_coat = 18.4 }", "")
    found = faults(read, '\n[model]\ncriterion = "Z"\n\n[brief]\nneeds = ["gloss at least 2"]\n' + wrong)
    assert len(found) == 3
    assert "'gloss'" in found[1]
    assert "the price of its seal coat is missing" in found[2]


def test_costs_are_read_with_the_plan(read):
    costs = read(COSTS).costs
    assert (costs.area_m2, costs.rate, costs.steps[0].touch_h) == (3.7, 45, 0.75)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("rate = 45", "", "'rate' is missing here"),
        ("price = { seal_coat = 18.4 }", "", "the price of its seal coat is missing"),
        ('coverage = { seal_coat = "9.8 m^2/L" }', "", "the coverage of its seal coat is missing"),
        ('seal_coat = "shellac" }', 'seal_coat = "shelac" }', "'shelac', which is not a level of seal_coat; write"),
        ('only = { seal_coat = "shellac" }', 'only = { sealer = "shellac" }', "a factor 'sealer' there is none of"),
    ],
)
def test_costs_that_cannot_be_reckoned(read, old, new, says):
    (fault,) = faults(read, COSTS.replace(old, new))
    assert says in fault


def test_how_grades_count(read):
    assert read("").grades == "averages"
    assert read('\n[analysis]\ngrades = "rerandomised"\n').grades == "rerandomised"
    (fault,) = faults(read, '\n[analysis]\ngrades = "medians"\n')
    assert "not one of averages, ordered, rerandomised" in fault


def test_a_plan_without_them_is_recorded_as_before(read):
    """Records written before these tables were known still agree with their plans."""
    plan = read("")
    assert not {"costs", "brief", "piece", "grades"} & set(plan.as_dict())
    more = read('\n[piece]\nreturn_time = "9 min"\n\n[analysis]\ngrades = "ordered"\n' + COSTS)
    assert {"costs", "piece", "grades"} <= set(more.as_dict())
    assert more.layout_digest() == plan.layout_digest()
    assert more.digest() != plan.digest()


def test_the_example_reads():
    assert read_plan(EXAMPLE).grades == "averages"


def test_the_tables_of_the_readme_are_read(read):
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```toml\n(\[brief\].*?)```", text, flags=re.DOTALL)
    plan = read("\n" + block)
    assert plan.brief == ("darkness at most 38", "figure_clarity at least 4")
    assert plan.piece.name == "counter"
    assert plan.costs.steps[0].liquid == "seal_coat"
    assert plan.grades == "averages"
