"""Millimetres on boards and pages: nothing overlaps, nothing leaves the board, nothing is left out."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from trials import geometry
from trials.geometry import Rect
from trials.plan import Boards

TOUCH = 1e-9
"""Millimetres below which two edges are one."""


@st.composite
def boards(draw: st.DrawFn) -> Boards:
    """Boards as a plan may hold them: every patch at least 15 mm each way."""
    tenths = st.integers(0, 300).map(lambda tenth: tenth / 10)
    board = Boards(
        lots=(1,),
        length_mm=draw(st.integers(500, 20000)) / 10,
        width_mm=draw(st.integers(200, 8000)) / 10,
        lanes=draw(st.integers(1, 24)),
        strips=draw(st.integers(1, 30)),
        margin_mm=draw(tenths),
        guard_mm=draw(tenths),
        label_end_mm=draw(tenths),
    )
    assume(board.patch_length_mm >= 15 and board.patch_width_mm >= 15)
    return board


def _patches(board: Boards) -> list[Rect]:
    return [
        geometry.patch(board, lane, strip)
        for lane in range(1, board.lanes + 1)
        for strip in range(1, board.strips + 1)
    ]


def _apart(one: Rect, other: Rect) -> bool:
    return (
        one.x + one.length <= other.x + TOUCH
        or other.x + other.length <= one.x + TOUCH
        or one.y + one.width <= other.y + TOUCH
        or other.y + other.width <= one.y + TOUCH
    )


def _inside(rect: Rect, whole: Rect) -> bool:
    return (
        rect.x >= whole.x - TOUCH
        and rect.y >= whole.y - TOUCH
        and rect.x + rect.length <= whole.x + whole.length + TOUCH
        and rect.y + rect.width <= whole.y + whole.width + TOUCH
    )


@given(boards())
def test_patches_stay_on_the_board_and_off_the_label_end(board: Boards) -> None:
    whole, label_end = geometry.board(board), geometry.label_end(board)
    assert _inside(label_end, whole)
    for patch in _patches(board):
        assert _inside(patch, whole)
        assert _apart(patch, label_end)


@given(boards())
def test_patches_keep_the_guard_between_them(board: Boards) -> None:
    across = [geometry.patch(board, lane, 1) for lane in range(1, board.lanes + 1)]
    along = [geometry.patch(board, 1, strip) for strip in range(1, board.strips + 1)]
    for below, above in pairwise(across):
        assert above.y - (below.y + below.width) == pytest.approx(board.guard_mm, abs=1e-6)
    for before, after in pairwise(along):
        assert after.x - (before.x + before.length) == pytest.approx(board.guard_mm, abs=1e-6)
    assert all(_apart(one, other) for one, other in combinations([*across[1:], *along], 2))


@given(boards())
def test_patches_bands_and_label_end_leave_no_gap(board: Boards) -> None:
    """Every point of the face is patch, tape or label end; points on a shared edge belong to both."""
    rects = [*_patches(board), *geometry.tapes(board), geometry.label_end(board)]
    corners = np.array([[r.x, r.y, r.x + r.length, r.y + r.width] for r in rects])
    along = np.unique(np.round(np.r_[corners[:, 0], corners[:, 2]], 9))
    across = np.unique(np.round(np.r_[corners[:, 1], corners[:, 3]], 9))
    x, y = np.meshgrid((along[1:] + along[:-1]) / 2, (across[1:] + across[:-1]) / 2)
    points = np.c_[x.ravel(), y.ravel()]
    held = np.zeros(len(points), dtype=bool)
    for left, low, right, high in corners:
        held |= (
            (points[:, 0] >= left - 1e-6)
            & (points[:, 0] <= right + 1e-6)
            & (points[:, 1] >= low - 1e-6)
            & (points[:, 1] <= high + 1e-6)
        )
    assert held.all()
    for patch in _patches(board):
        assert all(_apart(patch, band) for band in geometry.tapes(board))


@given(boards())
def test_tape_marks_are_the_patches_edges(board: Boards) -> None:
    marks = geometry.tape_marks(board)
    edges = {round(edge, 2) for patch in _patches(board) for edge in (patch.x, patch.x + patch.length)}
    assert marks["along"] == sorted(edges)
    edges = {round(edge, 2) for patch in _patches(board) for edge in (patch.y, patch.y + patch.width)}
    assert marks["across"] == sorted(edges)


def test_a_board_worked_out_by_hand() -> None:
    """600 × 150 mm, label end 20, margins 5, guards 3: (600 - 20 - 10 - 6) / 3 = 188; (150 - 10 - 3) / 2 = 68.5."""
    board = Boards((12,), 600, 150, lanes=2, strips=3, margin_mm=5, guard_mm=3, label_end_mm=20)
    assert geometry.patch(board, 1, 1) == Rect(25, 5, 188, 68.5)
    assert geometry.patch(board, 2, 3) == Rect(407, 76.5, 188, 68.5)


# --- paper -----------------------------------------------------------------------------------------


@given(st.floats(20, 6000), st.floats(100, 300), st.floats(5, 20))
def test_stretches_cover_overlap_and_fit(extent: float, room: float, overlap: float) -> None:
    stretches = geometry.stretches(extent, room, overlap)
    assert stretches[0][0] == 0
    assert stretches[-1][1] == extent
    for start, end in stretches:
        assert 0 < end - start <= room + 1e-9
    for (_, end), (start, _) in pairwise(stretches):
        assert end - start == pytest.approx(overlap)
    fewest = 1 if extent <= room else int(np.ceil((extent - overlap) / (room - overlap)))
    assert len(stretches) == fewest


def test_stretches_end_on_whole_millimetres() -> None:
    assert geometry.stretches(600, 261, 15) == [(0, 210), (195, 405), (390, 600)]


def test_a_page_smaller_than_the_overlap_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot overlap"):
        geometry.stretches(600, 15, 15)


@given(
    st.lists(st.floats(0, 200), min_size=1, max_size=40).map(sorted),
    st.floats(0.5, 4),
)
def test_labels_are_spread_no_further_than_they_must(places: list[float], gap: float) -> None:
    """With room to spare the smallest moves are those of scipy's isotonic regression."""
    wide = 1000.0
    spread = np.array(geometry.spread(places, gap, -wide, wide))
    assert (np.diff(spread) >= gap - 1e-9).all()
    steps = np.arange(len(places)) * gap
    assert spread == pytest.approx(isotonic_regression(np.array(places) - steps).x + steps, abs=1e-6)


@given(st.lists(st.floats(0, 100), min_size=1, max_size=60).map(sorted))
def test_labels_stay_between_the_limits(places: list[float]) -> None:
    spread = geometry.spread(places, 3.0, 0.0, 100.0)
    assert min(spread) >= -1e-9
    assert max(spread) <= 100 + 1e-9
    assert all(after >= before for before, after in pairwise(spread))
