"""The report in a real browser: read by everybody, on a phone, on paper and in grey; alone, and without a script.

Three reports are looked at: the example's, one of a small trial made up here, and a rehearsal of that trial's plan.
Which sections a page has is no matter of these tests. Accessibility is checked against WCAG 2.2; the success criteria
are named beside their checks (numbers from memory).
"""

import io
import re
import shutil
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from PIL import Image

from analysis import decide, rehearse, report
from tests import phones
from tests.conftest import EXAMPLE, SMALL
from tests.phones import TWICE, Watched, broken_rules
from tests.trials_made import trial_of
from trials import folder

pytestmark = pytest.mark.browser
browser = phones.browser  # a fixture, found by its name

WHEN = "2026-11-25T12:00:00Z"
MADE = (
    SMALL.replace("count = 4", "count = 6\nlots = 2").replace("strips = 2", "strips = 3")
    + """
[[response]]
name = "lap_seen"
kind = "yes_no"
aim = "less"

[[question]]
factor = "carrier"
response = "darkness"
worth = 3

[[question]]
factor = "glaze_dwell"
response = "lap_seen"
worth = 0.2

[[control]]
name = "bare"
laid_on = "strip"
"""
)
"""Grades, a colour as measured, yes and no; two lots; a control."""


def by_chance(patch, draw):
    sealed = patch["seal_coat"] == "shellac"
    if patch["response"] == "darkness":
        return round(62 - 9 * (patch["carrier"] == "alcohol") - 4 * (patch["lot"] == 2) + draw.gauss(0, 2), 1)
    if patch["response"] == "lap_seen":
        return float(draw.random() < (0.7 if patch["glaze_dwell"] == "6 min" else 0.3))
    return min(5.0, max(1.0, round(3 + draw.gauss(0, 0.7) + sealed)))


def of_example(place: Path) -> Path:
    shutil.copytree(EXAMPLE, place)
    trial = folder.load(place)
    return report.write(trial, decide.decide(trial), WHEN)


def of_made(place: Path) -> Path:
    trial = trial_of(place, MADE, by_chance, assessors=2)
    return report.write(trial, decide.decide(trial), WHEN)


def of_rehearsal(place: Path) -> Path:
    trial_of(place, MADE, lambda patch, draw: None)
    return rehearse.rehearse(place, seed=5, when=WHEN).page


REPORTS = {"example": of_example, "made": of_made, "rehearsal": of_rehearsal}


@dataclass(frozen=True)
class Shown:
    """A report, and one open page of it that no test writes in."""

    name: str
    file: Path
    page: Any
    watched: Watched
    turned_away: list[str]

    def at(self, width: int, **media: str) -> Any:
        """Return the page on a screen of this width, in light colours and no others unless they are asked for."""
        self.page.set_viewport_size({"width": width, "height": 800})
        self.page.emulate_media(**{"media": "screen", "color_scheme": "light", "forced_colors": "none"} | media)
        return self.page


@pytest.fixture(scope="module", params=REPORTS)
def shown(browser, request, tmp_path_factory) -> Any:
    """Open each report once for all tests of this file; whatever it asks for beside itself is turned away."""
    file = REPORTS[request.param](tmp_path_factory.mktemp("report") / "trial")
    watched = Watched(browser.new_context(viewport={"width": 1280, "height": 800}))
    turned_away: list[str] = []

    def turn_away(route: Any) -> None:
        if route.request.url == file.as_uri():
            route.continue_()
        else:
            turned_away.append(route.request.url)
            route.abort()

    watched.context.route("**/*", turn_away)
    yield Shown(request.param, file, watched.open(file), watched, turned_away)
    watched.context.close()


# --- for everybody ---------------------------------------------------------------------------------


def test_no_accessibility_rule_of_axe_core_is_broken(shown):
    """Deque's open rules for WCAG 2.0 to 2.2, A and AA, and best practice."""
    # contrast takes longer than all other rules together and hangs on the style sheet alone: it is tried on the
    # page with everything on it, and on the one that is marked as a rehearsal
    others = {"color-contrast": {"enabled": False}}
    assert broken_rules(shown.at(1280), others if shown.name == "made" else None) == []
    assert broken_rules(shown.at(320), others) == []
    assert broken_rules(shown.at(1280, forced_colors="active"), others) == []


