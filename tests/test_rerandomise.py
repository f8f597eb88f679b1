"""Randomisation tests against a plain listing of every arrangement, written here without looking at the code."""

import json
from itertools import permutations, product
from math import comb
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis import rerandomise, strata
from trials.errors import UserError

DATA = Path(__file__).parent / "reference" / "data"
BOARD, LANE = {"carrier": ["board"]}, {"carrier": ["board"], "sealer": ["board", "lane"]}


# --- a plain listing -------------------------------------------------------------------------------


def indicator(keys):
    return np.array([[float(key == one) for one in sorted(set(keys))] for key in keys])


def rest(values, *groups):
    """Sum of squares left by least squares on the named groups."""
    columns = np.hstack([indicator(keys) for keys in groups])
    return float(((values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]) ** 2).sum())


def listed_p(values, labels, cells, blocks, others=()):
    """Share of the arrangements of labels within cells that explain as much as the ones given."""
    values, places = np.asarray(values, float), {}
    for at, cell in enumerate(cells):
        places.setdefault(cell, []).append(at)
    ways = [sorted(set(permutations([labels[at] for at in spots]))) for spots in places.values()]
    order = [at for spots in places.values() for at in spots]
    explained = []
    for parts in product(*ways):
        deal = dict(zip(order, (level for part in parts for level in part), strict=True))
        explained.append(rest(values, blocks, *others, [deal[at] for at in range(len(values))]))
    least = rest(values, blocks, *others, labels)
    whole = rest(values, blocks, *others)
    extreme = sum(left <= least + 1e-9 * whole for left in explained)
    return extreme / len(explained), len(explained)


def means(frame, columns):
    """Mean response of each piece, and its keys, by a loop."""
    pieces = {}
    for _, row in frame.iterrows():
        pieces.setdefault(tuple(row[name] for name in columns), []).append(row["y"])
    return list(pieces), [float(np.mean(found)) for found in pieces.values()]


def level_of(frame, columns, factor, keys):
    found = {tuple(row[name] for name in columns): row[factor] for _, row in frame.iterrows()}
    return [found[key] for key in keys]


def some_error_is_left(*groups):
    return rest(np.random.default_rng(0).normal(size=len(groups[0])), *groups) > 1e-9


def assert_as_listed(frame, factor, structure):
    columns = structure[factor]
    keys, values = means(frame, columns)
    blocks = [key[:-1] for key in keys]
    labels = level_of(frame, columns, factor, keys)
    assume(rest(np.array(values), blocks) > 1e-9)
    assume(some_error_is_left(blocks, labels))
    expected, ways = listed_p(values, labels, blocks, blocks)
    result = rerandomise.test(frame, "y", factor, structure)
    assert result.exact
    assert result.arrangements == ways
    assert result.p == pytest.approx(expected, rel=1e-12)


# --- layouts ---------------------------------------------------------------------------------------


def shuffled(draw, levels):
    return draw(st.permutations(levels))


def readings(draw, frame):
    scores = st.lists(st.integers(-3, 3), min_size=len(frame), max_size=len(frame))
    return frame.assign(y=np.array(draw(scores), float) + 0.1)


@st.composite
def boards_in_lots(draw):
    rows = []
    for lot in range(draw(st.integers(1, 3))):
        levels = [
            "oil",
            "water",
            *draw(st.lists(st.sampled_from(["oil", "water", "alcohol"]), min_size=1, max_size=2)),
        ]
        rows += [(f"lot{lot}", board, level) for board, level in enumerate(shuffled(draw, levels))]
    return readings(draw, pd.DataFrame(rows, columns=["lot", "board", "carrier"]))


@st.composite
def lanes_in_boards(draw):
    rows = [
        (board, lane, patch, level)
        for board in range(draw(st.integers(2, 6)))
        for lane, level in enumerate(shuffled(draw, ["none", "thin"]))
        for patch in range(2)
    ]
    return readings(draw, pd.DataFrame(rows, columns=["board", "lane", "patch", "sealer"]))


@st.composite
def strips_over_two_lanes(draw):
    rows = [
        (board, lane, strip, level)
        for board in range(draw(st.integers(2, 3)))
        for strip, level in enumerate(shuffled(draw, [3, 6, 12]))
        for lane in range(2)
    ]
    return readings(draw, pd.DataFrame(rows, columns=["board", "lane", "strip", "dwell"]))


