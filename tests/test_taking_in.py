"""Held for a yes, corrected, closed, typed in: nothing recorded is changed, nobody who scores is told a treatment."""

import csv
import io
import sys
from datetime import datetime, timedelta
from pathlib import Path

import openpyxl
import pytest

from analysis import taken_in
from tests.conftest import SMALL
from trials import blind
from trials import folder as folders
from trials.records import CONFIRMED, doubts

STEPS = """
[[step]]
name = "dye"
stage = "dyed"
dry = "24 h"

[[step]]
name = "seal coat"
stage = "sealed"
only = { seal_coat = "shellac" }
on = "lane"
dry = "2 h"

[[step]]
name = "top coat"
stage = "topcoated"
dry = "48 h"
"""
LEVELS = ("water", "alcohol", "shellac", "none", "3 min", "6 min")


def write(path: Path, rows: list[list[object]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return path


def journal(place: Path) -> list[dict[str, str]]:
    return folders.load_readings(folders.at(place))


def patches(place: Path) -> list[dict[str, str]]:
    with (place / "layout.csv").open() as file:
        return list(csv.DictReader(file))


def codes(place: Path) -> list[str]:
    return [row["patch"] for row in patches(place)]


def marks(place: Path, name: str = "a.csv", assessor: str = "A", **changed: object) -> Path:
    """Write a form of figure clarity, 2 3 4 2 3 4 …, with the marks of some patches changed."""
    rows = [["patch", "figure_clarity", "assessor"]]
    rows += [[code, changed.get(f"p{code}", 2 + at % 3), assessor] for at, code in enumerate(codes(place))]
    return write(place.parent / name, rows)


def lightness(place: Path, **changed: object) -> Path:
    rows = [["patch", "darkness"]]
    rows += [[code, changed.get(f"p{code}", 38 + at % 5 / 2)] for at, code in enumerate(codes(place))]
    return write(place.parent / "l.csv", rows)


@pytest.fixture
def no_terminal(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))


# --- unlikely values -------------------------------------------------------------------------------


def test_a_slip_of_the_decimal_point_waits_for_a_yes(laid_out, run, no_terminal):
    third = codes(laid_out)[2]
    file = lightness(laid_out, **{f"p{third}": 390})
    done = run("record", file, laid_out)
    assert done.status == 2
    assert f"l.csv, row 4, column darkness: darkness of patch {third} is 390, which stands alone" in done.err
    assert "add --yes" in done.err
    assert journal(laid_out) == []
    assert run("record", file, laid_out, "--yes").status == 0
    noted = {row["patch"]: row["note"] for row in journal(laid_out)}
    assert noted.pop(third) == CONFIRMED
    assert set(noted.values()) == {""}


class Terminal(io.StringIO):
    """Somebody at the keyboard who types this."""

    def isatty(self) -> bool:
        return True


def test_at_a_terminal_it_is_asked(laid_out, run, monkeypatch):
    third = codes(laid_out)[2]
    file = lightness(laid_out, **{f"p{third}": 390})
    monkeypatch.setattr(sys, "stdin", Terminal("n\n"))
    assert run("record", file, laid_out).status == 2
    assert journal(laid_out) == []
    monkeypatch.setattr(sys, "stdin", Terminal("y\n"))
    assert run("record", file, laid_out).status == 0
    assert len(journal(laid_out)) == 16


def test_what_several_patches_share_is_no_slip(laid_out, run, no_terminal):
    """Bare controls lie far from dyed patches, but not alone."""
    some = codes(laid_out)[:3]
    done = run("record", lightness(laid_out, **{f"p{code}": 66 + at for at, code in enumerate(some)}), laid_out)
    assert done.status == 0


def test_the_rest_can_go_in(laid_out, run, no_terminal):
    third = codes(laid_out)[2]
    done = run("record", lightness(laid_out, **{f"p{third}": 390}), laid_out, "--good-rows")
    assert "15 readings taken in, 1 left out" in done.out
    assert third not in {row["patch"] for row in journal(laid_out)}


def test_grades_more_than_half_the_scale_apart(laid_out, run, no_terminal):
    first = codes(laid_out)[0]
    assert run("record", marks(laid_out, p=0, **{f"p{first}": 1}), laid_out).status == 0
    near = run("record", marks(laid_out, "b.csv", "B", **{f"p{first}": 3}), laid_out, "--dry-run")
    assert "more than half" not in near.err
    far = run("record", marks(laid_out, "b.csv", "B", **{f"p{first}": 4}), laid_out)
    assert far.status == 2
    assert f"row 2, column figure_clarity: figure clarity of patch {first} is 4, more than half the scale" in far.err


def test_all_the_same(laid_out, run, no_terminal):
    same = {f"p{code}": 3 for code in codes(laid_out)}
    done = run("record", marks(laid_out, **same), laid_out)
    assert done.status == 2
    assert "all 16 marks of figure clarity by A are 3, as if nobody had looked" in done.err
    assert run("record", marks(laid_out, **same), laid_out, "--yes").status == 0


@pytest.mark.parametrize(
    ("values", "spread"),
    [
        # Iglewicz and Hoaglin's two scales, by hand: median 3, distances 2 1 0 1 97, their median 1
        ([1, 2, 3, 4, 100], 1.4826),
        ([3, 3, 3, 3, 13], 1.2533 * 2),
    ],
)
def test_robust_spread_by_hand(values, spread):
    assert doubts.robust_spread(values) == pytest.approx(spread)


# --- who and when ----------------------------------------------------------------------------------


def test_new_assessors_are_named_and_near_names_held(folder, run, no_terminal):
    (folder / "trial.toml").write_text(SMALL.split("[scoring]")[0])
    run("plan", folder, "--seed", 1)
    assert "Anna has not scored in this trial before." in run("record", marks(folder, "a.csv", "Anna"), folder).out
    near = run("record", marks(folder, "b.csv", "anna"), folder)
    assert near.status == 2
    assert "'anna' has no readings yet, but 'Anna' has" in near.err
    assert (
        "Bo has not scored in this trial before; so far there are readings by Anna."
        in run("record", marks(folder, "c.csv", "Bo"), folder).out
    )
    first, *_ = codes(folder)
    again = write(folder.parent / "d.csv", [["patch", "figure_clarity", "assessor", "repeat"], [first, 2, "Bo", 2]])
    assert "not scored" not in run("record", again, folder).out


def bench_notes(place: Path, *, top_coat: bool = True) -> Path:
    rows: list[list[object]] = [["board", "patch", "step", "started_at", "ended_at"]]
    rows += [[board, "", "dye", "2026-03-14T09:00", "2026-03-14T09:04"] for board in range(1, 5)]
    if top_coat:
        rows += [[board, "", "top coat", "2026-03-16T09:00", "2026-03-16T10:00"] for board in range(1, 5)]
    return write(place.parent / "bench.csv", rows)


@pytest.mark.parametrize(
    ("top_coat", "at", "says"),
    [
        (True, "2026-03-18T09:59:00", "was read on 2026-03-18 at 09:59, but by the bench times it was dry only from"),
        (True, "2026-03-18T10:00:00", ""),
        (True, "2026-03-18T10:00:00+01:00", ""),
        (False, "2026-03-18T10:00:00", "was read as topcoated, but by the bench notes its board was not yet then"),
    ],
)
def test_scored_before_dry_or_before_the_top_coat(folder, run, no_terminal, top_coat, at, says):
    (folder / "trial.toml").write_text(SMALL + STEPS)
    run("plan", folder, "--seed", 1)
    notes = bench_notes(folder, top_coat=top_coat)
    first = codes(folder)[0]
    file = write(folder.parent / "a.csv", [["patch", "figure_clarity", "assessor", "taken_at"], [first, 3, "A", at]])
    done = run("record", file, notes, folder)  # in whichever order: bench notes are read first
    assert done.status == (2 if says else 0)
    assert says in done.err
    assert ("row 2, column figure_clarity" in done.err) is bool(says)
    assert not any(level in done.err for level in LEVELS), "no step that only some patches got is named"


# --- corrections -----------------------------------------------------------------------------------


def test_a_correction_is_a_new_row(laid_out, run):
    run("record", marks(laid_out), laid_out)
    before = (laid_out / "readings.csv").read_bytes()
    first = codes(laid_out)[0]
    done = run("correct", first, "figure_clarity", 4, laid_out, "--why", "misread my own writing")
    assert done.status == 0, done.err
    assert "4 instead of 2" in done.out
    assert (laid_out / "readings.csv").read_bytes().startswith(before)
    last = journal(laid_out)[-1]
    assert (last["value"], last["supersedes"], last["reason"]) == ("4", "2", "misread my own writing")
    standing = {row["patch"]: row["value"] for row in folders.load(laid_out).readings}
    assert len(standing) == 16
    assert standing[first] == "4"


def test_a_correction_can_be_corrected_and_withdrawn(laid_out, run):
    run("record", marks(laid_out), laid_out)
    first = codes(laid_out)[0]
    run("correct", first, "figure_clarity", 4, laid_out, "--why", "one")
    run("correct", first, "figure_clarity", 5, laid_out, "--why", "two")
    done = run("correct", first, "figure_clarity", laid_out, "--withdraw", "--why", "wrong board")
    assert "withdrawn (5 was recorded)" in done.out
    assert [row["supersedes"] for row in journal(laid_out)[-3:]] == ["2", "18", "19"]
    assert first not in {row["patch"] for row in folders.load(laid_out).readings}
    again = write(laid_out.parent / "again.csv", [["patch", "figure_clarity", "assessor"], [first, 1, "A"]])
    assert run("record", again, laid_out).status == 0, "a withdrawn reading can be read anew"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{first}", "figure_clarity", "4"], "a correction needs a reason"),
        (["{first}", "figure_clarity", "2", "--why", "x"], "is recorded as 2 already"),
        (["{first}", "figure_clarity", "9", "--why", "x"], "its grades go from 1 to 5"),
        (["{first}", "figure_clarty", "4", "--why", "x"], "write 'figure_clarity'"),
        (["{first}", "darkness", "4", "--why", "x"], "no such reading"),
        (["999", "figure_clarity", "4", "--why", "x"], "no such reading of patch 999"),
        (["{first}", "figure_clarity", "--why", "x"], "does not say what becomes of the reading"),
        (["{second}", "figure_clarity", "4", "--why", "x"], "say which with --assessor"),
    ],
)
def test_corrections_that_cannot_be_made(laid_out, run, words, says):
    first, second, *_ = codes(laid_out)
    run("record", marks(laid_out), laid_out)
    both = write(laid_out.parent / "b.csv", [["patch", "figure_clarity", "assessor"], [second, 3, "B"]])
    run("record", both, laid_out)
    before = journal(laid_out)
    asked = [word.format(first=first, second=second) for word in words]
    done = run("correct", *asked, laid_out) if len(asked) > 4 or "--why" not in asked else run(
        "correct", *asked[:2], laid_out, *asked[2:]
    )  # fmt: skip
    assert done.status == 2
    assert says in done.err
    assert journal(laid_out) == before


