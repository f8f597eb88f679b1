"""How much pieces are taken to differ, from where, and that it is named."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols

from analysis import priors, strata
from analysis.precision.exact import treated_rows
from analysis.responses import analyse
from tests.conftest import EXAMPLE, SMALL
from trials import folder
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import read_plan


def planned(place, text):
    (place / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(place)


def test_what_the_plan_says_comes_first(tmp_path):
    """Terms board, lane and strip: each its own square; patch and one reading of an instrument make the residual."""
    text = SMALL + (
        '[[spread]]\nresponse = "darkness"\nboard = 3\nlane = 0.5\nstrip = 0.4\npatch = 1.2\nreading = 0.9\n'
    )
    found, lacking = priors.for_plan(planned(tmp_path, text))
    assert lacking == ()
    assert found["darkness"].variances.to_dict() == pytest.approx(
        {"board": 9.0, "board:lane": 0.25, "board:strip": 0.16, "residual": 1.44 + 0.81}
    )
    assert found["darkness"].source.startswith("Standard deviations from the plan: board 3,")
    assert found["figure_clarity"].source.startswith("Working values, not measured")


def test_the_one_lane_or_strip_of_a_board_is_the_board(tmp_path):
    """With one strip a board's strip shifts the whole board, so it is no part of what differs between its lanes."""
    text = SMALL.replace("strips = 2", "strips = 1").replace('laid_on = "strip"', 'laid_on = "board"')
    text += '[[spread]]\nresponse = "darkness"\nboard = 3\nlane = 0.5\nstrip = 0.4\npatch = 1.2\nreading = 0.9\n'
    found = priors.for_plan(planned(tmp_path, text))[0]["darkness"].variances
    assert found.to_dict() == pytest.approx({"board": 9.0 + 0.16, "residual": 0.25 + 1.44 + 0.81})
    # a control strip carries no level, so that one strip is left as well
    two = text.replace("strips = 1", "strips = 2") + '[[control]]\nname = "bare"\nlaid_on = "strip"\n'
    assert priors.for_plan(planned(tmp_path, two))[0]["darkness"].variances.to_dict() == pytest.approx(
        found.to_dict()
    )


@pytest.mark.parametrize(
    ("laid_on", "lanes", "strips"),
    [("lane", 2, 3), ("strip", 2, 3), ("board", 2, 3), ("lane", 2, 1), ("strip", 1, 3), ("lane", 3, 2)],
)
def test_pieces_that_carry_no_level_are_where_they_show(tmp_path, laid_on, lanes, strips):
    """The mean squares of the variances are those of readings made up of every kind of piece."""
    size = {"board": 1.0, "lane": 0.7, "strip": 0.8, "patch": 0.6}
    text = SMALL.replace("count = 4", "count = 8").replace(
        "lanes = 2\nstrips = 2", f"lanes = {lanes}\nstrips = {strips}"
    )
    head, seal, rest = text.partition('[[factor]]\nname = "seal_coat"')
    text = head + "[[response]]" + rest.partition("[[response]]")[2]
    many = {"board": 2, "lane": lanes, "strip": strips}[laid_on]
    text += f'{seal}\nlevels = {list("pqr")[:many]}\nlaid_on = "{laid_on}"\n[model]\ninteractions = []\n'
    text += '[[spread]]\nresponse = "darkness"\nreading = 0\n' + "".join(f"{k} = {v}\n" for k, v in size.items())
    plan = planned(tmp_path, text)
    variances = priors.for_plan(plan)[0]["darkness"].variances
    frame, told = treated_rows(plan, lay_out(plan, 1))
    made = strata.plan(frame, told.fixed, told.random)
    rng = np.random.default_rng(1)
    columns = {"board": ["board"], "lane": ["board", "lane"], "strip": ["board", "strip"], "patch": ["patch"]}
    codes = {kind: frame.groupby(names).ngroup().to_numpy() for kind, names in columns.items()}
    readings = sum(size[kind] * rng.standard_normal((at.max() + 1, 20_000))[at] for kind, at in codes.items())
    found = made.sums_of_squares(readings)[len(made.df) :].mean(axis=1) / made.error_df
    assert found == pytest.approx(made.multipliers @ variances[list(made.strata)].to_numpy(), rel=0.02)