@st.composite
def patches_in_lanes(draw):
    rows = [
        (board, lane, patch, level)
        for board in range(2)
        for lane in range(2)
        for patch, level in enumerate(shuffled(draw, ["a", "b", "b"]))
    ]
    return readings(draw, pd.DataFrame(rows, columns=["board", "lane", "patch", "x"]))


@given(boards_in_lots())
@settings(deadline=None, max_examples=30)
def test_boards_within_lots(frame):
    assert_as_listed(frame, "carrier", {"carrier": ["lot", "board"]})


@given(boards_in_lots())
@settings(deadline=None, max_examples=15)
def test_boards_over_the_whole_trial(frame):
    frame = frame[frame["lot"].isin(["lot0", "lot1"])].assign(board=lambda f: f["lot"] + f["board"].astype(str))
    keys, values = means(frame, ["board"])
    assume(rest(np.array(values), [0] * len(keys)) > 1e-9)
    assume(some_error_is_left(list(frame["carrier"])))
    expected, ways = listed_p(values, list(frame["carrier"]), [0] * len(keys), [0] * len(keys))
    result = rerandomise.test(frame, "y", "carrier", BOARD)
    assert (result.arrangements, result.p) == (ways, pytest.approx(expected, rel=1e-12))


@given(lanes_in_boards())
@settings(deadline=None, max_examples=30)
def test_lanes_within_boards(frame):
    assert_as_listed(frame, "sealer", {"sealer": ["board", "lane"]})


@given(strips_over_two_lanes())
@settings(deadline=None, max_examples=20)
def test_whole_strips_move(frame):
    assert_as_listed(frame, "dwell", {"dwell": ["board", "strip"]})


@given(patches_in_lanes())
@settings(deadline=None, max_examples=20)
def test_patches_within_lanes(frame):
    assert_as_listed(frame, "x", {"x": ["board", "lane", "patch"]})


