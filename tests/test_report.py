"""The report: well-formed and complete, every number traceable, nothing typed in breaks it, the odd trial too."""

import csv
import html.parser
import io
import math
import re
import shutil
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from statistics import fmean

import pytest

from analysis import answers, checks, decide, report
from analysis.report import board_drawings, words
from tests.conftest import EXAMPLE, SMALL
from tests.trials_made import trial_of
from trials import cautions, folder
from trials.errors import UserError

WHEN = "2026-04-02T09:30:00Z"
VOID = {"meta", "br", "hr", "img", "input", "link"}
TABLES = {
    "findings", "comparisons", "means", "tests", "variances", "patch_values", "assessors", "controls",
    "agreement", "each_assessor", "one_out", "preferences", "strengths",
    "worth", "costs", "lap_windows", "lap_points", "lap_curves", "dark_enough", "strength", "dye_points",
    "dye_curves", "schedules", "schedule_costs", "confirmation", "three_ways", "next_boards",
}  # fmt: skip


@dataclass
class Page(html.parser.HTMLParser):
    """What a page holds, read as a browser reads it; faults of its structure are gathered."""

    text: str
    open: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    texts: dict[str, list[str]] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)

    def __post_init__(self):
        super().__init__()
        self.feed(self.text)
        self.close()
        if self.open:
            self.faults.append(f"left open: {self.open}")

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.texts.setdefault(tag, []).append("")
        if len({name for name, _ in attrs}) < len(attrs):
            self.faults.append(f"{tag} has an attribute twice")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)
        for tag in set(self.open):
            self.texts[tag][-1] += data

    def handle_comment(self, data):
        self.faults.append(f"comment: {data[:40]}")

    def of(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def flat(self) -> str:
        return " ".join("".join(self.words).split())


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """Return the example's trial and decision, and its report as written."""
    place = tmp_path_factory.mktemp("example") / "trial"
    shutil.copytree(EXAMPLE, place)
    trial = folder.load(place)
    decision = decide.decide(trial)
    path = report.write(trial, decision, WHEN)
    return trial, decision, path


def by_chance(patch, draw):
    return min(5.0, max(1.0, round(3 + draw.gauss(0, 0.7) + (patch["seal_coat"] == "shellac"))))


def written(trial) -> str:
    return report.write(trial, decide.decide(trial), WHEN).read_text(encoding="utf-8")


def check_form(text: str) -> Page:
    """Check what holds of every report, whatever its trial."""
    page = Page(text)
    assert page.faults == []
    assert text.startswith("<!DOCTYPE html>")
    assert page.of("html") == [{"lang": "en"}]
    assert len(page.of("h1")) == len(page.of("main")) == len(page.of("header")) == len(page.of("footer")) == 1
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    check_order_of_headings(page)
    check_references(page, set(ids))
    check_pictures(page)
    check_tables(page)
    assert "nan" not in page.flat.lower().replace("finance", "").split()
    assert "***" not in page.flat
    assert "not significant" not in page.flat.lower()
    return page


def check_order_of_headings(page):
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))


def check_references(page, ids):
    """Nothing is fetched or run, and every reference inside the page leads somewhere."""
    assert not [
        tag for tag, _ in page.elements if tag in ("script", "link", "iframe", "img", "object", "embed", "form")
    ]
    for _, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("href", "src", "xlink:href", "action", "srcset", "data"):
            assert attributes.get(name, "#answer")[0] == "#"
            assert attributes.get(name, "#answer")[1:] in ids
        for value in filter(None, attributes.values()):
            for target in re.findall(r"url\(([^)]*)\)", value):
                assert target[0] == "#"
                assert target[1:] in ids
        for name in ("aria-labelledby",):
            assert set((attributes.get(name) or "").split()) <= ids
    style = "".join(page.texts["style"])
    assert "url(" not in style
    assert "@import" not in style
    assert "@font-face" not in style


def check_pictures(page):
    """Every drawing is a picture with a title and a description, or hidden because it is part of one."""
    inside = {"title": [], "desc": []}
    for tag in inside:
        inside[tag] = [attributes["id"] for attributes in page.of(tag) if "id" in attributes]
    for attributes in page.of("svg"):
        if attributes.get("aria-hidden") == "true":
            continue
        assert attributes["role"] == "img"
        title, description = attributes["aria-labelledby"].split()
        assert title in inside["title"]
        assert description in inside["desc"]
    assert all(text.strip() for text in (*page.texts.get("title", []), *page.texts.get("desc", [])))
    assert len(page.of("figure")) == len(page.of("figcaption"))
    assert all(text.strip() for text in page.texts.get("figcaption", []))