def test_what_the_plan_does_not_say_is_a_working_value_and_said_so(tmp_path):
    plan = planned(tmp_path, SMALL + '[[spread]]\nresponse = "darkness"\nboard = 3\n')
    found = priors.for_plan(plan)[0]["darkness"]
    assert found.variances["board"] == 9
    assert found.variances["board:lane"] == pytest.approx(0.3**2)
    assert found.source.endswith("Those of lane, strip, patch, reading are working values, not measured.")


def test_readings_share_out_over_assessors(tmp_path):
    text = SMALL + '[[spread]]\nresponse = "figure_clarity"\nreading = 0.8\npatch = 0.1\n'
    one = priors.for_plan(planned(tmp_path, text.replace('["A", "B"]', '["A"]')))[0]["figure_clarity"]
    two = priors.for_plan(planned(tmp_path, text))[0]["figure_clarity"]
    assert one.variances["residual"] == pytest.approx(0.01 + 0.64)
    assert two.variances["residual"] == pytest.approx(0.01 + 0.32)


def test_a_unit_without_working_values_is_said_not_guessed(tmp_path):
    text = SMALL.replace('unit = "L*"', 'unit = "gloss units"')
    found, lacking = priors.for_plan(planned(tmp_path, text))
    assert "darkness" not in found
    assert "no working value for how much darkness in gloss units" in lacking[0]
    with pytest.raises(UserError, match="does not say how much lane or strip or patch or reading differ"):
        priors.for_plan(planned(tmp_path, text + '[[spread]]\nresponse = "darkness"\nboard = 3\n'))


def test_lots_and_boards(tmp_path):
    """Where nothing is said of lots they take their share of what lies between boards."""
    text = SMALL.replace("count = 4", "count = 8\nlots = 2")
    given = '[[spread]]\nresponse = "darkness"\nboard = 2\n'
    shared = priors.for_plan(planned(tmp_path, text + given))[0]["darkness"].variances
    assert shared["lot"] + shared["board"] == pytest.approx(4)
    assert shared["lot"] == pytest.approx(4 * priors.LOT_SHARE)
    both = priors.for_plan(planned(tmp_path, text + given + "lot = 1.5\n"))[0]["darkness"].variances
    assert (both["lot"], both["board"]) == pytest.approx((2.25, 4))


def test_the_same_pieces_for_another_number_of_lots(tmp_path):
    plan = planned(tmp_path, SMALL.replace("count = 4", "count = 8"))
    prior = priors.working(plan, plan.response("darkness"))
    lots = replace(plan, boards=replace(plan.boards, lots=(4, 4)))
    assert prior.on(lots).variances.to_dict() == priors.working(lots, plan.response("darkness")).variances.to_dict()
    given = priors.Prior(pd.Series({"board": 1.0, "residual": 1.0}), "")
    assert given.on(lots) is given


# --- from an earlier trial --------------------------------------------------------------------------


def likeness(tmp_path, text):
    path = os.path.relpath(EXAMPLE, tmp_path)
    return planned(tmp_path, text.replace("[boards]", f'like = "{path}"\nexample = true\n[boards]', 1))


def test_an_earlier_trial_gives_its_fitted_components(tmp_path):
    trial = folder.load(EXAMPLE)
    fitted = analyse(trial, trial.plan.response("darkness")).fit.variances
    plan = likeness(tmp_path, SMALL)
    found = priors.for_plan(plan, tmp_path)[0]["darkness"]
    for term in ("board", "board:lane", "board:strip", "residual"):
        assert found.variances[term] == pytest.approx(fitted[term], rel=1e-9)
    assert found.source.startswith("Fitted in the trial 'Reception counter in quartersawn lacewood', darkness.")