def test_drawings_can_be_seen_where_the_reader_has_colours_of_his_own(shown):
    """Dark inks on the dark ground that a reader chose would be lost, so a drawing brings a white ground along."""
    page = shown.at(1280, forced_colors="active", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(255, 255, 255)"
    grounds = page.evaluate(
        "[...document.querySelectorAll('main svg[role=img]')].map((one) => getComputedStyle(one).backgroundColor)"
    )
    assert set(grounds) == {"rgb(255, 255, 255)"}


def test_the_answer_comes_first_and_can_be_read_aloud(shown):
    page = shown.at(390)
    assert "answer" in page.locator("h2").first.inner_text().lower()
    assert page.locator("h1").count() == page.locator("main").count() == 1
    assert page.locator("svg:not([role=img]):not([aria-hidden=true])").count() == 0


def test_headings_go_down_by_one_level_at_a_time(shown):
    """WCAG 2.2, success criterion 1.3.1."""
    levels = [int(tag[1]) for tag in all_of(shown, "h1, h2, h3, h4, h5, h6", "one.tagName")]
    assert levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))


def test_every_table_has_a_caption_and_headers_that_say_what_they_head(shown):
    """WCAG 2.2, success criterion 1.3.1."""
    assert shown.page.locator("table").count() > 5
    for captions in all_of(shown, "table", "[...one.querySelectorAll('caption')].map((it) => it.textContent.trim())"):
        assert len(captions) == 1
        assert captions[0]
    assert set(all_of(shown, "thead th", "one.scope")) == {"col"}
    assert set(all_of(shown, "tbody tr", "one.cells[0].tagName + ' ' + one.cells[0].scope")) == {"TH row"}
    assert all_of(shown, "thead td, th:empty", "one.outerHTML") == []


def test_every_figure_says_what_it_shows_before_it_says_where_its_numbers_are(shown):
    captions = all_of(
        shown,
        "figure",
        "[one.querySelectorAll('figcaption').length, (() => { const said = one.querySelector('figcaption')"
        ".cloneNode(true); said.querySelectorAll('.source').forEach((it) => it.remove()); return said.textContent;"
        " })()]",
    )
    assert len(captions) > 10
    for count, said in captions:
        assert count == 1
        assert re.search(r"\w.*\w\)?\.$", " ".join(said.split())), said


# --- alone -----------------------------------------------------------------------------------------


def test_nothing_is_run_and_nothing_is_asked_for(shown):
    shown.at(1280)
    assert all_of(shown, "script, iframe, object, embed, link, img, form", "one.outerHTML") == []
    assert all_of(shown, "*", "one.outerHTML", "[...one.attributes].some((it) => /^on/i.test(it.name))") == []
    assert all_of(shown, "[href], [src], [srcset]", "one.outerHTML", "!one.matches('[href^=\"#\"]')") == []
    assert shown.turned_away == []
    shown.watched.assert_kept_to_itself()
    # put in later, as text that escaped its place would be; the page's policy stops it
    put_in = (
        "() => { const it = document.createElement('script'); it.text = 'window.ran = 1'; document.body.append(it);"
    )
    assert shown.at(1280).evaluate(put_in + " it.remove(); return typeof window.ran; }") == "undefined"


def test_without_a_script_the_page_reads_the_same(shown, browser):
    context = browser.new_context(viewport={"width": 1280, "height": 800}, java_script_enabled=False)
    page = context.new_page()
    page.goto(shown.file.as_uri())
    found = page.locator("body").inner_text()
    context.close()
    assert len(found) > 5000
    assert found == shown.at(1280).locator("body").inner_text()


def test_every_link_has_its_target_and_every_id_is_there_once(shown):
    links = all_of(shown, "a[href]", "one.getAttribute('href')")
    assert len(links) > 10
    assert all_of(shown, "a[href]", "one.outerHTML", "!document.getElementById(one.hash.slice(1))") == []
    assert shown.page.evaluate(TWICE) == []
    named = "it.split(' ').filter((id) => id && !document.getElementById(id))"
    lost = all_of(shown, "[aria-labelledby], [aria-describedby]",
                  f"[one.getAttribute('aria-labelledby'), one.getAttribute('aria-describedby')].filter(Boolean)"
                  f".flatMap((it) => {named})")  # fmt: skip
    assert [id_ for ids in lost for id_ in ids] == []


def test_every_table_of_numbers_named_is_written_beside_the_page(shown):
    named = {file for said in all_of(shown, ".source", "one.textContent") for file in re.findall(r"\S+\.csv", said)}
    assert len(named) > 3
    trial = shown.file.parent.parent  # its own tables, such as the bench's notes, are named without a folder
    assert [name for name in named if not ((shown.file.parent if "/" in name else trial) / name).is_file()] == []