def check_tables(page):
    assert len(page.of("table")) == len(page.of("caption")) == len(page.of("thead"))
    assert all(attributes.get("scope") in ("col", "row") for attributes in page.of("th"))


# --- the example -----------------------------------------------------------------------------------


def test_the_page_is_well_formed_and_whole(example):
    _, decision, path = example
    page = check_form(path.read_text(encoding="utf-8"))
    assert path.name == "report.html"
    for finding in (*decision.findings, *decision.also_seen):
        for sentence in (finding.sentence, *finding.depends):
            assert " ".join(sentence.split()) in page.flat
    assert [text.strip() for text in page.texts["h2"]] == [
        "The answer", "What was asked", "What was found, question by question", "Is it worth its cost?",
        "Which load, which carrier?", "Which schedule meets the brief?", "Grades, counted three ways",
        "What to do next", "The boards", "Two factors together", "Also seen (not asked beforehand)", "Who scored",
        "How far to trust it", "How it was worked out", "Conditions", "How it was made", "How to repeat it",
        "Cautions",
    ]  # fmt: skip


def test_what_the_plan_says_of_itself_stands_before_the_answer(example):
    trial, _, path = example
    text = path.read_text(encoding="utf-8")
    assert text.index(trial.plan.about[:60]) < text.index('id="answer"')


def test_each_verdict_stands_in_a_badge(example):
    _, decision, path = example
    page = Page(path.read_text(encoding="utf-8"))
    badges = [text for text in page.texts["span"] if any(text.endswith(f" {v}") for v in words.VERDICT_MARKS)]
    assert [badge[2:] for badge in badges] == [finding.verdict for finding in decision.findings]
    assert len({sign for _, sign in words.VERDICT_MARKS.values()}) == 4


def test_every_effect_is_said_of_its_pieces(example):
    _, decision, path = example
    flat = Page(path.read_text(encoding="utf-8")).flat
    for analysis in decision.analyses:
        for note in checks.checks(analysis):
            assert note in flat
    assert "Seal coat is laid on lanes along the grain, so it is judged against lanes" in flat
    assert cautions.FOOD in flat
    assert not re.search(r"board:\w", flat), "a term of a formula, not a word of the shop"


@pytest.fixture(scope="module")
def shown(example):
    """Return what the example's report says."""
    trial, decision, _ = example
    return report.content(trial, answers.answers(trial, decision), WHEN)


def test_the_same_trial_gives_the_same_bytes(example, shown, tmp_path):
    """The page of the example is worked out anew; a small one is written anew, tables and all."""
    _, _, path = example
    assert {file.stem for file in path.parent.rglob("*") if file.is_file()} == TABLES | {"report"}
    assert report.page(shown).encode() == path.read_bytes()
    trial = trial_of(tmp_path / "trial", SMALL, by_chance)
    first, again = (files_of(report.write(trial, decide.decide(trial), WHEN)) for _ in range(2))
    assert first == again


def files_of(page: Path) -> dict[Path, bytes]:
    return {file: file.read_bytes() for file in page.parent.rglob("*") if file.is_file()}


def test_the_page_tells_no_time_but_the_one_given(tmp_path):
    trial = trial_of(tmp_path / "trial", SMALL, by_chance)
    found = answers.answers(trial, decide.decide(trial))
    one, other = (
        report.page(report.content(trial, found, when)) for when in ("2026-04-02T09:30:00Z", "2031-01-01T00:00:00Z")
    )
    assert one != other
    assert one.replace("2026-04-02 09:30 UTC", "2031-01-01 00:00 UTC") == other


def test_no_word_of_a_path_stands_in_the_page(example):
    _, _, path = example
    assert str(path.parent.parent) not in path.read_text(encoding="utf-8")


# --- the tables ------------------------------------------------------------------------------------


