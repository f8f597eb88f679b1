"""Pictures of curves and chances: they show the frames' own numbers, and their words fit, whatever the names."""

import math
from dataclasses import replace
from itertools import combinations

import matplotlib
import numpy as np
import pandas as pd
import pytest

from analysis.curves import drawn
from analysis.curves.no_limits import NoLimits
from analysis.curves.of_trial import (
    CarrierStrength,
    DarkEnough,
    LapWindow,
    LoadNeeded,
    Strength,
    Wait,
    dark_enough,
    lap_window,
    strength,
)  # fmt: skip
from analysis.report import curve_figures, figures, inline_svg
from analysis.schedules import Ranking
from tests.conftest import EXAMPLE, REPOSITORY
from trials import brief as briefs
from trials import folder
from trials.plan import read_plan

NAMES = (
    "water",
    "漆" * 40,
    "$a_b$ <i> 100 %",
    "W" * 60,
    "روغن بزرک",
    "alcohol, denatured, with a tenth of water",
    "É&é",
    "x",
)
WAITS = (1.0, 1.5, 3.0, 5.0, 10.0)


def window(names, *, risk=0.1, measured=False):
    """Return a made window: each carrier's logit line a little later than the one before, limits by a factor."""
    points, curves, waits = [], [], []
    for at, name in enumerate(names):
        half = 1.5 * 1.3**at
        wait = half * (risk / (1 - risk)) ** (1 / 2.5)
        for minutes in WAITS:
            share = round(6 / (1 + (half / minutes) ** 2.5)) / 6
            points.append((name, minutes, math.nan if measured else 6 * share, 6 + at, share, "profile"))
        minutes = drawn.along(WAITS, [wait])
        chance = 1 / (1 + (half / minutes) ** 2.5)
        curves.append(pd.DataFrame({"carrier": name, "minutes": minutes, "chance": chance, "method": "profile"}))
        waits.append(Wait(name, wait, wait / 1.4, wait * 1.5, f"with {name} the edge may wait"))
    return LapWindow(
        "lap_visibility", risk, tuple(waits), "profile", "Said.", measured=measured,
        points=pd.DataFrame(points, columns=list(drawn.LAP_POINTS)), curve=pd.concat(curves, ignore_index=True),
    )  # fmt: skip


def loads(names, target=40.0):
    """Return made lines of L*, each paler than the one before; the last carriers do not reach the target."""
    points, curves, needed = [], [], []
    for at, name in enumerate(names):
        top = 90 + 3 * at
        load = math.exp((top - target) / 15)
        within = 10 <= load <= 40
        for one in (10.0, 20.0, 40.0):
            points += [(name, one, top - 15 * math.log(one) + shift) for shift in (-1.5, -0.5, 0.5, 1.5)]
        along = drawn.along([10.0, 40.0], [load])
        curves.append(pd.DataFrame({"carrier": name, "load": along, "value": top - 15 * np.log(along)}))
        values = (load, load / 1.2, load * 1.3) if within else (math.nan,) * 3
        needed.append(LoadNeeded(name, *values, within, "said", "" if within else "more"))
    return DarkEnough(
        "darkness", target, tuple(needed), "Said.", (), "L*", pd.DataFrame(points, columns=list(drawn.LOADS)),
        pd.concat(curves, ignore_index=True),
    )  # fmt: skip


def strengths(names):
    told = loads(names)
    first = CarrierStrength(names[1], names[0], 1.2, 0.9, 1.7, "said") if len(names) > 1 else None
    rest = [CarrierStrength(name, names[0], 2.0, 0.0, math.inf, "said") for name in names[2:]]
    return Strength("darkness", (first, *rest), 0.5, 0.5, "Said.", (), "L*", told.points, told.curve)


def ranking(levels, *, chance=None):
    """Return a made ranking: every second combination is not tried, the first three are not told from the best."""
    plan = read_plan(EXAMPLE)
    number = len(levels)
    chances = np.linspace(0.9, 0.0, number) if chance is None else np.full(number, chance)
    table = pd.DataFrame(levels, columns=["carrier", "seal_coat"]).assign(
        state=["not tried" if at % 2 else "tried" for at in range(number)], chance=chances,
        lower=np.maximum(chances - 0.2, 0), upper=np.minimum(chances + 0.15, 1), monte_carlo_se=0.01, behind=0.1,
        behind_lower=0.0, behind_upper=0.2, told_from_best=np.arange(number) > 2,
    )  # fmt: skip
    brief = briefs.read(plan.responses, ["darkness at most 40"])
    return Ranking(brief, table, None, 1000, 1, ("No combination can be told.",), ())