def two_factors_on_boards(seed, boards=8):
    rng = np.random.default_rng(seed)
    rows = [(board, "ow"[board % 2], "hl"[board // 2 % 2], lane) for board in range(boards) for lane in range(2)]
    frame = pd.DataFrame(rows, columns=["board", "carrier", "load", "lane"])
    frame["sealer"] = np.where(frame["lane"] == frame["board"] % 2, "none", "thin")
    noise = rng.normal(size=len(frame)) + rng.normal(size=boards)[frame["board"]]
    return frame.assign(y=noise + 50 * (frame["load"] == "h") + 20 * (frame["sealer"] == "thin"))


def test_boards_change_places_only_with_boards_of_the_same_load():
    frame = two_factors_on_boards(3)
    keys, values = means(frame, ["board"])
    carrier, load = (level_of(frame, ["board"], name, keys) for name in ("carrier", "load"))
    expected, ways = listed_p(values, carrier, load, [0] * len(keys), [load])
    result = rerandomise.test(frame, "y", "carrier", {**LANE, "load": ["board"]})
    assert ways == 36
    assert (result.arrangements, result.p) == (36, pytest.approx(expected, rel=1e-12))
    assert "same 'load'" in result.notes[0]


# --- interactions ----------------------------------------------------------------------------------


def test_interaction_moves_boards_with_their_differences():
    """Three seal coats: two contrasts a board, listed one by one."""
    rng = np.random.default_rng(8)
    rows = [(board, "oowwaa"[board], lane, "nst"[(lane + board) % 3]) for board in range(6) for lane in range(3)]
    frame = pd.DataFrame(rows, columns=["board", "carrier", "lane", "sealer"]).assign(y=rng.normal(size=18))
    wide = frame.pivot(index="board", columns="sealer", values="y")
    contrasts = [(wide["s"] - wide["n"]) / 2**0.5, (2 * wide["t"] - wide["s"] - wide["n"]) / 6**0.5]
    carriers = list("oowwaa")
    left = [
        sum(rest(contrast.to_numpy(), deal) for contrast in contrasts) for deal in sorted(set(permutations(carriers)))
    ]
    least = sum(rest(contrast.to_numpy(), carriers) for contrast in contrasts)
    result = rerandomise.test(frame, "y", "carrier:sealer", LANE)
    assert result.exact
    assert result.count == sum(one <= least + 1e-9 for one in left)
    assert result.arrangements == len(left) == 90


def test_interaction_of_lanes_and_strips_moves_strips():
    rng = np.random.default_rng(9)
    rows = [
        (board, lane, strip, "nt"[(lane + board) % 2], (strip * (board + 1)) % 3)
        for board in (0, 1, 3)
        for lane in range(2)
        for strip in range(3)
    ]
    frame = pd.DataFrame(rows, columns=["board", "lane", "strip", "sealer", "dwell"]).assign(y=rng.normal(size=18))
    wide = frame.pivot(index=["board", "strip"], columns="sealer", values="y")
    boards = list(wide.index.get_level_values("board"))
    dwell = [(strip * (board + 1)) % 3 for board, strip in wide.index]
    expected, ways = listed_p(wide["t"] - wide["n"], dwell, boards, boards)
    structure = {"sealer": ["board", "lane"], "dwell": ["board", "strip"]}
    result = rerandomise.test(frame, "y", "sealer:dwell", structure)
    assert (result.arrangements, result.p) == (ways, pytest.approx(expected, rel=1e-12))
    assert rerandomise.test(frame, "y", "dwell:sealer", structure).p == result.p


def test_two_factors_on_the_same_boards_have_no_exact_interaction():
    frame = two_factors_on_boards(4)
    structure = {**LANE, "load": ["board"]}
    result = rerandomise.test(frame, "y", "carrier:load", structure, draws=999)
    assert not result.exact
    assert result.notes[0].startswith("Approximate")
    assert result.df == (1, 4)
    keys, values = means(frame, ["board"])
    carrier, load = (level_of(frame, ["board"], name, keys) for name in ("carrier", "load"))
    both = [a + b for a, b in zip(carrier, load, strict=True)]
    error = rest(np.array(values), both)
    assert result.statistic == pytest.approx((rest(np.array(values), carrier, load) - error) * 4 / error, rel=1e-9)
    with pytest.raises(UserError, match="no exact test"):
        rerandomise.test(frame, "y", "carrier:load", structure, statistic="difference")


def test_boards_that_lost_a_lane_are_left_out_of_the_interaction():
    frame = two_factors_on_boards(5)
    lost = frame.drop(index=frame.index[5])
    whole = frame[frame["board"] != frame["board"][5]]
    result = rerandomise.test(lost, "y", "carrier:sealer", LANE)
    assert result.p == rerandomise.test(whole, "y", "carrier:sealer", LANE).p
    assert any("left out" in note for note in result.notes)


# --- the statistic ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("term", "f"), [("variety", 1.49), ("nitro", 37.69), ("variety:nitro", 0.30)])
def test_f_of_the_oats(term, f):
    """Yates (1935), Complex experiments; the printed F, from memory, and the long ones beside the data."""
    frame = pd.read_csv(DATA / "oats-split-plot" / "data.csv")
    expected = json.loads((DATA / "oats-split-plot" / "expected.json").read_text())["aov_strata"]
    name = term.replace("nitro", "N")
    exact, error = next(
        (row["F"], rows[-1]["df"]) for rows in expected.values() for row in rows if row["term"] == name
    )
    structure = {"variety": ["block", "variety"], "nitro": ["block", "variety", "nitro"]}
    result = rerandomise.test(frame, "yield", term, structure, draws=99)
    assert result.statistic == pytest.approx(exact, rel=1e-9)
    assert round(result.statistic, 2) == f
    assert result.df is not None
    assert result.df[1] == error


def test_a_function_as_statistic():
    frame = two_factors_on_boards(6)
    structure = {"sealer": ["board", "lane"]}

    def thin_less_none(values, levels, blocks):
        assert len(values) == len(levels) == len(blocks) == 16
        return values[levels == "thin"].mean() - values[levels == "none"].mean()

    own = rerandomise.test(frame, "y", "sealer", structure, statistic=thin_less_none)
    named = rerandomise.test(frame, "y", "sealer", structure, statistic="difference", alternative="greater")
    assert (own.count, own.p, own.exact) == (named.count, named.p, True)
    assert own.statistic == pytest.approx(named.statistic, rel=1e-12)
    drawn = rerandomise.test(frame, "y", "sealer", structure, draws=500, statistic=thin_less_none)
    assert drawn.interval[0] <= own.p <= drawn.interval[1]


def test_unpacks_as_the_four_first():
    result = rerandomise.test(two_factors_on_boards(1), "y", "sealer", LANE)
    p, draws, exact, statistic = result
    assert (p, draws, exact, statistic) == (result.p, result.draws, result.exact, result.statistic)


def test_smallest_p():
    """Six boards, two carriers: ten ways to split them in halves, so nothing below 0.1 two-sided."""
    frame = pd.DataFrame({"board": range(6), "carrier": list("ooowww"), "y": [1.0, 2, 3, 101, 102, 103]})
    result = rerandomise.test(frame, "y", "carrier", BOARD)
    assert result.p == result.smallest_p == 0.1
    assert any("below 0.1" in note for note in result.notes)
    one_sided = rerandomise.test(frame, "y", "carrier", BOARD, statistic="difference", alternative="greater")
    assert one_sided.p == one_sided.smallest_p == 0.05


# --- what must not matter --------------------------------------------------------------------------


@pytest.mark.parametrize("term", ["carrier", "sealer", "carrier:sealer"])
def test_order_of_rows_and_names_of_pieces_do_not_matter(term):
    frame = two_factors_on_boards(7)
    result = rerandomise.test(frame, "y", term, LANE)
    drawn = rerandomise.test(frame, "y", term, LANE, draws=200, seed=4)
    mixed = frame.sample(frac=1, random_state=2)
    assert rerandomise.test(mixed, "y", term, LANE, draws=200, seed=4).p == drawn.p
    names = {board: f"plank {(board * 5) % 8}: β" for board in range(8)}
    renamed = mixed.assign(board=mixed["board"].map(names), carrier=mixed["carrier"].map({"o": "Öl", "w": "eau"}))
    again = rerandomise.test(renamed, "y", term, LANE)
    assert again.p == result.p
    assert again.statistic == pytest.approx(result.statistic, rel=1e-9)


@pytest.mark.parametrize(("scale", "shift"), [(1e-200, 0.0), (1e140, 0.0), (1.0, 1e9), (-3.0, 7.0)])
def test_unit_and_origin_do_not_matter(scale, shift):
    frame = two_factors_on_boards(7)
    result = rerandomise.test(frame, "y", "sealer", LANE)
    other = rerandomise.test(frame.assign(y=scale * frame["y"] + shift), "y", "sealer", LANE)
    assert other.p == result.p
    assert other.statistic == pytest.approx(result.statistic, rel=1e-5 if shift == 1e9 else 1e-9)


def test_repeated_readings_count_as_one_piece():
    frame = two_factors_on_boards(2)
    apart = pd.concat([frame.assign(y=frame["y"] - 1), frame.assign(y=frame["y"] + 1)])
    assert rerandomise.test(apart, "y", "sealer", LANE).p == rerandomise.test(frame, "y", "sealer", LANE).p


def test_effects_of_other_factors_do_not_disturb_uneven_boards():
    frame = two_factors_on_boards(2).drop(index=[0, 7])
    result = rerandomise.test(frame, "y", "carrier", LANE)
    raised = frame.assign(y=frame["y"] + 1000 * (frame["sealer"] == "thin"))
    other = rerandomise.test(raised, "y", "carrier", LANE)
    assert other.p == result.p
    assert other.statistic == pytest.approx(result.statistic, rel=1e-6)
    assert any("evened out" in note for note in result.notes)


def test_uneven_pieces_count_alike():
    frame = two_factors_on_boards(2).drop(index=[0, 7])
    keys, values = means(frame, ["board"])
    carrier = level_of(frame, ["board"], "carrier", keys)
    expected, _ = listed_p(values, carrier, [0] * 8, [0] * 8)
    result = rerandomise.test(frame, "y", "carrier", BOARD)
    assert result.p == pytest.approx(expected, rel=1e-12)
    assert any("from 1 to 2 readings" in note for note in result.notes)


def test_gaps_are_left_out_with_a_note():
    frame = two_factors_on_boards(2)
    gaps = frame.assign(y=frame["y"].where(frame.index != 3))
    result = rerandomise.test(gaps, "y", "sealer", LANE)
    assert result.arrangements == 2**7
    assert any(note.startswith("1 row with a gap") for note in result.notes)


# --- drawing ---------------------------------------------------------------------------------------


def test_same_seed_same_answer():
    frame = two_factors_on_boards(2)
    first, again, other = (rerandomise.test(frame, "y", "carrier", BOARD, draws=300, seed=seed) for seed in (5, 5, 6))
    assert first == again
    assert first.count != other.count
    assert first.p == (1 + first.count) / 301


def many_boards(boards, lanes=1):
    rng = np.random.default_rng(boards)
    rows = [(board, "ow"[board % 2], lane) for board in range(boards) for lane in range(lanes)]
    frame = pd.DataFrame(rows, columns=["board", "carrier", "sealer"])
    return frame.assign(y=rng.exponential(size=len(frame)) + 0.4 * (frame["carrier"] == "o") * frame["sealer"].add(1))


@pytest.mark.parametrize(
    ("frame", "term", "structure"),
    [
        (two_factors_on_boards(2), "sealer", LANE),  # cells joined into tables
        (many_boards(12), "carrier", BOARD),  # one cell with a table of its own
        (many_boards(20), "carrier", BOARD),  # one cell too large for a table
        (many_boards(20, 3), "carrier:sealer", {**BOARD, "sealer": ["board", "sealer"]}),  # the same, two contrasts
    ],
)
def test_drawn_p_agrees_with_the_exact_one(frame, term, structure):
    exact = rerandomise.test(frame, "y", term, structure)
    assert exact.exact
    within = 0
    for seed in range(40):
        drawn = rerandomise.test(frame, "y", term, structure, draws=2000, seed=seed)
        assert not drawn.exact
        within += drawn.interval[0] <= exact.p <= drawn.interval[1]
    assert within >= 34  # 95% of 40 is 38; below 34 has a chance of 0.0034


def test_draws_are_taken_where_a_list_would_be_too_long():
    result = rerandomise.test(many_boards(24), "y", "carrier", BOARD)
    assert result.arrangements == comb(24, 12) > 200_000
    assert not result.exact
    assert result.draws == 99_999
    assert any("95% interval" in note for note in result.notes)


def test_clopper_pearson():
    """None of n: the upper end is 1 - 0.025^(1/n). Five of ten: 0.187 to 0.813 (tables; from memory)."""
    assert rerandomise.clopper_pearson(0, 10) == (0.0, pytest.approx(1 - 0.025**0.1, rel=1e-12))
    assert rerandomise.clopper_pearson(10, 10) == (pytest.approx(0.025**0.1, rel=1e-12), 1.0)
    assert rerandomise.clopper_pearson(5, 10) == pytest.approx((0.187, 0.813), abs=5e-4)


# --- under no effect (slow) ------------------------------------------------------------------------


def dealt(rng):
    """Twelve boards in two lanes, three carriers by two loads, very skewed errors, nothing has an effect."""
    order = rng.permutation(12)
    rows = [
        (board, lane, "abc"[order[board] % 3], "xy"[order[board] // 3 % 2]) for board in range(12) for lane in (0, 1)
    ]
    frame = pd.DataFrame(rows, columns=["board", "lane", "carrier", "load"])
    frame["sealer"] = np.where(frame["lane"] == rng.integers(0, 2, 12)[frame["board"]], "none", "thin")
    return frame.assign(y=rng.exponential(size=24) + 3 * rng.exponential(size=12)[frame["board"]])


@pytest.fixture(scope="module")
def without_effects():
    """Return 800 trials, made once for all terms; each test reads them only."""
    rng = np.random.default_rng(11)
    return [dealt(rng) for _ in range(800)]


@pytest.mark.slow
@pytest.mark.parametrize("term", ["carrier", "sealer", "carrier:sealer", "carrier:load"])
def test_p_is_uniform_without_effects(without_effects, term):
    structure = {**LANE, "load": ["board"]}
    found = [rerandomise.test(one, "y", term, structure, draws=199, seed=i) for i, one in enumerate(without_effects)]
    p = np.array([result.p for result in found])
    for level in (0.05, 0.1, 0.25, 0.5, 0.75):
        assert abs((p <= level).mean() - level) < 3.3 * (level * (1 - level) / len(p)) ** 0.5


# --- refusals --------------------------------------------------------------------------------------

FRAME = two_factors_on_boards(1)

REFUSED = {
    "same value throughout": (FRAME.assign(y=3.0), "sealer", LANE, "same value in all 16"),
    "one row": (FRAME.iloc[:1], "sealer", LANE, "only one of the 1 rows"),
    "no row": (FRAME.iloc[:0], "sealer", LANE, "none of the 0 rows"),
    "all missing": (FRAME.assign(y=np.nan), "sealer", LANE, "none of the 16 rows"),
    "one level": (FRAME.assign(sealer="thin"), "sealer", LANE, "one level only, 'thin'"),
    "infinite": (FRAME.assign(y=np.inf), "sealer", LANE, "infinite"),
    "words": (FRAME.assign(y="dark"), "sealer", LANE, "'dark', which is not a number"),
    "too large": (FRAME.assign(y=FRAME["y"] * 1e200), "sealer", LANE, "too large"),
    "unknown term": (FRAME, "sealr", LANE, "'sealr' is laid on; write 'sealer'"),
    "unknown column": (FRAME, "sealer", {"sealer": ["board", "lan"]}, "no column 'lan' in the frame; write 'lane'"),
    "varies inside its piece": (FRAME, "sealer", {"sealer": ["board"]}, "both 'none' and 'thin' on board '0'"),
    "two terms": (FRAME, "sealer*carrier", LANE, "is not one term"),
    "unreadable term": (FRAME, "sealer:", LANE, "ends too soon"),
    "no term": (FRAME, "", LANE, "is not one term"),
    "no piece": (FRAME, "sealer", {"sealer": []}, "names no piece"),
    "one board": (
        FRAME[FRAME["board"] == 0],
        "sealer",
        {"sealer": ["board", "lane"]},
        "no error to be judged against",
    ),
    "a board a level": (FRAME.assign(carrier=FRAME["board"]), "carrier", BOARD, "no error to be judged against"),
    "response as factor": (FRAME.assign(sealer=FRAME["y"]), "y", {"y": ["board"]}, "both as the response"),
    "boards alike": (FRAME.assign(y=FRAME["lane"] * 1.0), "carrier", BOARD, "do not differ"),
    "goes with another factor": (
        FRAME.assign(load=FRAME["carrier"]),
        "carrier",
        {**BOARD, "load": ["board"]},
        "cannot be dealt afresh",
    ),
    "interaction goes with its factors": (
        FRAME.assign(load=FRAME["carrier"]),
        "carrier:load",
        {**BOARD, "load": ["board"]},
        "too few combinations",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_sentence(case):
    frame, term, structure, words = REFUSED[case]
    with pytest.raises(UserError) as caught:
        rerandomise.test(frame, "y", term, structure)
    message = str(caught.value)
    assert words in message
    assert len(caught.value.problems) == 1
    assert message.endswith(".")
    assert "\n" not in message


def test_a_difference_needs_two_levels():
    frame = FRAME.assign(carrier=FRAME["board"] % 3)
    with pytest.raises(UserError, match="factors of two levels"):
        rerandomise.test(frame, "y", "carrier", BOARD, statistic="difference")


@pytest.mark.parametrize(
    "choice",
    [
        {"draws": 0},
        {"draws": 2.5},
        {"seed": -1},
        {"statistic": "t"},
        {"alternative": "greater"},
        {"alternative": "up"},
    ],
)
def test_wrong_arguments(choice):
    with pytest.raises(ValueError, match=r"must be|has sides"):
        rerandomise.test(FRAME, "y", "sealer", LANE, **choice)


def test_odd_names_and_levels():
    odd = FRAME.rename(columns={"sealer": "seal: coat*", "board": "board (no.)"})
    odd["seal: coat*"] = odd["seal: coat*"].map({"none": "", "thin": "½ lb: cut"})
    result = rerandomise.test(odd, "y", "seal: coat*", {"seal: coat*": ["board (no.)", "lane"]})
    assert result.p == rerandomise.test(FRAME, "y", "sealer", {"sealer": ["board", "lane"]}).p


# --- places that were evened out ---------------------------------------------------------------------


def evened(boards, levels, seed, gap=None):
    """Boards of two carriers whose strips hold each level equally often at every place, with each carrier."""
    rng = np.random.default_rng(seed)
    each = boards // 2
    square = [np.roll(np.arange(levels), -turn) for turn in range(levels)] * (each // levels)
    rows = [
        {"carrier": "xy"[at // each], "board": at, "strip": strip, "dwell": "pqr"[level]}
        for at in range(boards)
        for strip, level in enumerate(square[at % each])
    ]
    frame = pd.DataFrame(rows)
    frame["y"] = rng.normal(size=boards)[frame["board"]] + rng.normal(size=len(frame)) + 3.0 * frame["strip"]
    return frame if gap is None else frame.drop(index=gap)


STRIP = {"carrier": ["board"], "dwell": ["board", "strip"]}


@pytest.mark.parametrize(("boards", "levels"), [(8, 2), (6, 3), (12, 3)])
def test_only_orders_change_places_where_places_were_evened_out(boards, levels):
    """Every exchange of whole orders between boards of one carrier, listed; the place taken off by least squares."""
    frame = evened(boards, levels, boards + levels)
    orders = [tuple(frame[frame["board"] == board]["dwell"]) for board in range(boards)]
    each = boards // 2
    halves = [sorted(set(permutations(orders[:each]))), sorted(set(permutations(orders[each:])))]
    explained = [
        rest(
            frame["y"].to_numpy(), frame["board"], frame["strip"], [level for order in one + other for level in order]
        )
        for one, other in product(*halves)
    ]
    seen = rest(frame["y"].to_numpy(), frame["board"], frame["strip"], frame["dwell"])
    found = rerandomise.test(frame, "y", "dwell", STRIP, places=["strip"])
    assert found.exact
    assert found.arrangements == found.draws == len(explained)
    assert found.p == pytest.approx(np.mean([left <= seen * (1 + 1e-9) for left in explained]))
    # the places do not show: with any other effect of theirs it is the same
    other = frame.assign(y=frame["y"] - 50.0 * frame["strip"])
    assert rerandomise.test(other, "y", "dwell", STRIP, places=["strip"]).p == found.p


def test_its_f_is_that_of_the_analysis_with_the_place_in_the_model():
    frame = evened(8, 2, 5)
    table = strata.table(
        frame.assign(strip=frame["strip"].astype("category")), "y", "carrier * dwell + strip", ["board"]
    )
    for term in ("dwell", "carrier:dwell"):
        found = rerandomise.test(frame, "y", term, STRIP, places=["strip"])
        row = table.xs(term, level="term").iloc[0]
        assert (found.statistic, found.df) == (pytest.approx(row["f"]), (1, 5))


def test_an_interaction_is_dealt_among_boards_of_one_order():
    """By hand: four boards in each order, two of each carrier: six ways twice."""
    frame = evened(8, 2, 6)
    found = rerandomise.test(frame, "y", "carrier:dwell", STRIP, places=["strip"])
    assert found.arrangements == 36
    shifted = frame.assign(y=frame["y"] + 50.0 * frame["strip"])
    assert rerandomise.test(shifted, "y", "carrier:dwell", STRIP, places=["strip"]).p == found.p


def test_a_board_with_a_gap_keeps_its_order():
    found = rerandomise.test(evened(8, 2, 7, gap=0), "y", "dwell", STRIP, places=["strip"])
    assert found.arrangements == comb(3, 1) * comb(4, 2)  # three whole boards of the first carrier, two in one order


def test_boards_without_a_like_cannot_be_dealt():
    """Of three levels on three boards each pair lies on other strips of every board."""
    frame = evened(6, 3, 8).query("dwell != 'r'")
    with pytest.raises(UserError, match="equally often at each strip"):
        rerandomise.test(frame, "y", "dwell", STRIP, places=["strip"])


def test_drawn_orders_agree_with_all_of_them():
    frame = evened(12, 3, 9)
    every = rerandomise.test(frame, "y", "dwell", STRIP, places=["strip"])
    drawn = rerandomise.test(frame, "y", "dwell", STRIP, 20_000, places=["strip"])
    assert every.exact
    assert not drawn.exact
    assert drawn.interval[0] - 0.01 < every.p < drawn.interval[1] + 0.01
    own = rerandomise.test(
        frame, "y", "dwell", STRIP, places=["strip"],
        statistic=lambda values, levels, _: abs(values[levels == "r"].mean() - values[levels == "p"].mean()),
    )  # fmt: skip
    assert own.draws == every.draws