def test_a_doubtful_correction_waits_for_a_yes(laid_out, run, no_terminal):
    run("record", lightness(laid_out), laid_out)
    first = codes(laid_out)[0]
    asked = ["correct", first, "darkness", 390, laid_out, "--why", "slip"]
    done = run(*asked)
    assert done.status == 2
    assert f"darkness of patch {first} is 390, which stands alone" in done.err
    assert "row 0" not in done.err
    assert len(journal(laid_out)) == 16
    assert run(*asked, "--yes").status == 0
    assert journal(laid_out)[-1]["note"] == CONFIRMED


def test_a_file_with_reasons_corrects(laid_out, run):
    run("record", marks(laid_out), laid_out)
    first, second, third, *_ = codes(laid_out)
    rows = [
        ["patch", "response", "value", "assessor", "why"],
        [first, "figure_clarity", 3, "A", "typed 2 for 3"],
        [second, "figure_clarity", "", "A", "a knot"],
        [third, "figure_clarity", 4, "A", ""],
    ]
    done = run("record", write(laid_out.parent / "c.csv", rows), laid_out)
    assert "2 readings taken in, 2 of them corrections, 1 recorded already" in done.out
    standing = {row["patch"]: row["value"] for row in folders.load(laid_out).readings}
    assert standing[first] == "3"
    assert second not in standing


