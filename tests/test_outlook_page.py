"""What a layout will tell, as a page, as pictures and in a terminal: true to the numbers, whole, safe, readable."""

import math
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from analysis import outlook_page, precision, priors
from analysis.outlook_page import (
    Outlook,
    Size,
    curve_lines,
    expected_figure,
    intervals,
    lines,
    mixed_up,
    mixed_up_figure,
    readers_figure,
    sentences,
    size_figure,
    sizes,
    terminal,
)  # fmt: skip
from analysis.report import figures
from tests.conftest import EXAMPLE, SMALL
from tests.test_figures import GRAPHICS, TEXT, contrast
from tests.test_report import check_form
from trials import phone_page
from trials.design import lay_out
from trials.plan import read_plan
from trials.selection import Alias

UNTOLD = SMALL.replace("count = 4", "count = 2").replace("[scoring]", """\
[[question]]
factor = "carrier"
response = "figure_clarity"
worth = 0.5

[scoring]""")  # fmt: skip
"""Two boards, one for each carrier: nothing judges the carrier."""
MIXED = (
    Alias(("carrier", "dye_load"), ("grain_raising", "topcoat"), 1.0),
    Alias(("carrier",), ("dye_load", "topcoat"), 0.451),
)
HOSTILE = '<script>alert("x")</script> & $a_b$ </title> \u202e漆'


