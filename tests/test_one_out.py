"""Whether an answer hangs on one assessor: decided again without each, the same as if that one had not scored."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis import decide, one_out, report
from analysis.decide import CANNOT_BE_TOLD, WORTH_IT
from tests.conftest import SMALL
from tests.test_report import check_form
from tests.trials_made import laid_out_as, trial_of

WHEN = "2026-04-02T09:30:00Z"
TWELVE = SMALL.replace("count = 4", "count = 12")


def scored(place, gains, text=TWELVE, noise=0.3):
    """Return a trial in which each assessor sees a gain of its own from the seal coat."""

    def value(patch, draw):
        return 2.5 + gains[patch["assessor"]] * (patch["seal_coat"] == "shellac") + draw.gauss(0, noise)

    return trial_of(place / "trial", text, value, assessors=len(gains))


def test_without_one_is_as_if_that_one_had_not_scored(tmp_path):
    trial = scored(tmp_path, {"A": 1.0, "B": 1.2, "C": 0.9})
    found = one_out.one_out(trial, decide.decide(trial))
    assert [one.assessor for one in found] == ["A", "B", "C"]
    for one in found:
        fewer = replace(trial, readings=tuple(row for row in trial.readings if row["assessor"] != one.assessor))
        (expected,) = decide.decide(fewer).findings
        assert one.after.leading == expected.leading
        assert one.after.verdict == expected.verdict == WORTH_IT
        assert one.stays


def test_a_verdict_that_stays_is_said_with_both_gains(tmp_path):
    trial = scored(tmp_path, {"A": 1.0, "B": 1.4})
    first, second = one_out.one_out(trial, decide.decide(trial))
    before, after = first.before.leading.gain, first.same_pair.gain
    assert after > before > second.same_pair.gain
    assert one_out.sentence(trial.plan, [first]) == (
        f"Without A the answer stays: worth it, a gain of {after:.2f} instead of {before:.2f} grades."
    )


def test_a_verdict_that_hangs_on_one_is_said(tmp_path):
    trial = scored(tmp_path, {"A": 0.4, "B": 1.4})
    without_a, without_b = one_out.one_out(trial, decide.decide(trial))
    assert without_a.stays
    assert not without_b.stays
    said = one_out.sentence(trial.plan, [without_b])
    assert said.startswith(f"Without B the answer changes from worth it to {without_b.after.verdict}, a gain of 0.")
    assert said.endswith(" grade for shellac over none.")


def test_several_questions_on_a_response_are_one_sentence(tmp_path):
    text = TWELVE + '\n[[question]]\nfactor = "carrier"\nresponse = "figure_clarity"\nworth = 0.5\n'
    trial = scored(tmp_path, {"A": 1.0, "B": 1.2}, text)
    found = one_out.one_out(trial, decide.decide(trial))
    said = one_out.sentence(trial.plan, [one for one in found if one.assessor == "A"])
    assert said.startswith("Without A the answer on seal coat stays: worth it")
    assert "; the answer on carrier " in said
    assert said.count("Without") == 1


def test_what_cannot_be_told_without_one(tmp_path):
    """B alone saw nearly all; without B two patches are left."""
    trial = scored(tmp_path, {"A": 1.0, "B": 1.2})
    few = {str(code) for code in trial.patches["patch"][:2]}
    kept = tuple(row for row in trial.readings if row["assessor"] == "B" or row["patch"] in few)
    trial = replace(trial, readings=kept)
    without_b = one_out.one_out(trial, decide.decide(trial))[1]
    assert without_b.after.verdict == CANNOT_BE_TOLD
    assert without_b.after.sentence
    assert one_out.sentence(trial.plan, [without_b]) == (
        "Without B the answer changes from worth it to cannot be told from this layout."
    )


def test_one_assessor_or_no_question_gives_nothing(tmp_path):
    alone = scored(tmp_path, {"A": 1.0})
    assert one_out.one_out(alone, decide.decide(alone)) == ()
    (tmp_path / "two").mkdir()
    trial = scored(tmp_path / "two", {"A": 1.0, "B": 1.0})
    unasked = laid_out_as(trial, questions=())
    assert one_out.one_out(unasked, decide.decide(unasked)) == ()


# --- the report ------------------------------------------------------------------------------------


def test_the_report_says_who_scored(tmp_path):
    trial = scored(tmp_path, {"A": 0.4, "B": 1.4})
    path = report.write(trial, decide.decide(trial), WHEN)
    page = check_form(path.read_text(encoding="utf-8"))
    assert "Who scored" in page.texts["h2"]
    assert "Side by side" not in page.texts["h2"]
    assert page.flat.count("Krippendorff's alpha over 48 patches is") == 1
    assert page.flat.count("that both have read; ") == 2  # once for the grades, once for what was measured
    tables = path.parent / "tables"
    rows = pd.read_csv(tables / "one_out.csv")
    assert rows["without"].tolist() == ["A", "B"]
    assert rows["stays"].tolist() == [True, False]
    for name in ("one_out", "each_assessor"):
        for text in pd.read_csv(tables / f"{name}.csv")["sentence"]:
            assert text in page.flat
    agreement = pd.read_csv(tables / "agreement.csv")
    assert len(agreement) == 7
    shown = dict(zip(agreement["measure"], agreement["value"], strict=True))
    told = f"can be relied on to tell patches apart, is {shown['ICC(2,1)']:.2f}"
    assert told in page.flat.replace("−", "-")


def test_the_report_says_what_one_assessor_alone_cannot_tell(tmp_path):
    page = check_form(report.page(content_of(scored(tmp_path, {"A": 1.0}))))
    assert "A scored alone: whether others would see the same" in page.flat
    assert "as no patch was seen twice" in page.flat
    assert "Krippendorff" not in page.flat


def content_of(trial):
    return report.content(trial, decide.decide(trial), WHEN)


@pytest.mark.parametrize("kind", ["grade", "yes_no"])
def test_marks_that_are_all_alike_say_so(tmp_path, kind):
    text = SMALL.replace('kind = "grade"', f'kind = "{kind}"')
    trial = trial_of(tmp_path / "trial", text, lambda patch, draw: 1.0, assessors=2)
    page = check_form(report.page(content_of(trial)))
    assert "How far the assessors agree cannot be told: all marks that can be compared are alike" in page.flat
    assert "No intraclass correlation can be given" in page.flat
