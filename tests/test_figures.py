"""Pictures: they show what the numbers say, stand on their own in a page, hold in grey, and their text fits."""

import math
import re
import shutil
from dataclasses import replace
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import decide
from analysis.report import board_drawings, figures, greys, inline_svg, words
from tests.conftest import EXAMPLE, REPOSITORY
from trials import folder, geometry

TEXT, GRAPHICS = 4.5, 3.0
"""Least contrast of text and of graphics: WCAG 2.2, success criteria 1.4.3 and 1.4.11."""


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    place = tmp_path_factory.mktemp("figures") / "trial"
    shutil.copytree(EXAMPLE, place)
    return folder.load(place)


@pytest.fixture(scope="module")
def decision(trial):
    return decide.decide(trial)


def luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2 (its definition)."""
    shares = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


# --- what they show --------------------------------------------------------------------------------


def ends(axes) -> list[tuple[float, ...]]:
    """Return from and to of every level line that is drawn thick."""
    return [
        tuple(line.get_xdata()) for line in axes.lines if len(line.get_xdata()) == 2 and line.get_linewidth() > 1.5
    ]


def test_gains_are_drawn_where_they_lie(decision):
    for finding in decision.findings:
        response = next(fit.response for fit in decision.analyses if fit.response.name == finding.response)
        (axes,) = figures.gains(finding, response).axes
        expected = [(one.gain_lower, one.gain_upper) for one in words.towards_better(finding)]
        assert ends(axes) == expected
        points = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 1]
        assert points == [one.gain for one in words.towards_better(finding)]
        edges = [band.get_paths()[0].get_extents().x0 for band in axes.collections]
        assert edges == [finding.worth] * len(expected)
        assert f"worth having from {finding.worth:g}" in [text.get_text() for text in axes.texts]
        low, high = axes.get_xlim()
        assert low <= min(0, *map(min, expected))
        assert high >= max(finding.worth, *map(max, expected))


def test_gains_need_an_interval(decision):
    finding = decision.findings[0]
    unknown = tuple(replace(one, gain_lower=math.nan, gain_upper=math.nan) for one in finding.comparisons)
    with pytest.raises(ValueError, match="no comparison with an interval"):
        figures.gains(replace(finding, comparisons=unknown), decision.analyses[0].response)


def test_raw_patches_lie_under_every_mean(trial, decision):
    for analysis in decision.analyses:
        for factor in trial.plan.factors:
            table = analysis.means(factor.name)
            (axes,) = figures.means(analysis, factor, table).axes
            assert ends(axes) == list(zip(table["lower"], table["upper"], strict=True))
            treated = analysis.table.treated
            for at, level in enumerate(factor.levels):
                places = axes.collections[at].get_offsets()
                assert sorted(places[:, 0]) == sorted(treated.loc[treated[factor.name] == level, "value"])
                assert np.abs(places[:, 1] - at).max() < 0.5


def test_a_pair_shows_every_cell(trial, decision):
    analysis = decision.analyses[0]
    carrier, load = trial.plan.factor("carrier"), trial.plan.factor("dye_load")
    table = analysis.means("carrier:dye_load")
    assert figures.arrange(carrier, load) == figures.arrange(load, carrier) == (carrier, load)
    (axes,) = figures.pair(analysis, carrier, load, table).axes
    lines = [line.get_ydata() for line in axes.lines if len(line.get_ydata()) == 3 and line.get_linestyle() == "None"]
    for level, heights in zip(load.levels, lines, strict=True):
        rows = table[table["dye_load"] == level].set_index("carrier")
        assert list(heights) == [rows.loc[name, "mean"] for name in carrier.levels]
    bars = [path.vertices[:, 1] for bars in axes.collections for path in bars.get_paths()]
    assert sorted(map(tuple, bars)) == sorted(zip(table["lower"], table["upper"], strict=True))


@given(st.integers(0, 500))
def test_jitter_stays_in_its_row(number):
    places = figures.jitter(number)
    assert len(places) == number
    assert (np.abs(places) <= 0.5).all()
    assert len(set(places.round(9))) == number


# --- how they look ---------------------------------------------------------------------------------


def test_levels_differ_without_colour():
    styles = [figures.style(at) for at in range(36)]
    assert len(set(styles)) == 36
    first = [style[1:] for style in styles[:6]]
    assert len({marker for marker, _ in first}) == len({dash for _, dash in first}) == 6


def test_tones_can_be_seen_on_white_and_told_apart_in_grey():
    assert min(contrast(tone, "#ffffff") for tone in figures.TONES) >= GRAPHICS
    shades = [luminance(tone) for tone in figures.TONES]
    assert shades == sorted(shades)
    assert min(contrast(figures.INK, ground) for ground in ("#ffffff", figures.BAND)) >= TEXT
    assert contrast(figures.MUTED, "#ffffff") >= TEXT


def test_the_pages_own_colours_have_contrast():
    style = (REPOSITORY / "analysis" / "report" / "templates" / "report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    for name in ("ink", "muted", "bark"):
        for ground in ("#ffffff", colours["pale"]):
            assert contrast(colours[name], ground) >= TEXT


@pytest.mark.parametrize("name", ["x" * 300, "漆" * 100, "shellac 1 lb cut", "m" * 40, "W" * 9])
def test_names_stay_inside_the_picture(trial, decision, name):
    """Measured with the widest usual screen font, DejaVu Sans; a pixel of the renderer's is 1/100 inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    analysis = decision.analyses[2]
    carrier, load = trial.plan.factor("carrier"), trial.plan.factor("dye_load")
    renamed = replace(load, levels=(name, "30 g/L"))
    table = analysis.means("carrier:dye_load")
    table["dye_load"] = table["dye_load"].astype(str).replace("15 g/L", name)
    finding = decision.findings[2]
    long = replace(finding, comparisons=tuple(replace(one, second=name) for one in finding.comparisons))
    pictures = [figures.pair(analysis, carrier, renamed, table), figures.gains(long, analysis.response)]
    for picture in pictures:
        with figures.theme():
            renderer = FigureCanvasAgg(picture).get_renderer()
            inside = picture.bbox.padded(2)
            for text in picture.axes[0].texts:
                box = text.get_window_extent(renderer)
                assert box.x0 >= inside.x0, text.get_text()
                assert box.x1 <= inside.x1, text.get_text()