def planned(place, text):
    (place / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(place)


class Case:
    """A plan with its layout and what it will tell."""

    def __init__(self, plan, **more):
        self.plan, self.layout = plan, lay_out(plan, 1)
        answers = precision.expected(plan, self.layout)
        sources = tuple(dict.fromkeys(one.source for one in answers))
        self.outlook = Outlook(plan.title, "Some boards.", answers, sources, **more)

    def page(self, **changes) -> str:
        return outlook_page.page(self.plan, self.layout, replace(self.outlook, **changes))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    plan = planned(tmp_path_factory.mktemp("small"), SMALL)
    case = Case(plan, notes=("Look twice.",))
    (question,) = plan.questions
    prior = priors.working(plan, plan.response(question.response))
    table = precision.size(plan, question, boards=[4, 8, 12, 16])
    read = precision.readers(plan, case.layout, question, prior)
    sized = (Size("seal coat on figure clarity", table, read, question.worth),)
    case.outlook = replace(case.outlook, sizes=sized)
    return case


@pytest.fixture(scope="module")
def example():
    return Case(read_plan(EXAMPLE))


@pytest.fixture(scope="module")
def untold(tmp_path_factory):
    return Case(planned(tmp_path_factory.mktemp("untold"), UNTOLD))


@pytest.fixture(scope="module")
def small_page(small):
    return small.page()


@pytest.fixture
def sized(small):
    return small.outlook.sizes[0]


def texts_of(svg: str) -> list[str]:
    return ["".join(element.itertext()).strip() for element in ElementTree.fromstring(svg).iter("text")]


def flat(page: str) -> str:
    body = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


# --- the page in words -----------------------------------------------------------------------------


def test_the_bench_comes_first_then_pictures_table_confusion_sources(small_page):
    page = check_form(small_page)
    assert f'<meta http-equiv="Content-Security-Policy" content="{phone_page.policy()}">' in small_page
    assert [text.strip() for text in page.texts["h2"]] == [
        "What it means for the piece on the bench", "Can no gain be told from twice the worth?",
        "How many boards a question needs", "Every effect", "What is mixed up", "Where the numbers come from",
    ]  # fmt: skip


def test_what_it_means_is_said_with_the_numbers(small, small_page):
    (one,) = small.outlook.questions
    text = flat(small_page)
    settled, seen = (round(100 * chance) for chance in (one.settles, one.power))
    assert (
        "Seal coat on figure clarity: if shellac truly gains 1 grade (twice what you call worth having), the answer "
        f"will be 'worth it' {settled} times in 100; if it gains nothing, it will be 'not worth it' {settled} "
        "times in 100."
    ) in text
    assert f"Half of that gain, 0.5 grade, will be told from chance {seen} times in 100." in text
    assert f"settled {settled} times in 100" in text
    assert "This layout can judge the question" in text


def test_questions_of_several_levels_and_named_pairs(example):
    text = flat(example.page())
    carrier = next(one for one in example.outlook.questions if one.effect == "carrier")
    pair = carrier.contrast.replace(" - ", " − ")
    settled, none = (round(100 * chance) for chance in (carrier.settles, carrier.says_none))
    assert none < settled
    assert (
        "Carrier on darkness: if one level truly gains 4 L* (twice what you call worth having) over another, the "
        f"rest midway, the answer will be 'worth it' {settled} times in 100; if no level differs, it will be "
        f"'not worth it' {none} times in 100."
    ) in text
    assert f"settled {settled} times in 100 if a level gains, {none} times in 100 if none does" in text
    assert f"about {carrier.half_width:.1f} L* to either side (for {pair}, the pair known least well)" in text
    assert (
        "Glaze dwell on figure clarity: if 3 min truly gains 1 grade (twice what you call worth having) over 12 min"
        in text
    )
    chances = sorted(round(100 * each) for one in example.outlook.questions for each in (one.settles, one.says_none))
    assert len(set(chances)) > 1
    assert f"can judge all 4 questions; it settles them {chances[0]} to {chances[-1]} times in 100." in text


def test_every_effect_has_its_row(example):
    page = check_form(example.page())
    cells = [text.strip() for text in page.texts["td"]]
    rows = [[one.strip() for one in cells[at : at + 6]] for at in range(0, len(cells), 6)]
    effects = [
        one for response in example.plan.responses for one in example.outlook.answers if one.response == response.name
    ]
    assert len(rows) == len(effects)
    for row, one in zip(rows, effects, strict=True):
        assert row[0] == one.contrast.replace(" - ", " − ")
        assert float(row[2]) == pytest.approx(one.error_df, abs=0.05)
        assert float(row[3]) == pytest.approx(one.half_width, rel=0.05)
        chances = ["–", "–"] if one.question is None else [f"{100 * one.power:.0f}", f"{100 * one.settles:.0f}"]
        if one.question and one.level > 0.95 + 1e-9:
            chances[1] += f" / {100 * one.says_none:.0f}"
        assert row[4:] == chances
    heads = [text.strip() for text in page.texts["th"]]
    assert "carrier × dye load" in heads


def test_what_cannot_be_judged_is_said_in_words_and_has_no_row(untold):
    page = check_form(untold.page())
    judged = [one for one in untold.outlook.answers if one.can_be_judged]
    rest = [one for one in untold.outlook.answers if not one.can_be_judged]
    assert any(one.effect == "carrier" for one in rest)
    assert len(page.texts.get("td", [])) == 6 * len(judged)
    for one in rest:
        assert " ".join(one.why_not.split()) in page.flat
    assert "cannot be judged" in page.flat


def test_interactions_left_out_are_named_once(untold):
    text = flat(untold.page())
    assert text.count("Whether the effect of") == len(re.findall("so the two are taken to add up", text)) > 0


def test_nothing_mixed_up_is_a_sentence_not_a_picture(small_page):
    page = small_page
    assert "No two effects are mixed up in this layout." in flat(page)
    assert "mixed-up-title" not in page
    assert mixed_up_figure(()) == ""


def test_mixed_up_effects_are_drawn_and_said_once(small):
    said = "Carrier × dye load cannot be told from grain raising × topcoat."
    page = small.page(mixed_up=MIXED, mixed_up_words=(said,), notes=(said, "Another note."))
    check_form(page)
    assert flat(page).count(said) == 1
    assert "Another note." in page
    assert "No two effects" not in page
    assert "2 pairs of effects are mixed up, 1 of them completely." in flat(page)


def test_sizes_are_tabled_with_their_notes(small_page, sized):
    text = flat(small_page)
    assert sized.table.attrs["notes"][0] in text
    assert sized.readers is not None
    assert sized.readers.attrs["notes"][0] in text
    assert text.count("Working values, not measured (grades") == 1


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.0, "never"), (0.001, "less than once in 100"), (0.01, "1 time in 100"), (0.714, "71 times in 100"),
        (0.9999, "more than 99 times in 100"), (1.0, "100 times in 100"), (math.nan, "we cannot say how often"),
    ],
)  # fmt: skip
def test_chances_in_words(chance, said):
    assert sentences.times(chance) == said