def test_readings_of_an_earlier_trial_are_told_from_its_patches(tmp_path):
    """Two assessors marked each patch; a plan with four would average twice as many."""
    four = SMALL.replace('["A", "B"]', '["A", "B", "C", "D"]')
    two = priors.for_plan(likeness(tmp_path, SMALL), tmp_path)[0]["figure_clarity"]
    more = priors.for_plan(likeness(tmp_path, four), tmp_path)[0]["figure_clarity"]
    marks = analyse(folder.load(EXAMPLE), folder.load(EXAMPLE).plan.response("figure_clarity")).table
    looks = marks.readings[marks.readings["patch"].isin(marks.treated["patch"])]
    reading = ols("value ~ C(patch) + C(assessor)", looks).fit().mse_resid  # statsmodels' least squares
    assert two.reading == pytest.approx(reading / 2, rel=1e-9)
    assert two.variances["residual"] - more.variances["residual"] == pytest.approx(reading / 4, rel=1e-6)


def test_pieces_the_earlier_trial_did_not_tell_apart_are_shared_out(tmp_path):
    """Strips carry levels here but did not there: a part of that residual is theirs, and it says so."""
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    from tests.trials_made import Pieces, trial_of

    text = SMALL.replace('laid_on = "strip"', 'laid_on = "patch"')
    pieces: dict[str, Pieces] = {}

    def value(patch, draw):
        spread = pieces.setdefault(patch["response"], Pieces(draw, board=1.0, lane=0.5, patch=0.5))
        return 40 + spread.shift(patch) if patch["response"] == "darkness" else 3.0 + draw.choice([0, 1])

    trial = trial_of(earlier, text, value, seed=3)
    folder.append_readings(trial.folder, trial.plan, list(trial.readings))
    fitted = analyse(trial, trial.plan.response("darkness")).fit.variances
    plan = planned(tmp_path, SMALL.replace("[boards]", 'like = "earlier"\n[boards]', 1))
    found = priors.for_plan(plan, tmp_path)[0]["darkness"]
    share = 0.3**2 / (0.3**2 + 0.7**2)  # of the working values
    assert found.variances["board:strip"] == pytest.approx(share * fitted["residual"])
    assert found.variances["board:strip"] + found.variances["residual"] == pytest.approx(fitted["residual"])
    assert "could not tell strips from patches" in found.source


def test_the_residual_of_one_board_holds_nothing_of_what_boards_differ_by(tmp_path):
    """No other board to compare it with: the residual stays as it is, boards are to it as the working values are."""
    from tests.trials_made import trial_of

    text = (
        SMALL.replace("count = 4", "count = 1").replace("lanes = 2", "lanes = 1").replace("strips = 2", "strips = 4")
    )
    factors, rest = text.index("[[factor]]"), text.index("[[response]]")
    one = '[[factor]]\nname = "dwell"\nlevels = ["3 min", "12 min"]\nlaid_on = "strip"\n'
    text = text[:factors] + one + text[rest : text.index("[[question]]")]
    trial = trial_of(tmp_path, text, lambda patch, draw: draw.gauss(3, 0.5))
    response = trial.plan.response("darkness")
    fitted = analyse(trial, response).fit.variances
    assert list(fitted.index) == ["residual"]
    found = priors.carried_over(trial.plan, response, trial)
    assert found.variances["residual"] == pytest.approx(fitted["residual"])
    assert found.variances["board"] == pytest.approx(
        fitted["residual"] * 2.0**2 / (0.3**2 + 0.3**2 + 0.7**2), rel=0.3
    )
    assert "How much boards differ it could not tell" in found.source