def read(path: Path, name: str) -> list[dict[str, str]]:
    with (path.parent / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_tables_hold_the_decision_unrounded(example):
    _, decision, path = example
    findings = [*decision.findings, *decision.also_seen]
    for row, finding in zip(read(path, "findings"), findings, strict=True):
        assert (row["factor"], row["response"], row["verdict"]) == (finding.factor, finding.response, finding.verdict)
        assert row["sentence"] == finding.sentence
        assert float(row["gain_lower"]) == finding.leading.gain_lower
        assert row["worth"] == ("" if finding.worth is None else str(finding.worth))
    comparisons = [(finding, one) for finding in findings for one in finding.comparisons]
    for row, (finding, one) in zip(read(path, "comparisons"), comparisons, strict=True):
        assert (row["first"], row["second"]) == (one.first, one.second)
        for name in ("difference", "lower", "upper", "gain", "gain_lower", "gain_upper", "se", "df", "p"):
            assert float(row[name]) == getattr(one, name)
        assert float(row["interval_level"]) == finding.level
    variances = [value for fit in decision.analyses for value in fit.fit.variances]
    assert [float(row["variance"]) for row in read(path, "variances")] == variances
    tests = [value for fit in decision.analyses for value in fit.tests["p"]]
    assert [float(row["p"]) for row in read(path, "tests")] == tests


def test_the_means_of_levels_and_cells_stand_in_a_table(example):
    _, decision, path = example
    rows = {
        (row["response"], row["term"], row["first_level"], row["second_level"]): row for row in read(path, "means")
    }
    for analysis in decision.analyses:
        for effect in analysis.told.effects:
            for mean in analysis.means(effect.name).to_dict("records"):
                levels = [str(mean[name]) for name in effect.factors]
                row = rows.pop((analysis.response.name, effect.name, *levels, *[""] * (2 - len(levels))))
                assert [float(row[name]) for name in ("mean", "lower", "upper")] == [
                    mean[name] for name in ("mean", "lower", "upper")
                ]
    assert rows == {}


def test_the_patch_values_are_the_means_of_the_readings(example):
    trial, _, path = example
    found = read(path, "patch_values")
    assert len(found) == len(trial.patches) * len(trial.plan.responses)
    for row in found[::17]:
        looks: dict[str, list[float]] = {}
        for reading in trial.readings:
            if (reading["patch"], reading["response"]) == (row["patch"], row["response"]):
                looks.setdefault(reading["assessor"], []).append(float(reading["value"]))
        values = [fmean(again) for again in looks.values()]  # second looks count with the first, each assessor alike
        assert math.isclose(float(row["value"]), fmean(values))
        assert int(row["readings"]) == sum(map(len, looks.values()))


def numbers(cell: str) -> list[str]:
    return re.findall(r"\d+(?:\.\d+)?", cell)


def test_every_number_of_a_shown_table_stands_in_its_file(example, shown):
    _, _, path = example
    tables = [
        *(one.table for one in shown.evidence if one.table), *shown.also_tables, *shown.method.tables, shown.controls,
        *(table for part in shown.answered for group in part.section.groups for table in group.tables),
    ]  # fmt: skip
    looked_at = 0
    for table in tables:
        name = Path(table.source).stem
        known = [float(cell) for row in read(path, name) for cell in row.values() if is_number(cell)]
        known += [100 * value for value in known if 0 <= value <= 1]  # shares are shown as so many of 100
        for row in table.rows:
            for cell, numeric in zip(row, table.numeric, strict=True):
                for text in numbers(cell.removesuffix(" of 100")) if numeric and not cell.startswith(ENDS) else ():
                    decimals = len(text.partition(".")[2])
                    shown_as = {f"{abs(value):.{decimals}f}" for value in known} | {f"{v:.3g}" for v in known}
                    assert text in shown_as, (table.caption, row)
                    looked_at += 1
    assert looked_at > 300


ENDS = ("< 0.001", "less than 1 of", "more than 99 of")


def is_number(text: str) -> bool:
    return re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", text) is not None


def test_the_numbers_in_the_pictures_stand_in_the_tables(example):
    _, _, path = example
    page = Page(path.read_text(encoding="utf-8"))
    means = {f"{float(row['mean']):.2f}" for row in read(path, "means")}
    descriptions = [
        text
        for text, attributes in zip(page.texts["desc"], page.of("desc"), strict=True)
        if re.match(r"pair-\d", attributes["id"])
    ]
    cells = [cell for text in descriptions for cell in re.findall(r": (\d\.\d\d) \(", text)]
    assert len(cells) > 20
    assert set(cells) <= means


# --- what a person may type ------------------------------------------------------------------------

NASTY = """</title><script>alert(1)</script> "quoted" 'so' ]]> <!-- & $x^2$ {{ 7*7 }} {% raw %}"""
LONG = "漆" * 150
TURNED = "воск \u202eabc עברית"
BELL = 'bell\u0007 url(#a) id="b"'


def toml(text: str) -> str:
    return '"' + "".join(f"\\u{ord(c):04x}" if c in '"\\' or ord(c) < 32 else c for c in text) + '"'


@pytest.fixture(scope="module")
def nasty(tmp_path_factory):
    text = SMALL.replace('"Hall cabinet in quartersawn sycamore"', toml(NASTY))
    text = text.replace('"alcohol"', toml(NASTY)).replace('"shellac"', toml(LONG))
    text = text.replace('["3 min", "6 min"]', f"[{toml(TURNED)}, {toml(BELL)}]")
    text = text.replace('"L*"', toml("<b>L</b> $"))
    text += f'\n[[step]]\nname = {toml(NASTY)}\n[[control]]\nname = {toml(NASTY)}\nlaid_on = "board"\n'
    text = text.replace("count = 4", "count = 5").replace("[trial]", f"[trial]\nabout = {toml(NASTY)}")
    trial = trial_of(tmp_path_factory.mktemp("nasty") / "t", text, lambda patch, draw: 3 + draw.gauss(0, 0.5), 1, 2)
    return trial, written(trial)


def test_typed_text_prints_as_text(nasty):
    _, text = nasty
    page = check_form(text)
    assert page.texts["h1"] == [words.clean(NASTY)]
    assert "<script" not in text.lower()
    assert page.flat.count("alert(1)") > 10
    assert "{{ 7*7 }}" in page.flat
    assert "$x^2$" in page.flat
    in_pictures = "".join(page.texts["text"])
    assert "<scrip" in in_pictures
    assert "$x" in "".join(page.texts["desc"])
    assert "\u0007" not in text
    assert "\u202e" not in text
    assert [sentence for sentence in page.texts["p"] if "\u2068עברית\u2069" in sentence]
    assert LONG in page.flat
    assert LONG not in in_pictures


def test_typed_text_stays_as_it_is_in_the_tables(nasty):
    trial, _ = nasty
    path = trial.folder.report / "report.html"
    assert {row["second"] for row in read(path, "comparisons")} >= {LONG, NASTY}


# --- trials out of the ordinary --------------------------------------------------------------------

NO_CARRIER = SMALL.replace('[[factor]]\nname = "carrier"\nlevels = ["water", "alcohol"]\nlaid_on = "board"\n', "")
ONE_FACTOR = """\
[trial]
title = "One factor"
[boards]
count = 6
length = "300 mm"
width = "100 mm"
lanes = 2
[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"
[[response]]
name = "blotchy"
kind = "yes_no"
aim = "less"
"""


def make(tmp_path, text, value=by_chance, assessors=1):
    trial = trial_of(tmp_path / "trial", text, value, assessors=assessors)
    text = written(trial)
    return trial, check_form(text)


def test_a_response_without_readings_is_said_to_have_none(tmp_path):
    _, page = make(tmp_path, SMALL, lambda p, d: None if p["response"] == "darkness" else by_chance(p, d))
    assert "Darkness: nothing is recorded of darkness yet" in page.flat
    assert "Figure clarity by carrier" in page.flat


def test_nothing_read_at_all_still_shows_the_boards(tmp_path):
    trial, page = make(tmp_path, SMALL, lambda p, d: None)
    assert "cannot be told from this layout" in page.flat
    assert "What the boards carry" in page.flat
    assert {str(code) for code in trial.patches["patch"]} <= set(page.texts["text"])


def test_equal_readings_are_shown_though_nothing_can_be_fitted(tmp_path):
    _, page = make(tmp_path, SMALL, lambda p, d: 3.0)
    assert "All patches that were read have the same value" in page.flat
    assert page.texts["text"].count("3") == 16


def test_a_single_board(tmp_path):
    _, page = make(tmp_path, NO_CARRIER.replace("count = 4", "count = 1"))
    assert "Board 1" in page.flat
    assert "cannot be told" in page.flat


def test_a_factor_that_cannot_be_judged_has_means_without_intervals(tmp_path):
    text = SMALL.replace("count = 4", "count = 2").replace('factor = "seal_coat"', 'factor = "carrier"')
    trial, page = make(tmp_path, text)
    assert "one board for each setting" in page.flat
    assert "no interval can be given" in page.flat
    rows = [row for row in read(trial.folder.report / "report.html", "means") if row["term"] == "carrier"]
    assert rows
    assert all(row["mean"] and not row["lower"] for row in rows)


def test_one_factor_answered_yes_or_no_without_questions(tmp_path):
    _, page = make(
        tmp_path, ONE_FACTOR, lambda p, d: float(d.random() < (0.9 if p["seal_coat"] == "none" else 0.3)), 2
    )
    assert "The plan asked no question" in page.flat
    assert "Yes counts as 1 and no as 0" in page.flat
    assert "of their answers are the same" in page.flat
    assert {"yes", "no"} <= set(page.texts["text"])
    assert "The plan names no steps." in page.flat
    assert "No bench notes were recorded." in page.flat
    assert "The model holds no two factors" in page.flat


def test_a_target_is_drawn_and_gains_are_closeness(tmp_path):
    text = SMALL.replace('aim = "less"', "aim = 3.5").replace(
        'response = "figure_clarity"\nw', 'response = "darkness"\nw'
    )
    _, page = make(tmp_path, text, lambda p, d: 3 + d.gauss(0, 0.3) + (p["seal_coat"] == "shellac") * 0.4)
    assert "target 3.5" in page.texts["text"]
    assert "closer to 3.5 L* (right is better)" in page.texts["text"]


def test_a_response_read_on_some_patches_only(tmp_path):
    text = SMALL.replace("count = 4", "count = 8")
    trial, page = make(tmp_path, text, lambda p, d: by_chance(p, d) if p["board"] < 7 else None)
    assert page.texts["text"].count(board_drawings.UNREAD) == 16
    assert "patches have no reading" in page.flat
    unread = [row for row in read(trial.folder.report / "report.html", "patch_values") if not row["value"]]
    assert len(unread) == 16
    assert {row["readings"] for row in unread} == {"0"}


def test_as_many_boards_and_lanes_as_there_are(tmp_path):
    levels = ", ".join(f'"{load} g/L"' for load in range(1, 25))
    text = (
        ONE_FACTOR.replace("count = 6", "count = 24").replace("lanes = 2", "lanes = 24").replace("100 mm", "480 mm")
    )
    text = text.replace('["none", "shellac"]', f"[{levels}]").replace('"yes_no"', '"measure"')
    trial, page = make(tmp_path, text, lambda p, d: 60 - float(str(p["seal_coat"]).split()[0]) + d.gauss(0, 1))
    codes = re.findall(r"\d{3} · ", " ".join(page.texts["text"]))
    assert len(codes) == len(trial.patches) == 24 * 24


def test_what_single_patches_carry_and_which_are_controls_is_said(tmp_path):
    text = SMALL.replace('name = "glaze_dwell"\nlevels = ["3 min", "6 min"]\nlaid_on = "strip"',
                         'name = "sheen"\nlevels = ["matt", "satin"]\nlaid_on = "patch"')  # fmt: skip
    text = text.replace("strips = 2", "strips = 3") + '\n[[control]]\nname = "bare"\nlaid_on = "strip"\n'
    trial, page = make(tmp_path, text, lambda p, d: 3 + d.gauss(0, 0.3))
    satin = trial.patches[(trial.patches["board"] == 1) & (trial.patches["sheen"] == "satin")]["patch"]
    assert f"Sheen satin: {', '.join(sorted(map(str, satin)))}." in page.flat
    assert len([attributes for attributes in page.of("rect") if attributes.get("class") == "read control"]) == 2 * 8
    assert "The controls" in page.flat
    row = read(trial.folder.report / "report.html", "controls")[0]
    assert (row["control"], row["patches"]) == ("bare", "8")


def test_a_question_of_afterwards_is_marked(tmp_path):
    trial = trial_of(tmp_path / "trial", SMALL, by_chance)
    assert "not asked beforehand" not in Page(written(trial)).texts["span"]
    place = trial.folder.plan_file
    place.write_text(place.read_text(encoding="utf-8").replace("worth = 0.5", "worth = 0.4"), encoding="utf-8")
    changed = replace(folder.load(trial.folder.path), readings=trial.readings)
    page = check_form(written(changed))
    assert page.texts["span"].count("not asked beforehand") == 1
    assert "added or changed after the boards were laid out" in page.flat
    assert "no, later" in page.texts["td"]


# --- in words --------------------------------------------------------------------------------------


def test_assessors_are_compared_in_plain_words(tmp_path):
    """Four marks: B lies 0.5, 0.5, 0.5 and 1.5 above A, so 0.75 on average and within half a grade thrice of four."""
    steps = iter([0.5, 0.5, 0.5, 1.5] * 8)
    text = SMALL.replace('aim = "more"', 'aim = "more"\nhalf_grades = true')

    def value(patch, draw):
        if patch["assessor"] == "A":
            return 2.0 + 0.5 * (patch["seal_coat"] == "shellac") + 0.5 * (patch["strip"] == 1) * (patch["board"] == 2)
        return value(patch | {"assessor": "A"}, draw) + next(steps)

    _, page = make(tmp_path, text, value, 2)
    assert (
        "B read 0.75 grade clearer than A on average, over 16 patches that both have read; 75% of their" in page.flat
    )


def test_conditions_are_summed_up_step_by_step(tmp_path):
    trial = trial_of(tmp_path / "trial", SMALL, by_chance)
    empty = dict.fromkeys(folder.CONDITION_COLUMNS, "")
    notes = [
        empty | {"step": "dye", "board": "1", "temperature_c": "19.5", "started_at": "2026-03-16T08:00:00"},
        empty | {"step": "dye", "board": "2", "temperature_c": "21", "humidity_pct": "44", "note": "window open"},
        empty | {"step": "seal", "humidity_pct": "51"},
    ]
    shown = report.content(replace(trial, conditions=tuple(notes)), decide.decide(trial), WHEN).conditions
    assert shown.tables[0].rows == (
        ("dye", "2", "2026-03-16 08:00", "19.5 to 21", "44"),
        ("seal", "1", "", "", "51"),
    )
    assert len(shown.tables[1].rows) == 3
    assert shown.tables[1].rows[1][-1] == "window open"


@pytest.mark.parametrize(
    ("value", "decimals", "shown"),
    [(-0.004, 2, "0.00"), (-0.006, 2, "−0.01"), (1234.5, 0, "1234"), (math.nan, 1, "not known")],
)
def test_numbers_have_a_true_minus_and_nought_has_none(value, decimals, shown):
    assert words.number(value, decimals) == shown


def test_digits_are_those_of_the_sentences():
    """The half-width shows two digits: 0.23 has two decimals, 2.3 has one, 23 has none."""
    assert [words.interval(-half, half) for half in (0.23, 2.3, 23)] == ["−0.23 to 0.23", "−2.3 to 2.3", "−23 to 23"]
    response = replace(folder.read_plan(EXAMPLE).responses[0])
    for lower, upper in ((0.123, 0.91), (1.0, 7.77), (-3.21, 44.0)):
        said = re.findall(r"[\d.]+", decide.interval_words(response, lower, upper))
        assert re.findall(r"[\d.]+", words.interval(lower, upper)) == said


def test_a_folder_that_cannot_be_written_is_the_users_to_mend(tmp_path):
    trial = trial_of(tmp_path / "trial", SMALL, by_chance)
    trial.folder.report.write_text("in the way", encoding="utf-8")
    with pytest.raises(UserError, match="cannot be written"):
        report.write(trial, decide.decide(trial), WHEN)


def test_no_table_holds_what_a_spreadsheet_would_run(tmp_path):
    text = SMALL.replace('"shellac"', '"=HYPERLINK(1)"')
    loaded = trial_of(tmp_path / "trial", text, lambda patch, draw: 3 + round(draw.gauss(0, 0.8)), assessors=2)
    page = report.write(loaded, decide.decide(loaded), WHEN)
    written = [path.read_text(encoding="utf-8") for path in (page.parent / "tables").glob("*.csv")]
    cells = [cell for table in written for row in csv.reader(io.StringIO(table)) for cell in row]
    assert "'=HYPERLINK(1)" in cells
    assert not [cell for cell in cells if cell.startswith("=")]