def test_a_reason_without_anything_to_correct(laid_out, run):
    rows = [["patch", "figure_clarity", "assessor", "reason"], [codes(laid_out)[0], 3, "A", "because"]]
    done = run("record", write(laid_out.parent / "c.csv", rows), laid_out)
    assert done.status == 2
    assert "column reason: the row gives a reason, but figure clarity of patch" in done.err


# --- closing ---------------------------------------------------------------------------------------


def test_closing_is_on_record_and_ends_the_taking_in(laid_out, run):
    assert "nothing to close" in run("close", laid_out).err
    run("record", marks(laid_out), laid_out)
    done = run("close", laid_out, "--yes")
    assert done.status == 0
    assert "closed with 16 readings" in done.out
    assert "16 patches lack darkness" in done.out
    (act,) = folders.load(laid_out).closings
    assert (act["act"], act["rows"]) == ("closed", 16)
    assert datetime.fromisoformat(act["at"]).tzinfo is not None
    late = run("record", lightness(laid_out), laid_out)
    assert late.status == 2
    assert "the scoring was closed on" in late.err
    assert "nothing to do" in run("close", laid_out).err
    corrected = run("correct", codes(laid_out)[0], "figure_clarity", 4, laid_out, "--why", "misread")
    assert "the report will say that this came after it" in corrected.out