def test_strips_without_levels_give_their_own_trial_its_variances_back(tmp_path):
    """Two strips cross the lanes of an earlier trial; what is planned like it is planned with what was fitted."""
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    from tests.trials_made import Pieces, trial_of

    text = SMALL.replace("count = 4", "count = 8").replace('laid_on = "strip"', 'laid_on = "board"')
    pieces: dict[str, Pieces] = {}

    def value(patch, draw):
        spread = pieces.setdefault(patch["response"], Pieces(draw, board=3.0, lane=0.8, patch=0.5))
        return 40 + spread.shift(patch) if patch["response"] == "darkness" else 3.0 + draw.choice([0, 1])

    trial = trial_of(earlier, text, value, seed=3)
    folder.append_readings(trial.folder, trial.plan, list(trial.readings))
    fitted = analyse(trial, trial.plan.response("darkness")).fit.variances
    assert fitted.min() > 0.1
    plan = planned(tmp_path, text.replace("[boards]", 'like = "earlier"\n[boards]', 1))
    found = priors.for_plan(plan, tmp_path)[0]["darkness"].variances
    assert found.to_dict() == pytest.approx(fitted.to_dict())


def test_strips_of_a_trial_with_one_a_board_come_out_of_its_boards(tmp_path):
    """As many strips again give the fitted variances back; more strips take their share out of the boards."""
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    from tests.trials_made import Pieces, trial_of

    one = SMALL.replace("strips = 2", "strips = 1").replace('laid_on = "strip"', 'laid_on = "board"')
    pieces: dict[str, Pieces] = {}

    def value(patch, draw):
        spread = pieces.setdefault(patch["response"], Pieces(draw, board=1.0, patch=0.5))
        return 40 + spread.shift(patch) if patch["response"] == "darkness" else 3.0 + draw.choice([0, 1])

    trial = trial_of(earlier, one.replace("count = 4", "count = 8"), value, seed=3)
    folder.append_readings(trial.folder, trial.plan, list(trial.readings))
    fitted = analyse(trial, trial.plan.response("darkness")).fit.variances
    like = ("[boards]", 'like = "earlier"\n[boards]', 1)
    again = priors.for_plan(planned(tmp_path, one.replace(*like)), tmp_path)[0]["darkness"]
    assert again.variances.to_dict() == pytest.approx(fitted.to_dict())
    assert "could not tell" not in again.source
    more = priors.for_plan(planned(tmp_path, SMALL.replace(*like)), tmp_path)[0]["darkness"]
    share = 0.3**2 / (2.0**2 + 0.3**2)  # of the working values
    assert more.variances["board:strip"] == pytest.approx(share * fitted["board"])
    assert "could not tell strips from boards" in more.source


@pytest.mark.parametrize(("like", "says"), [("nowhere", "which is no folder"), (".", "not laid out yet")])
def test_an_earlier_trial_that_cannot_serve(tmp_path, like, says):
    plan = planned(tmp_path, SMALL.replace("[boards]", f'like = "{like}"\n[boards]', 1))
    with pytest.raises(UserError, match=says):
        priors.for_plan(plan, tmp_path)


def test_another_scale_is_refused(tmp_path):
    text = SMALL.replace('kind = "grade"', 'kind = "grade"\ngrades = 9')
    with pytest.raises(UserError, match="not on the same scale"):
        priors.for_plan(likeness(tmp_path, text), tmp_path)


@pytest.mark.parametrize(
    "said", ["board = 1e9", "lot = 1e9", "patch = 1e-9\nreading = 1e-9", "patch = 0\nreading = 0"]
)
def test_a_spread_that_drowns_the_patches_is_refused(tmp_path, said):
    text = SMALL.replace("[scoring]", f'[[spread]]\nresponse = "figure_clarity"\n{said}\n\n[scoring]')
    with pytest.raises(UserError, match=r"spread of figure clarity lies more than 100,000 times apart"):
        priors.for_plan(planned(tmp_path, text))