@pytest.mark.parametrize(
    ("exact", "chance", "said"),
    [(True, 0.7, "70 times"), (False, 0.7, "about 70 times"), (False, 0.999, "more than"), (False, 0.0, "never")],
)
def test_about_stands_before_numbers_that_are_not_exact(small, exact, chance, said):
    one = replace(small.outlook.questions[0], exact=exact)
    assert sentences.about(one, sentences.times(chance)).startswith(said)


@pytest.mark.parametrize(
    ("value", "said"), [(0.274, "0.27"), (2.531, "2.5"), (13.2, "13"), (0.0996, "0.10"), (0.0, "0"), (130.0, "130")]
)
def test_amounts_have_two_digits(value, said):
    assert sentences.amount(value) == said


# --- the page as a file ----------------------------------------------------------------------------


def test_equal_inputs_give_equal_bytes(small, tmp_path):
    whole = replace(small.outlook, mixed_up=MIXED)
    one = outlook_page.write(tmp_path / "a" / "foretold.html", small.plan, small.layout, whole)
    other = outlook_page.write(tmp_path / "b.html", small.plan, small.layout, whole)
    assert one == tmp_path / "a" / "foretold.html"
    assert one.read_bytes() == other.read_bytes()
    assert str(tmp_path) not in one.read_text(encoding="utf-8")


def test_nothing_is_fetched_or_run(small):
    page = small.page(mixed_up=MIXED)
    assert not re.search(r"https?:", page)
    assert "<script" not in page
    assert "@import" not in page
    assert set(re.findall(r"url\((.)", page)) <= {"#"}