def test_closing_says_what_lacks_and_waits_for_a_yes(laid_out, run, no_terminal):
    run("record", marks(laid_out), laid_out)
    refused = run("close", laid_out)
    assert refused.status == 2
    (said,) = refused.err.strip().splitlines()
    assert "16 patches lack darkness; B has not scored" in said
    assert "close --yes" in said
    assert not folders.load(laid_out).closings


def test_closing_asks_who_could_tell_treatments(laid_out, run, monkeypatch):
    run("record", marks(laid_out), laid_out)
    run("record", marks(laid_out, "b.csv", "B"), laid_out)
    monkeypatch.setattr(sys, "stdin", Terminal("n\n"))
    assert run("close", laid_out).status == 2
    assert not folders.load(laid_out).closings
    monkeypatch.setattr(sys, "stdin", Terminal("y\nperhaps\nsome\n\n"))
    done = run("close", laid_out)
    assert done.status == 0
    assert "16 patches lack darkness. Close all the same?" in done.err
    assert "Could A tell, while scoring, which treatment a patch had? no, some or most" in done.err
    (act,) = folders.load(laid_out).closings
    assert act["could_tell"] == [{"assessor": "A", "answer": "some"}]
    said = " ".join(taken_in.blinding(folders.load(laid_out)))
    assert "of how many patches they could tell the treatment while scoring: A of some patches." in said
    assert "What A scored may follow what was expected" in said


def test_scripts_say_who_could_tell_treatments(laid_out, run, no_terminal):
    run("record", marks(laid_out), laid_out)
    for given, says in (("C=no", "names nobody who has scored"), ("A=often", "write no, some or most")):
        refused = run("close", laid_out, "--yes", "--could-tell", given)
        assert refused.status == 2
        assert says in refused.err
    assert run("close", laid_out, "--yes", "--could-tell", "no").status == 0
    (act,) = folders.load(laid_out).closings
    assert act["could_tell"] == [{"assessor": "A", "answer": "no"}]
    assert "A of no patch" in " ".join(taken_in.blinding(folders.load(laid_out)))