# --- text that fits --------------------------------------------------------------------------------


def texts(figure):
    """Return every text that is drawn."""
    found = []
    for axes in figure.axes:
        found += axes.texts
        if axes.axison:
            labels = axes.get_xticklabels() + (axes.get_yticklabels() if axes.yaxis.get_visible() else [])
            found += [axes.xaxis.label, axes.yaxis.label, *labels]
    return [text for text in found if text.get_text() and text.get_visible()]


def assert_fits(figure):
    """Measured with the widest usual screen font, DejaVu Sans: all text on the canvas, no two over each other."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with figures.theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        boxes = [(text.get_text(), text.get_window_extent(canvas.get_renderer())) for text in texts(figure)]
    assert boxes
    whole = figure.bbox.padded(2)
    for words, box in boxes:
        assert whole.x0 <= box.x0, words
        assert box.x1 <= whole.x1, words
        assert whole.y0 <= box.y0, words
        assert box.y1 <= whole.y1, words
    for (one, first), (other, second) in combinations(boxes, 2):
        across = min(first.x1, second.x1) - max(first.x0, second.x0)
        up = min(first.y1, second.y1) - max(first.y0, second.y0)
        assert across < 1 or up < 2, f"{one!r} lies over {other!r}"
    assert min(text.get_fontsize() for text in texts(figure)) * 320 / (72 * figures.WIDTH) * 4 / 3 > 9


@pytest.mark.parametrize("number", range(1, 9))
def test_words_fit_with_so_many_carriers(number):
    names = NAMES[:number]
    assert_fits(curve_figures.lap_window(window(names), 540, 270))
    assert_fits(curve_figures.lap_window(window(names, risk=0.02, measured=True)))
    assert_fits(curve_figures.dye_lines(loads(names)))
    if number > 1:
        assert_fits(curve_figures.dye_lines(strengths(names)))


@pytest.mark.parametrize("piece_s", [1, 40, 61, 180, 3600, 86400])
def test_words_fit_with_any_piece(piece_s):
    assert_fits(curve_figures.lap_window(window(NAMES[:2]), piece_s, piece_s / 2))


@pytest.mark.parametrize("shown", [1, 8, 20])
def test_words_fit_in_a_ranking(shown):
    levels = [(name, other) for name in NAMES for other in ("shellac 1 lb cut", "none", "two coats " * 9)]
    assert_fits(curve_figures.chances(ranking(levels), shown))


def test_names_are_shown_as_they_are_written():
    for name in ("$a_b$ <i> 100 %", "漆漆"):
        figure = curve_figures.lap_window(window([name]))
        assert name in [text.get_text() for text in texts(figure)]
        element = inline_svg.element(figure, "a", "t", "d")
        assert name.replace("<", "&lt;").replace(">", "&gt;") in element


def test_a_picture_is_the_same_each_time_whatever_the_users_settings():
    pictures = [
        lambda: curve_figures.lap_window(window(NAMES[:3]), 540), lambda: curve_figures.dye_lines(loads(NAMES[:3])),
        lambda: curve_figures.chances(ranking([(name, "none") for name in NAMES])),
    ]  # fmt: skip
    for make in pictures:
        before = inline_svg.element(make(), "a", "t", "d")
        with matplotlib.rc_context({"axes.facecolor": "red", "font.size": 30, "text.parse_math": True}):
            assert inline_svg.element(make(), "a", "t", "d") == before


# --- nothing and little ----------------------------------------------------------------------------


def words_of(figure):
    return " ".join(text.get_text() for text in texts(figure))


def test_where_nothing_can_be_told_the_picture_says_so():
    untold = LapWindow("", math.nan, (), "", "How long an edge may wait cannot be told: " + "no reason; " * 20 + ".")
    dark = DarkEnough("", 40, (), "Which load is dark enough cannot be told: nothing is recorded.")
    strong = Strength("", (), math.nan, math.nan, "How strong the carriers are cannot be told: one carrier only.")
    none = ranking([("water", "none")], chance=math.nan)
    pictures = (
        (curve_figures.lap_window(untold, 540), "How long an edge may wait cannot be told"),
        (curve_figures.dye_lines(dark), dark.sentence),
        (curve_figures.dye_lines(strong), strong.sentence),
        (curve_figures.chances(none), none.sentences[0]),
    )
    for made, said in pictures:
        assert_fits(made)
        assert said in words_of(made)
    assert curve_figures.lap_window_told(untold) == curve_figures.dye_lines_told(dark) == []
    assert curve_figures.chances_told(none) == []
    assert curve_figures.lap_window_caption(untold, 540) == untold.sentence
    assert curve_figures.chances_caption(none) == "No combination can be told."


def test_carriers_of_which_nothing_can_be_told_keep_their_points():
    told = window(NAMES[:2])
    nothing = replace(told.waits[1], minutes=math.nan, lower=math.nan, upper=math.nan)
    half = replace(told, waits=(told.waits[0], nothing), curve=told.curve[told.curve["carrier"] == "water"])
    figure = curve_figures.lap_window(half, 60)
    assert_fits(figure)
    assert "cannot be told" in words_of(figure)
    assert len(figure.axes[0].collections[1].get_offsets()) == len(WAITS)
    assert curve_figures.lap_window_caption(half).endswith(
        "at a risk of 1 in 10; how long with 漆" + "漆" * 39 + " cannot be told."
    )
    none = replace(half, waits=(nothing,), sentence="It cannot be told.")
    assert curve_figures.lap_window_caption(none, 60) == "It cannot be told."


def test_one_point():
    told = window(["water"])
    single = replace(told, points=told.points.head(1), curve=told.curve.head(1))
    assert_fits(curve_figures.lap_window(single))
    dye = loads(["water"])
    assert_fits(curve_figures.dye_lines(replace(dye, points=dye.points.head(1), curve=dye.curve.head(1))))
    assert_fits(curve_figures.chances(ranking([("water", "none")])))
    assert_fits(curve_figures.lap_window(window(["all"])))


def test_waits_without_an_end_are_drawn_to_the_edge_of_the_picture():
    told = window(["water", "oil", "naphtha"])
    waits = (
        Wait("water", math.inf, 6.0, math.inf, ""), Wait("oil", 0.01, 0.0, 0.1, ""),
        Wait("naphtha", 4.0, 0.0, math.inf, ""),
    )  # fmt: skip
    figure = curve_figures.lap_window(replace(told, waits=waits))
    assert_fits(figure)
    panel, below = figure.axes
    left, right = panel.get_xlim()
    assert below.get_xlim() == (left, right)
    assert bars(below) == [(6.0, right), (left, pytest.approx(0.1)), (left, right)]
    assert [line.get_marker() for line in below.lines if line.get_marker() in "<>"] == [">", "<", "<", ">"]
    said = words_of(figure)
    assert "6 min or more" in said
    assert "less than 60 s" in said
    assert "longer than tried" in words_of(
        curve_figures.lap_window(replace(told, waits=(Wait("water", math.inf, 0.0, math.inf, ""),)))
    )


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [(12.0, math.inf, "12.0 or more"), (0.0, 30.0, "up to 30.0"), (0, math.inf, "no limits")],
)
def test_loads_without_an_end_are_drawn_and_said(lower, upper, said):
    told = loads(["water"])
    told = replace(told, loads=(replace(told.loads[0], lower=lower, upper=upper),))
    figure = curve_figures.dye_lines(told)
    assert_fits(figure)
    assert said in words_of(figure)


def test_a_wait_without_limits_is_drawn_and_said():
    told = window(["water"])
    waits = (replace(told.waits[0], minutes=4.0, lower=math.nan, upper=math.nan, no_limits=NoLimits.ONE_BOARD),)
    figure = curve_figures.lap_window(replace(told, waits=waits))
    assert_fits(figure)
    assert "limits not known" in words_of(figure)
    waits = (replace(told.waits[0], minutes=4.0, lower=3.0, upper=5.0, no_limits=NoLimits.BETWEEN),)
    assert "3 min but not 5 min" in words_of(curve_figures.lap_window(replace(told, waits=waits)))


def test_a_log_scale_has_no_nought():
    with pytest.raises(ValueError, match="above nought"):
        curve_figures.lap_window(window(["water"]), 0)


# --- the frames' own numbers -----------------------------------------------------------------------


def bars(axes):
    """Return from and to of every thick line."""
    return [tuple(line.get_xdata()) for line in axes.lines if line.get_linewidth() > 2]


def lines(axes, number):
    """Return the data of the curves: the lines with many points, in their order."""
    return [line.get_xydata() for line in axes.lines if len(line.get_xdata()) > 30][:number]


@pytest.fixture(scope="module")
def lapped():
    trial = folder.load(REPOSITORY / "example_trials" / "lap-boards")
    return lap_window(trial), lap_window(trial, response="lap_step")


def test_laps_are_drawn_where_the_frames_have_them(lapped):
    for told in lapped:
        figure = curve_figures.lap_window(told, 240, 120)
        assert_fits(figure)
        panel, below = figure.axes
        for at, wait in enumerate(told.waits):
            points = told.points[told.points["carrier"] == wait.carrier]
            offsets = np.asarray(panel.collections[at].get_offsets())
            assert offsets == pytest.approx(points[["minutes", "share"]].to_numpy())
            curve = told.curve[told.curve["carrier"] == wait.carrier]
            assert lines(panel, 2)[at] == pytest.approx(curve[["minutes", "chance"]].to_numpy())
            middles = [line.get_xdata() for line in below.lines if line.get_markersize() == 7]
            assert middles[at] == pytest.approx([wait.minutes])
            low, high = bars(below)[at]
            assert (low, high) == (max(wait.lower, below.get_xlim()[0]), pytest.approx(wait.upper))
        assert [line.get_ydata()[0] for line in panel.lines if list(line.get_xdata()) == [0, 1]] == [told.risk]
        uprights = [line.get_xdata()[0] for line in panel.lines if list(line.get_ydata()) == [0, 1]]
        assert uprights == [4, 2]
        assert "this piece: 4 min" in words_of(figure)
        assert "with a helper: 2 min" in words_of(figure)


def test_more_looks_make_larger_points():
    told = window(["water"])
    told = replace(told, points=told.points.assign(looks=[1, 2, 3, 4, 5]))
    sizes = curve_figures.lap_window(told).axes[0].collections[0].get_sizes()
    assert (np.diff(sizes) > 0).all()


def test_the_risk_is_on_the_scale_whatever_stands_near_it():
    for risk in (0.02, 0.1, 0.49, 0.97):
        panel = curve_figures.lap_window(window(["water"], risk=risk)).axes[0]
        ticks = dict(zip(panel.get_yticks(), [tick.get_text() for tick in panel.get_yticklabels()], strict=True))
        assert ticks[risk] == f"{100 * risk:g} %"


def test_return_times_are_written_as_at_the_bench():
    panel = curve_figures.lap_window(window(["water"])).axes[0]
    assert [tick.get_text() for tick in panel.get_xticklabels()] == ["60 s", "90 s", "3 min", "5 min", "10 min"]
    assert list(panel.get_xticks()) == list(WAITS)


@pytest.fixture(scope="module")
def dyed():
    trial = folder.load(EXAMPLE)
    return dark_enough(trial, 40), strength(trial)


def test_loads_are_drawn_where_the_frames_have_them(dyed):
    for told in dyed:
        figure = curve_figures.dye_lines(told)
        assert_fits(figure)
        panel, below = figure.axes
        names = list(dict.fromkeys(told.curve["carrier"]))
        points = [line.get_xydata() for line in panel.lines if line.get_markersize() == 3.4]
        assert sorted(map(tuple, np.concatenate(points))) == sorted(
            map(tuple, told.points[["load", "value"]].to_numpy(float))
        )
        for at, name in enumerate(names):
            curve = told.curve[told.curve["carrier"] == name]
            assert lines(panel, len(names))[at] == pytest.approx(curve[["load", "value"]].to_numpy())
        assert [tick.get_text() for tick in panel.get_xticklabels()] == ["15", "30"]
        level = [line.get_ydata()[0] for line in panel.lines if list(line.get_xdata()) == [0, 1]]
        if isinstance(told, DarkEnough):
            assert level == [40]
            assert bars(below) == [(one.lower, one.upper) for one in told.loads if one.within]
            assert "more than 30 g/L" in words_of(figure)
        else:
            assert level == bars(below) == []
            assert f"{told.carriers[1].times:.1f} times" in words_of(figure)


def test_chances_are_drawn_where_the_table_has_them():
    levels = [(name, "none") for name in NAMES]
    made = ranking(levels)
    figure = curve_figures.chances(made, 6)
    axes = figure.axes[0]
    intervals = [line for line in axes.lines if line.get_linewidth() in (3.0, 1.4)]
    table = made.table.head(6)
    found = np.array([line.get_xdata() for line in intervals])
    assert found == pytest.approx(100 * table[["lower", "upper"]].to_numpy())
    assert [line.get_linewidth() for line in intervals] == [3, 3, 3, 1.4, 1.4, 1.4]
    points = [line for line in axes.lines if line.get_marker() in ("D", "o") and len(line.get_xdata()) == 1]
    assert [line.get_xdata()[0] for line in points] == pytest.approx(100 * table["chance"])
    assert [line.get_markerfacecolor() == "white" for line in points] == [False, True] * 3
    assert [text.get_text() for text in axes.texts].count("not tried") == 3
    assert axes.get_xlim()[0] <= 0 < 100 <= axes.get_xlim()[1]
    told = curve_figures.chances_told(made, 6)
    assert told[0] == "carrier water, seal coat none: 90 of 100 (70 to 100), the likeliest"
    assert told[5].endswith("less likely, not tried")
    assert told[6] == "2 more combinations are not drawn"


def test_carriers_are_told_apart_without_colour():
    """In the panel and in the rows each carrier has its own line style and marker, the same in both."""
    figure = curve_figures.lap_window(window([f"c{at}" for at in range(6)]))
    panel, below = figure.axes
    curves = [line for line in panel.lines if len(line.get_xdata()) > 30]
    keys = [line for line in below.lines if line.get_linewidth() == 1.7]
    styles = [line._dash_pattern for line in curves]
    assert len({str(style) for style in styles}) == 6
    assert styles == [line._dash_pattern for line in keys]
    assert [line.get_color() for line in curves] == [line.get_color() for line in keys] == list(figures.TONES)
    assert len({line.get_marker() for line in below.lines if line.get_markersize() == 7}) == 6


# --- in words --------------------------------------------------------------------------------------


def test_captions_state_the_finding(lapped, dyed):
    """The words for it, from numbers made here: waits of 2 min (75 s to 3 min 20 s) and so on."""
    waits = (Wait("water", 6.0, 4.0, 9.0, ""), Wait("alcohol", 2.0, 1.25, 10 / 3, ""), Wait("oil", 3.0, 2.5, 5.0, ""))
    told = replace(window(["water", "alcohol", "oil"]), waits=waits)
    assert curve_figures.lap_window_caption(told) == (
        "The edge may wait 6 min (4 min to 9 min) with water, 2 min (75 s to 3 min 20 s) with alcohol and 3 min "
        "(2 min 30 s to 5 min) with oil at a risk of 1 in 10."
    )
    assert curve_figures.lap_window_caption(told, 220, 140) == (
        "At a risk of 1 in 10 this piece's 3 min 40 s fits with water, and fits with oil only with a helper "
        "(2 min 20 s), and does not fit with alcohol."
    )
    assert curve_figures.lap_window_caption(replace(told, measured=True, risk=0.2), 200).startswith(
        "At a lap index of 20 % this piece's 3 min 20 s fits with water, and may not fit with alcohol or oil"
    )
    for text in (
        *(curve_figures.lap_window_caption(one) for one in lapped),
        *map(curve_figures.dye_lines_caption, dyed),
    ):
        assert text.endswith(".")
        assert ". " not in text
    best = curve_figures.chances_caption(ranking([(name, "none") for name in ("water", "oil", "lye", "gin")]))
    assert best == (
        "Likeliest to meet the brief is carrier water, seal coat none: 90 of 100 patches (70 to 100), but 2 other "
        "combinations may be as good (60 on average over it and these)."
    )


def test_what_is_drawn_is_told(lapped, dyed):
    graded, measured = (curve_figures.lap_window_told(one, 240) for one in lapped)
    row = lapped[0].points.iloc[4]
    assert f"10 min {row['seen']:.0f} of {row['looks']}" in graded[0]
    assert graded[-1] == "this piece waits 4 min"
    assert measured[0].startswith("water: mean lap index after 60 s ")
    oil = curve_figures.dye_lines_told(dyed[0])[2]
    points = dyed[0].points
    means = points[points["carrier"] == "oil"].groupby("load")["value"].mean()
    assert oil.startswith(
        f"oil: mean of what was read at 15 g/L {means[15.0]:.3g}, 30 g/L {means[30.0]:.3g}; line from"
    )
    assert oil.endswith("load for 40 L*: more than 30 g/L")