# --- in a page -------------------------------------------------------------------------------------


@pytest.fixture
def picture(decision):
    return figures.gains(decision.findings[0], decision.analyses[0].response)


def test_an_element_stands_on_its_own(picture):
    text = inline_svg.element(picture, "one", "A title", "What it says & more <b>")
    root = ElementTree.fromstring(text)
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert all(name.startswith("one-") for name in ids)
    assert len(ids) == len(set(ids))
    targets = re.findall(r'href="#([^"]+)"', text) + re.findall(r"url\(#([^)]+)\)", text)
    assert targets
    assert set(targets) <= set(ids)
    assert root.get("aria-labelledby") == "one-title one-desc"
    assert [root[0].text, root[1].text] == ["A title", "What it says & more <b>"]
    assert "font-family" not in text
    assert "http" not in text
    assert not [element.tag for element in root.iter() if element.tag in ("style", "metadata", "script")]
    assert "shellac 1 lb cut instead of none" in [element.text for element in root.iter("text")]


def test_a_picture_is_the_same_each_time_whatever_the_users_settings(decision):
    finding, response = decision.findings[0], decision.analyses[0].response
    before = inline_svg.element(figures.gains(finding, response), "a", "t", "d")
    with matplotlib.rc_context({"axes.facecolor": "red", "font.size": 30, "svg.hashsalt": "other"}):
        again = inline_svg.element(figures.gains(finding, response), "a", "t", "d")
        assert matplotlib.rcParams["font.size"] == 30
    assert before == again


def test_pictures_beside_each_other_share_no_id(picture):
    texts = [inline_svg.element(picture, name, "t", "d") for name in ("a", "b")]
    ids = [set(re.findall(r' id="([^"]+)"', text)) for text in texts]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_text_is_not_read_as_a_formula(decision):
    finding = decision.findings[0]
    sums = replace(finding, comparisons=tuple(replace(one, second="$a_b$ #x") for one in finding.comparisons))
    text = inline_svg.element(figures.gains(sums, decision.analyses[0].response), "a", "t", "d")
    assert "$a_b$ #x instead of none" in text


# --- boards ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lightness", "grey"), [(0, "#000000"), (50, "#777777"), (53.585, "#808080"), (100, "#ffffff")]
)
def test_greys_of_lightness(lightness, grey):
    """L* 50 is sRGB 119 and sRGB 128 is L* 53.585, both worked by hand from CIE 15 and IEC 61966-2-1."""
    assert greys.grey_of_lightness(lightness) == grey


def test_lightness_outside_the_scale_is_clipped():
    assert greys.grey_of_lightness(-3) == "#000000"
    assert greys.grey_of_lightness(104) == "#ffffff"


def test_writing_can_be_read_on_every_grey():
    for level in range(256):
        grey = f"#{level:02x}{level:02x}{level:02x}"
        assert contrast(grey, greys.ink_on(grey)) >= TEXT


def box(place) -> tuple[float, float, float, float]:
    return tuple(map(float, place))


def test_boards_are_drawn_to_scale(trial, decision):
    boards = trial.plan.boards
    values = {int(code): 50.0 for code in trial.patches["patch"]}
    drawn = board_drawings.draw(trial, decision.analyses[2].response, values, "b")
    assert len(drawn) == boards.count
    for board in drawn:
        left, top, width, height = box(board.outline)
        scale = width / boards.length_mm
        assert math.isclose(height / boards.width_mm, scale, rel_tol=2e-3)
        assert len(board.patches) == boards.lanes * boards.strips
        for patch in board.patches:
            row = trial.patches[trial.patches["patch"] == int(patch.code)].iloc[0]
            rect = geometry.patch(boards, int(row["lane"]), int(row["strip"]))
            x, y, long, wide = box(patch.place)
            assert math.isclose((x - left) / scale, rect.x, abs_tol=0.2)
            assert math.isclose((top + height - y - wide) / scale, rect.y, abs_tol=0.2)
            assert math.isclose(long / scale, rect.length, abs_tol=0.2)
            assert patch.kind == ("read control" if row["control"] else "read")
            assert float(patch.value_size) * board_drawings.LETTER_SHARE * len(patch.value) <= long
            assert patch.fill == "#777777"


def test_what_a_board_carries_is_said_beside_it(trial, decision):
    first = board_drawings.draw(trial, None, {}, "b")[0]
    rows = trial.patches[(trial.patches["board"] == 1) & (trial.patches["control"] == "")]
    assert f"Carrier {rows['carrier'].iloc[0]}; dye load {rows['dye_load'].iloc[0]}" in first.words
    lanes = " ".join(label.text for label in first.lanes)
    assert lanes in ("none shellac 1 lb cut", "shellac 1 lb cut none")
    by_strip = rows.drop_duplicates("strip").set_index("strip")["glaze_dwell"].to_dict()
    assert [label.text for label in first.strips] == [by_strip.get(strip, "control") for strip in (1, 2, 3, 4)]
    assert first.more == ()
    for row in rows.to_dict("records"):
        assert (
            f"{row['patch']} (lane {row['lane']}, strip {row['strip']}, seal coat {row['seal_coat']}"
            in first.description
        )