def test_where_nobody_was_asked_the_report_says_so(laid_out, run, no_terminal):
    run("record", marks(laid_out), laid_out)
    assert run("close", laid_out, "--yes").status == 0
    assert "could_tell" not in folders.load(laid_out).closings[0]
    assert "could tell treatments was not recorded" in " ".join(taken_in.blinding(folders.load(laid_out)))


def test_opening_again_needs_a_reason_and_stays_on_record(laid_out, run):
    run("record", marks(laid_out), laid_out)
    run("close", laid_out, "--yes")
    assert "needs a reason" in run("close", laid_out, "--open-again").err
    assert "leave it out" in run("close", laid_out, "--open-again", "--why", "x", "--could-tell", "no").err
    assert run("close", laid_out, "--open-again", "--why", "the meter came").status == 0
    assert run("record", lightness(laid_out), laid_out).status == 0
    run("close", laid_out, "--yes")
    acts = folders.load(laid_out).closings
    assert [(act["act"], act["rows"]) for act in acts] == [("closed", 16), ("opened", 16), ("closed", 32)]
    assert acts[1]["why"] == "the meter came"


def test_analysing_before_closing_says_so_and_goes_on_record(laid_out, run):
    run("record", marks(laid_out), laid_out)
    early = run("decide", laid_out)
    assert "The scoring is not closed" in early.err
    assert [(act["act"], act["rows"]) for act in folders.load(laid_out).closings] == [("looked", 16)]
    run("analyse", laid_out)
    assert len(folders.load(laid_out).closings) == 1, "a second look at the same readings is no second look"
    assert not folders.load(laid_out).closed
    run("report", laid_out)
    assert blind.MUST_NOT_SEE in (laid_out / "report" / "report.html").read_text()
    run("record", marks(laid_out, "b.csv", "B"), laid_out)
    run("close", laid_out, "--yes")
    assert "not closed" not in run("report", laid_out).err
    page = (laid_out / "report" / "report.html").read_text()
    assert blind.MUST_NOT_SEE not in page
    assert "looked at once while the scoring was open" in page
    assert "16 readings came in after the treatments could be seen" in page


def test_no_treatment_in_any_screen_before_closing(laid_out, run, no_terminal):
    first = codes(laid_out)[0]
    shown = ""
    for words in (
        ["record", marks(laid_out), laid_out], ["record", marks(laid_out), laid_out, "--json"],
        ["record", marks(laid_out, "x.csv", "Z"), laid_out],
        ["record", lightness(laid_out, **{f"p{first}": 390}), laid_out],
        ["correct", first, "figure_clarity", 4, laid_out, "--why", "misread"],
        ["correct", first, "darkness", 4, laid_out, "--why", "misread"], ["publish", laid_out],
    ):  # fmt: skip
        done = run(*words)
        shown += done.out + done.err
    published = b"".join(path.read_bytes() for path in (laid_out / "open-data").iterdir()).decode()
    assert not [level for level in LEVELS if level in shown + published]


# --- workbooks, instruments, the prompt ------------------------------------------------------------


def test_a_form_typed_into_a_workbook(laid_out, run):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Scoring form of A"])
    sheet.append(["Code", "Figure_clarity", "Note"])
    for at, code in enumerate(codes(laid_out)):
        sheet.append([int(code), 2 + at % 3, "a knot" if at == 0 else None])
    path = laid_out.parent / "form.xlsx"
    book.save(path)
    done = run("record", path, laid_out, "--assessor", "A")
    assert "form.xlsx: 16 readings taken in" in done.out
    assert journal(laid_out)[0]["note"] == "a knot"


def test_a_colorimeter_goes_to_the_response_in_its_unit(laid_out, run):
    rows = [["Sample", "Code", "L*(D65/10)", "a*(D65/10)", "b*(D65/10)"]]
    rows += [["x", code, f"{38 + at % 4 / 2:.2f}", 9.1, 18] for at, code in enumerate(codes(laid_out)) for _ in "12"]
    done = run("record", write(laid_out.parent / "c.csv", rows), laid_out)
    assert done.status == 0, done.err
    assert "32 readings taken in" in done.out
    assert "left unread, as no response of the plan is read in it: Sample, a*, b*" in done.out
    found = journal(laid_out)
    assert {row["response"] for row in found} == {"darkness"}
    assert {row["repeat"] for row in found} == {"1", "2"}, "placements on one patch are counted up"
    assert "D65" in found[0]["method"]
    assert "0 readings taken in, 32 recorded already" in run("record", laid_out.parent / "c.csv", laid_out).out