def test_what_is_typed_in_stays_text(small):
    (one,) = small.outlook.questions
    bad = replace(one, contrast=HOSTILE)
    cannot = replace(one, can_be_judged=False, why_not=HOSTILE)
    names = Size(HOSTILE, small.outlook.sizes[0].table, small.outlook.sizes[0].readers, 0.5)
    alias = (Alias((HOSTILE,), ("b", HOSTILE), 1.0), Alias(("b",), ("c",), 0.4))
    page = small.page(
        title=HOSTILE, boards=HOSTILE, answers=(bad, cannot), sources=(HOSTILE,), notes=(HOSTILE,),
        mixed_up=alias, mixed_up_words=(HOSTILE,), sizes=(names,),
    )  # fmt: skip
    check_form(page)
    assert "<script" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;alert(" in page


def test_no_question_at_all(small):
    rest = tuple(one for one in small.outlook.answers if one.question is None)
    page = small.page(answers=rest, sizes=())
    check_form(page)
    assert "The plan asks no question" in page
    assert "<svg" not in page
    assert lines(replace(small.outlook, answers=rest)) == []
    with pytest.raises(ValueError, match="no question to draw"):
        expected_figure(())


def test_nothing_can_be_judged_and_nothing_is_known(small):
    none = tuple(replace(one, can_be_judged=False, why_not="Too few boards.") for one in small.outlook.answers)
    table = small.outlook.sizes[0].table.assign(half_width=np.nan, power=np.nan, chance=np.nan)
    nothing = replace(small.outlook.sizes[0], table=table, readers=None)
    page = check_form(small.page(answers=none, sizes=(nothing,)))
    assert "The question cannot be judged from this layout." in page.flat
    assert "There is no effect that this layout can judge." in page.flat
    assert "Too few boards." in page.flat
    assert page.flat.count("Too few boards.") == 2
    assert page.of("svg") == []


def test_numbers_that_are_not_known_are_not_printed_as_such(small):
    (one,) = small.outlook.questions
    for unknown in (
        replace(one, settles=math.nan, says_none=math.nan, power=math.nan),
        replace(one, half_width=math.nan),
    ):
        page = check_form(small.page(answers=(unknown,)))
        assert not re.search(r"\bnan\b|\binf\b", page.flat)


def test_twelve_questions(small):
    (one,) = small.outlook.questions
    answers = tuple(replace(one, half_width=0.1 * (1 + at)) for at in range(12))
    many = tuple(replace(small.outlook.sizes[0], words=f"question {at}") for at in range(12))
    page = check_form(small.page(answers=answers, sizes=many))
    assert len(page.of("svg")) == 1 + 3 + 3
    for at in range(12):
        assert f"question {at}" in page.flat


# --- the pictures ----------------------------------------------------------------------------------


def drawn_lines(monkeypatch, module, draw):
    """Return the axes of what a figure function draws, instead of its text."""
    kept = []
    monkeypatch.setattr(module.inline_svg, "element", lambda figure, *_: kept.append(figure) or "")
    draw()
    return kept[0].axes


def test_intervals_are_drawn_in_worths(example, monkeypatch):
    (axes,) = drawn_lines(monkeypatch, intervals, lambda: expected_figure(example.outlook.questions))
    low, high = axes.get_xlim()
    for at, one in enumerate(example.outlook.questions):
        assert one.question is not None
        half = one.half_width / one.question.worth
        thick = [
            line for line in axes.lines if line.get_linewidth() == 3 and at - 0.5 < line.get_ydata()[0] < at + 0.5
        ]
        for centre, height in ((0, at + 0.04), (2, at + 0.26)):
            ends = [x for line in thick if line.get_ydata()[0] == height for x in line.get_xdata()]
            assert min(ends) == pytest.approx(max(centre - half, low))
            assert max(ends) == pytest.approx(min(centre + half, high))
        dotted = [line for line in thick if line.get_linestyle() != "-"]
        assert len(dotted) == (2 if half > 1 else 0)


def test_what_cannot_be_judged_is_written_in_its_row(untold):
    svg = expected_figure(untold.outlook.questions)
    assert texts_of(svg).count("cannot be judged from this layout") == 1
    assert "carrier on figure clarity" in texts_of(svg)
    assert "carrier on figure clarity: cannot be judged" in svg


def test_chances_and_half_widths_are_drawn(sized, monkeypatch):
    upper, lower = drawn_lines(monkeypatch, sizes, lambda: size_figure((sized,)))
    shown = sized.known[sized.known["boards"] <= sizes.last_shown((sized,))]
    assert len(shown) == 4
    xs, ys = upper.lines[1].get_data()
    assert list(xs) == list(shown["boards"])
    assert np.allclose(ys, 100 * shown["chance"])
    xs, ys = lower.lines[0].get_data()
    assert np.allclose(ys, shown["half_width"] / 0.5)
    assert [80, 80] in [list(line.get_ydata()) for line in upper.lines]
    assert [text.get_text().replace("\n", " ") for text in upper.texts][-1] == sized.words


def test_simulated_chances_have_bars_and_open_marks(sized, monkeypatch):
    table = sized.table.assign(method=["exact", "simulated", "exact", "exact"], chance_se=[0, 0.02, 0, 0])
    some = replace(sized, table=table)
    upper, _ = drawn_lines(monkeypatch, sizes, lambda: size_figure((some,)))
    chance = float(table["chance"].iloc[1])
    spans = [list(line.get_ydata()) for line in upper.lines if line.get_marker() == "_"]
    assert spans == [pytest.approx([max(100 * chance - 4, 0), min(100 * chance + 4, 100)])]
    hollow = [line for line in upper.lines if line.get_markerfacecolor() == "white"]
    assert [list(line.get_xdata()) for line in hollow] == [[8.0]]
    drawn = curve_lines(table, 0.8)
    assert sum(row.count("~") for row in drawn) == 1


def test_simulated_chances_are_marked_in_the_table(small, sized):
    table = sized.table.assign(method=["exact", "simulated", "exact", "exact"], chance_se=[0, 0.02, 0, 0])
    text = flat(small.page(sizes=(replace(sized, table=table, readers=None),)))
    assert f"{100 * table['chance'].iloc[1]:.0f} ± 4.0" in text
    assert "What stands after ± is two standard errors" in text
    assert "Open marks are simulated" in text


def test_equal_lines_are_both_seen(sized):
    looks = [sizes._look(at) for at in range(sizes.MOST_LINES)]
    assert [look["linewidth"] for look in looks] == sorted((look["linewidth"] for look in looks), reverse=True)
    assert len({str(look["linestyle"]) for look in looks}) == len(looks)


def test_only_correlated_pairs_have_a_mark(monkeypatch):
    (axes,) = drawn_lines(monkeypatch, mixed_up, lambda: mixed_up_figure(MIXED))
    marks = [line for line in axes.lines if line.get_marker() == "s" and line.get_markerfacecolor()]
    assert len(marks) == len(MIXED) + 2  # and two in the key
    assert [mark.get_markersize() for mark in marks[:2]] == pytest.approx([12.0, 12 * 0.451])
    texts = [text.get_text() for text in axes.texts]
    assert {"carrier", "carrier × dye load", "grain raising × topcoat", "dye load × topcoat"} <= set(texts)
    assert "0.45" in " ".join(texts)
    assert any("complete" in text for text in texts)


def test_of_many_effects_the_worst_mixed_up_are_drawn():
    many = [Alias((f"a{at}",), (f"b{at}",), 1 - at / 40) for at in range(20)]
    assert len(mixed_up.drawn_effects(many)) == mixed_up.MOST_EFFECTS
    assert mixed_up.drawn_pairs(many) == many[:6]
    assert "the 6 among those mixed up most are drawn" in mixed_up_figure(many)


@pytest.mark.parametrize("name", ["漆" * 80, "W" * 40, "a rather long name of " * 9])
def test_names_stay_inside_the_picture(small, sized, name, monkeypatch):
    """Measured with the widest usual screen font, DejaVu Sans; a pixel of the renderer's is 1/100 inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    (one,) = small.outlook.questions
    long = replace(one, effect=name, response=name)
    pairs = [Alias((name,), (name + "y", "b"), 1.0), Alias(("b",), (name, "c"), 0.5), Alias(("c",), ("b", "d"), 0.4)]
    named = replace(sized, words=name)
    for module, draw in (
        (intervals, lambda: expected_figure((long,))), (mixed_up, lambda: mixed_up_figure(pairs)),
        (sizes, lambda: size_figure((named,) * 2)), (sizes, lambda: readers_figure((named,) * 2)),
    ):  # fmt: skip
        figure = drawn_lines(monkeypatch, module, draw)[0].figure
        with figures.theme():
            renderer = FigureCanvasAgg(figure).get_renderer()
            inside = figure.bbox.padded(2)
            for text in [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]:
                box = text.get_window_extent(renderer)
                assert box.x0 >= inside.x0, text.get_text()
                assert box.x1 <= inside.x1, text.get_text()


def every_picture(small, sized) -> list[str]:
    return [
        expected_figure(small.outlook.questions), mixed_up_figure(MIXED), size_figure((sized,) * 4),
        readers_figure((sized,) * 3),
    ]  # fmt: skip


def test_pictures_have_real_text_a_title_and_a_description(small, sized):
    for svg in every_picture(small, sized):
        root = ElementTree.fromstring(svg)
        assert root.get("role") == "img"
        assert [root[0].tag, root[1].tag] == ["title", "desc"]
        assert root[0].text
        assert root[1].text
        assert len(texts_of(svg)) >= 3
        assert float(root.get("width", "0")) <= 430


def test_pictures_hold_in_grey(small, sized):
    """Letters and lines against white as WCAG 2.2 has it; helping lines and the band are paler on purpose."""
    pale = {figures.RULE, figures.BAND, "#ffffff", "#cccccc"}
    for svg in every_picture(small, sized):
        root = ElementTree.fromstring(svg)
        for element in root.iter():
            style = element.get("style") or ""
            least = TEXT if element.tag == "text" else GRAPHICS
            for colour in set(re.findall(r"#[0-9a-f]{6}", style)) - pale:
                assert contrast(colour, "#ffffff") >= least, (element.tag, colour)


def test_a_picture_of_lines_has_room_for_so_many(sized):
    for wrong in ((), (sized,) * 5):
        with pytest.raises(ValueError, match="a picture holds 1 to 4 questions"):
            size_figure(wrong)
        with pytest.raises(ValueError, match="a picture holds 1 to 4 questions"):
            readers_figure(wrong)


# --- in a terminal ---------------------------------------------------------------------------------


def test_bars_stand_on_their_scale():
    row = terminal.bar(0.5)
    assert len(row) == 67
    assert [row.index(mark) for mark in "│├◆┤"] == [22, 33, 44, 55]
    assert terminal.bar(5.0) == "◄" + "─" * 21 + "┼" + "─" * 21 + "◆" + "─" * 21 + "►"
    assert terminal.bar(1.5).index("┼") == 22


def test_lines_fit_a_terminal_and_explain_themselves(example, untold):
    for case in (example, untold):
        found = lines(case.outlook)
        assert found[0] == terminal.LEGEND
        assert max(map(len, found)) <= 80
        assert sum(row.startswith("  0 ") for row in found) == sum(
            one.can_be_judged for one in case.outlook.questions
        )
    chance = round(100 * example.outlook.questions[0].settles)
    assert f"Seal coat on figure clarity (worth 0.5): settled {chance} times in 100" in lines(example.outlook)
    assert "Carrier on figure clarity: " in " ".join(lines(untold.outlook))


def test_a_curve_in_blocks():
    table = pd.DataFrame({"boards": [6, 12, 18], "chance": [math.nan, 0.5, 1.0]})
    assert curve_lines(table, 0.8) == [
        "times in 100 that it is settled (wanted: 80, drawn across)",
        "    100 │           ███",
        "     80 │╌╌╌╌╌╌╌╌╌╌╌███╌",
        "        │           ███",
        "        │           ███",
        "        │      ███  ███",
        "        │      ███  ███",
        "        │      ███  ███",
        "        │      ███  ███",
        "      0 └───────────────",
        " boards    6   12   18",
        " of 100    –   50   100",
    ]


def test_a_long_curve_keeps_what_is_needed(sized):
    boards = np.arange(1, 61) * 6
    table = pd.DataFrame({"boards": boards, "chance": 1 - np.exp(-boards / 100)})
    for chance in (0.5, 0.8, 0.999):
        found = curve_lines(table, chance)
        assert max(map(len, found)) <= 70
        assert len(found) == terminal.HEIGHT + 4
    assert max(map(len, curve_lines(sized.table, 0.8))) <= 70
    with pytest.raises(ValueError, match="a chance lies between 0 and 1"):
        curve_lines(table, 1.0)


# --- in a browser ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Start Debian's Chromium; where there is none the tests are skipped, except in CI."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None and not os.environ.get("CI"):
        pytest.skip("no Chromium on this machine: install Debian's package chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"],
        )
        yield started
        started.close()


def test_the_page_fits_a_phone_and_prints(browser, small, example, tmp_path):
    long = "a_rather_long_name_" * 8
    odd = replace(example.outlook.answers[-1], effect=long, contrast="x" * 90 + " - y")
    whole = replace(
        small.outlook,
        answers=(*example.outlook.answers, odd),
        mixed_up=(*MIXED, Alias((long,), ("b",), 0.5)),
    )
    path = outlook_page.write(tmp_path / "foretold.html", example.plan, example.layout, whole)
    for width in (360, 900):
        context = browser.new_context(viewport={"width": width, "height": 800}, offline=True)
        page = context.new_page()
        asked: list[str] = []
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert [url for url in asked if not url.startswith("file:")] == []
        wide = "[...document.querySelectorAll('table, svg, p')].map(e => e.getBoundingClientRect().right)"
        assert max(page.evaluate(wide)) <= width
        if width == 360:
            for paper in ("A4", "Letter"):
                assert page.pdf(format=paper).startswith(b"%PDF")
        context.close()