# --- on a screen -----------------------------------------------------------------------------------

BEYOND = """(width) => [...document.querySelectorAll("body *")]
  .filter((one) => one.getClientRects().length && !one.closest(".scroll, .skip, svg svg"))
  .filter((one) => one.getBoundingClientRect().right > width + 0.5 || one.getBoundingClientRect().left < -0.5)
  .map((one) => one.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_the_page_fits_the_screen(shown, width):
    """WCAG 2.2, success criterion 1.4.10: only what needs two directions, a table or a long board, may be pushed."""
    page = shown.at(width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(BEYOND, width) == []
    out_of_reach = "one.scrollWidth > one.clientWidth && !(one.tabIndex === 0 && one.ariaLabel)"
    assert all_of(shown, ".scroll", "one.outerHTML.slice(0, 80)", out_of_reach) == []
    small = "one.textContent.trim() && parseFloat(getComputedStyle(one).fontSize) < 11"
    assert all_of(shown, "p, li, td, th, figcaption", "one.textContent.trim().slice(0, 40)", small) == []


def test_a_wide_table_is_pushed_and_its_heading_stays(shown):
    page = shown.at(320)
    found = page.evaluate(
        "[...document.querySelectorAll('.scroll:has(table)')].filter((one) => one.scrollWidth > one.clientWidth)"
        ".map((one) => { one.scrollLeft = 1e4; const place = one.querySelector('caption').getBoundingClientRect();"
        " const pushed = one.scrollLeft; one.scrollLeft = 0; return [pushed, place.left, place.right]; })"
    )
    assert found
    assert all(pushed > 0 and left >= 0 and right <= 320 for pushed, left, right in found)


# --- in grey ---------------------------------------------------------------------------------------

PATCHES = """(boards) => [...boards.querySelectorAll("rect.read")].map((rect) => {
  let last = "";
  for (let next = rect.nextElementSibling; next && next.tagName !== "rect"; next = next.nextElementSibling)
    if (next.matches(".code, .value")) last = next.textContent;
  const place = rect.getBoundingClientRect(), whole = boards.getBoundingClientRect();
  return [last.split(" · ").pop(), place.left - whole.left + 3, place.top - whole.top + 3];
})"""
"""What is written on each patch that was read, and a point of it that bears no letters."""


def test_in_grey_the_patches_are_as_light_as_their_values_say(shown, in_grey):
    """A print without colours: each patch's value beside the lightness it has in a picture without colours.

    The lightness of a grey: IEC 61966-2-1:1999 and CIE 15:2004, 8.2.1, formulas from memory.
    """
    sets = in_grey.locator(".boards:has(rect.read)").all()
    assert sets
    for boards in sets:
        legend = boards.evaluate("(one) => one.previousElementSibling.textContent")
        found = sorted((number(value), grey) for value, grey in in_picture(boards))
        if "L*" in legend:
            assert all(abs(lightness(grey) - value) < 0.5 for value, grey in found), (legend, found)
            continue
        spread = found[-1][0] - found[0][0]
        assert spread > 0
        assert (
            found[0][1] - found[-1][1] >= 50
        )  # of 255, so that a copier tells them apart: common practice, no source
        steps = [(high - low, dark - light) for (low, dark), (high, light) in pairwise(found)]
        assert all(darker >= 0 for _, darker in steps), (legend, found)
        assert all(darker > 0 for more, darker in steps if more > spread / 50), (legend, found)


@pytest.fixture
def in_grey(shown) -> Any:
    """Take the colours out of the page for one test: a page left so is printed as a picture, without a letter."""
    page = shown.at(1280)
    page.evaluate("document.documentElement.style.filter = 'grayscale(1)'")
    page.evaluate("for (const mark of document.querySelectorAll('.mark')) mark.style.position = 'static'")
    yield page
    page.evaluate("document.documentElement.style.filter = ''")


def lightness(grey: int) -> float:
    """Return CIE 1976 L* of an sRGB grey from 0 to 255, not the darkest."""
    linear = ((grey / 255 + 0.055) / 1.055) ** 2.4
    return 116 * linear ** (1 / 3) - 16


def in_picture(boards: Any) -> list[tuple[str, int]]:
    """Return what is written on each patch and its grey on the screen."""
    picture = Image.open(io.BytesIO(boards.screenshot())).convert("RGB")
    found = []
    for value, x, y in boards.evaluate(PATCHES):
        red, green, blue = picture.getpixel((round(x), round(y)))
        assert red == green == blue
        found.append((value, red))
    return found


def number(text: str) -> float:
    return float({"yes": "1", "no": "0"}.get(text, text.replace("−", "-")))


# --- on paper --------------------------------------------------------------------------------------

MARGIN_PT = 15 / 25.4 * 72
"""As @page in the style sheet."""
LINES = "h1, h2, h3, p, li, dt, dd, caption, th, td, figcaption, svg[role=img] text"
MARKED = """() => document.querySelectorAll("figure").forEach((figure, at) => {
  figure.style.position = "relative";
  for (const [end, edge] of [["begins", "top"], ["ends", "bottom"]]) {
    const mark = document.createElement("span");
    mark.textContent = `figure${at}${end} `;
    mark.className = "pagemark";
    mark.style.cssText = `position: absolute; left: 0; ${edge}: 0; font: 2px/1 sans-serif`;
    figure.append(mark);
  }
})"""
"""Writes where each figure begins and ends, in letters that take no room, so that the print shows its pages."""


@dataclass(frozen=True)
class Printed:
    """A report on A4: the text of each page, the least box that holds it in points, and what should be there."""

    texts: list[str]
    boxes: list[tuple[float, float, float, float]]
    figures: int
    lines: list[str]
    height_pt: float


@pytest.fixture(scope="module")
def printed(shown) -> Printed:
    page = shown.at(680, media="print")  # 180 mm of 96 to the inch: A4 within its margins
    lines = all_of(
        shown, LINES, "one.innerText ?? one.textContent", "one.getClientRects().length && !one.closest('.edge')"
    )
    height_pt = page.evaluate("document.documentElement.scrollHeight") * 0.75
    page.evaluate(MARKED)
    document = pypdfium2.PdfDocument(page.pdf(format="A4"))
    page.evaluate("document.querySelectorAll('.pagemark').forEach((mark) => mark.remove())")
    shown.at(1280)
    texts, boxes = [], []
    for sheet in document:
        words = sheet.get_textpage()
        texts.append(words.get_text_range())
        rows = [words.get_rect(at) for at in range(words.count_rects())]
        left, bottom, right, top = zip(*rows, strict=True)
        boxes.append((min(left), min(bottom), max(right), max(top)))
    return Printed(texts, boxes, page.locator("figure").count(), lines, height_pt)


def test_no_text_is_cut_on_paper(printed):
    """All that the page says stands on the paper, within its margins (the mark of a rehearsal within the sheet)."""
    gaps = r"[\s\-\ufffe]"  # a hyphen where a line ends is not told from one that divides a word
    paper = re.sub(rf"figure\d+(begins|ends)|{gaps}", "", "".join(printed.texts))
    lost = [line for line in printed.lines if re.sub(gaps, "", line) not in paper]
    assert lost == []
    marked = "Rehearsal" in printed.texts[0]
    right = 595.3 - (0 if marked else MARGIN_PT)
    for box in printed.boxes:
        assert box[0] >= MARGIN_PT - 1
        assert box[1] >= MARGIN_PT - 1
        assert box[2] <= right + 1
        assert box[3] <= 841.9 - MARGIN_PT + 1


def test_each_figure_is_on_one_sheet(printed):
    on = {}
    for sheet, text in enumerate(printed.texts):
        for figure, end in re.findall(r"figure(\d+)(begins|ends)", text):
            on.setdefault(int(figure), {})[end] = sheet
    assert sorted(on) == list(range(printed.figures))
    assert [figure for figure, ends in on.items() if ends.get("begins") != ends.get("ends")] == []


def test_no_more_sheets_than_the_page_is_long(printed):
    """What is kept in one piece leaves gaps, which may take a third of the paper; and no sheet is nearly empty."""
    least = printed.height_pt / (841.9 - 2 * MARGIN_PT)
    assert least <= len(printed.texts) <= least * 1.5 + 1
    assert [at for at, text in enumerate(printed.texts[:-1]) if len(text.split()) < 20] == []


def test_it_prints_on_letter_paper_too(shown):
    assert shown.at(1280).pdf(format="Letter").startswith(b"%PDF")


def all_of(shown: Shown, selector: str, value: str, where: str = "true") -> list[Any]:
    """Return a value, in JavaScript, of each element `one` of the page that a condition holds of."""
    return shown.page.evaluate(
        f"(selector) => [...document.querySelectorAll(selector)].filter((one) => {where}).map((one) => {value})",
        selector,
    )