def test_spectra_are_turned_into_lightness(laid_out, run):
    bands = list(range(400, 710, 10))
    rows = [["code", *(f"{band} nm" for band in bands)]]
    rows += [[code, *(20 for _ in bands)] for code in codes(laid_out)]
    file = write(laid_out.parent / "s.csv", rows)
    assert "--illuminant D65 --observer 10" in run("record", file, laid_out).err
    done = run("record", file, laid_out, "--illuminant", "D65", "--observer", "10")
    assert done.status == 0, done.err
    # a grey of 20 % reflectance: L* = 116 (0.2)^(1/3) - 16 (CIE 15), whatever the illuminant
    assert {round(float(row["value"]), 1) for row in journal(laid_out)} == {round(116 * 0.2 ** (1 / 3) - 16, 1)}
    assert "ASTM E308" in journal(laid_out)[0]["method"]


def test_typed_in_patch_by_patch(laid_out, run, monkeypatch):
    from trials.design import scoring_order

    order = scoring_order(folders.load(laid_out).patches, 1, "A")
    typed = ["4", "7", "3", "note a knot", "2", "back", "5", "", "stop"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(typed) + "\n"))
    done = run("record", "--by-hand", "--assessor", "A", laid_out)
    assert done.status == 0, done.err
    assert "its grades go from 1 to 5" in done.err
    found = {(row["patch"], row["repeat"]): row for row in folders.load(laid_out).readings}
    assert [found[str(code), "1"]["value"] for code in order[:3]] == ["4", "3", "5"]
    changed = journal(laid_out)[-1]
    assert changed["reason"] == "changed at the prompt"
    assert changed["source"] == "typed in"
    assert datetime.fromisoformat(changed["taken_at"]) - datetime.now().astimezone() < timedelta(minutes=1)
    assert not any(level in done.out + done.err for level in LEVELS)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    again = run("record", "--by-hand", "--assessor", "A", laid_out)
    assert f"Patch {order[3]}" in again.err, "it goes on with the first patch left out"


@pytest.mark.parametrize(("typed", "taken"), [("", 0), ("note", 0), ("3\nnote", 1), ("7", 0), ("back", 0)])
def test_the_end_of_the_input_ends_the_typing(laid_out, run, monkeypatch, typed, taken):
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    done = run("record", "--by-hand", "--assessor", "A", laid_out)
    assert done.status == 0, done.err
    assert f"At the prompt: {taken} {'reading' if taken == 1 else 'readings'} taken in." in done.out
    assert len(journal(laid_out)) == taken


def test_the_end_of_the_input_is_no_yes(laid_out, run, monkeypatch):
    from trials.design import scoring_order

    first = scoring_order(folders.load(laid_out).patches, 1, "B")[0]
    run("record", marks(laid_out, **{f"p{first}": 1}), laid_out)
    monkeypatch.setattr(sys, "stdin", io.StringIO("5\n"))
    done = run("record", "--by-hand", "--assessor", "B", laid_out)
    assert done.status == 0, done.err
    assert "Doubtful: figure clarity" in done.err
    assert len(journal(laid_out)) == 16


def test_typing_ends_when_the_scoring_is_closed_meanwhile(laid_out, run, monkeypatch):
    run("record", marks(laid_out), laid_out)

    class Closing(io.StringIO):
        def readline(self, *_: object) -> str:
            trial = folders.load(laid_out)
            if not trial.closed:
                folders.record_close(trial.folder, trial.plan, "closed", "")
            return "3\n"

    monkeypatch.setattr(sys, "stdin", Closing())
    done = run("record", "--by-hand", "--assessor", "B", laid_out)
    assert done.status == 2
    assert "the scoring was closed on" in done.err
    assert len(journal(laid_out)) == 16


def test_typing_needs_to_know_who_and_what(laid_out, run, no_terminal):
    assert "add --assessor A or B" in run("record", "--by-hand", laid_out).err
    assert "write 'darkness'" in run("record", "--by-hand", "--only", "darknes", laid_out).err
    assert "leave out one of them" in run("record", "--by-hand", marks(laid_out), laid_out).err


def test_what_an_instrument_shows_can_be_typed_too(laid_out, run, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("41,5\n40.2\nstop\n"))
    assert run("record", "--by-hand", "--only", "darkness", laid_out).status == 0
    assert [(row["value"], row["assessor"], row["method"]) for row in journal(laid_out)] == [
        ("41.5", "", ""), ("40.2", "", ""),
    ]  # fmt: skip


# --- comparisons -----------------------------------------------------------------------------------

COMPARED = """
[[response]]
name = "clearer_fleck"
kind = "preference"
factor = "seal_coat"
ask = "Which shows the fleck more clearly?"
"""


@pytest.fixture
def compared(folder, run):
    (folder / "trial.toml").write_text(SMALL + COMPARED)
    assert run("plan", folder, "--seed", 1).status == 0
    return folder


def test_comparisons_are_taken_in(compared, run):
    by_place = {(row["board"], row["lane"], row["strip"]): row["patch"] for row in patches(compared)}
    left, right, other = by_place["1", "1", "1"], by_place["1", "2", "1"], by_place["1", "1", "2"]
    header = ["left", "right", "response", "value", "assessor"]
    good = write(compared.parent / "a.csv", [header, [left, right, "clearer_fleck", "left", "A"]])
    assert run("record", good, compared).status == 0
    (row,) = journal(compared)
    assert (row["patch"], row["against"], row["value"], row["stage"]) == (left, right, "1", "topcoated")
    assert "recorded already" in run("record", good, compared).out
    for cells, says in (
        ([left, other, "clearer_fleck", 1, "A"], "are no pair of this comparison"),
        ([left, left, "clearer_fleck", 1, "A"], "are no pair of this comparison"),
        ([left, "", "clearer_fleck", 1, "A"], "compares two patches, and the row names one"),
        ([left, right, "clearer_fleck", "both", "B"], "there are no ties"),
        ([left, right, "figure_clarity", 3, "A"], "is read patch by patch"),
        ([left, "999", "clearer_fleck", 1, "A"], "no patch of this trial has the code '999'"),
    ):
        done = run("record", write(compared.parent / "b.csv", [header, cells]), compared)
        assert done.status == 2
        assert says in done.err
        assert not any(level in done.err for level in LEVELS)
    assert len(journal(compared)) == 1


def test_comparisons_can_be_typed(compared, run, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("left\nboth\nr\nstop\n"))
    done = run("record", "--by-hand", "--assessor", "A", "--only", "clearer_fleck", compared)
    assert done.status == 0, done.err
    assert "there are no ties" in done.err
    assert [row["value"] for row in journal(compared)] == ["1", "0"]


def test_a_plan_of_comparisons_alone_is_checked_taken_in_and_told(folder, run, monkeypatch):
    text = SMALL.split("[[response]]")[0] + COMPARED + '\n[scoring]\nassessors = ["A"]\n'
    (folder / "trial.toml").write_text(text)
    told = run("check", folder)
    assert told.status == 0, told.out
    assert (
        "8 pairs of patches are compared side by side, on 4 pairs of lanes; fewer than 6 cannot settle it" in told.out
    )
    run("plan", folder, "--seed", 1)
    monkeypatch.setattr(sys, "stdin", io.StringIO("left\n" * 10))
    assert "At the prompt: 10 readings" in run("record", "--by-hand", "--assessor", "A", folder).out
    run("close", folder)
    for command in ("analyse", "decide"):
        done = run(command, folder)
        assert done.status == 0, done.err
        assert "Which shows the fleck more clearly? Seal coat" in done.out
    assert run("report", folder).status == 0
