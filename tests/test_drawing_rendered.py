"""Board drawings measured on the paper itself: rendered at 300 dpi, edges found as dark pixels, in mm.

A pixel is 0.085 mm. The distances expected are worked out here from the plan's millimetres alone.
"""

import numpy as np
import pypdfium2
import pytest

from tests.test_structure import plan_of
from trials.design import lay_out
from trials.sheets import drawing, write

DPI = 300
MM = DPI / 25.4


@pytest.fixture(scope="module", params=["a4", "us-letter"])
def page(request, tmp_path_factory):
    """The first board's page of a board of 200 x 100 mm, two lanes and two strips, as (rows, columns) of grey."""
    place = tmp_path_factory.mktemp("drawing")
    plan = plan_of(
        place, {"a": (2, "board"), "b": (2, "lane")}, count=2, lanes=2, strips=2, length='"200 mm"', width='"100 mm"'
    )
    write(plan, lay_out(plan, 1).patches, 1, place / "sheets", request.param, full_scale=True)
    document = pypdfium2.PdfDocument(place / "sheets" / "boards-full-scale.pdf")
    assert len(document) == 1 + 2  # what to do, then one board a page
    picture = document[1].render(scale=DPI / 72).to_numpy()
    return picture[..., :3].mean(axis=2)


def dark_runs(line: np.ndarray, least: int = 1) -> list[float]:
    """Return the middles of the dark runs of a row or column of pixels, in mm."""
    dark = np.flatnonzero(line < 110)
    if not len(dark):
        return []
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return [(group[0] + group[-1] + 1) / 2 / MM for group in groups if len(group) >= least]


def near(found: list[float], expected: float) -> float:
    return min(abs(one - expected) for one in found)


def test_outline_patches_and_rule_lie_where_the_plan_puts_them(page):
    """Found by eye of the renderer alone: the left edge of the wood fixes the origin, all else follows."""
    left, top = drawing.MARGIN_MM + drawing.BESIDE_MM, drawing.MARGIN_MM + drawing.HEAD_MM + drawing.ABOVE_MM
    # 200 mm: label end 20, margins 5, guard 3 leave two strips of 83.5 mm; 100 mm: margins 5, guard 3, two of 43.5
    edges_x = [0, 25, 108.5, 111.5, 195, 200]
    edges_y = [0, 5, 48.5, 51.5, 95, 100]
    across = dark_runs(page[round((top + 10) * MM)])
    down = dark_runs(page[:, round((left + 30) * MM)])
    for edge in edges_x:
        assert near(across, left + edge) < 0.3
    for edge in edges_y:
        assert near(down, top + edge) < 0.3
    # and nothing else is drawn across the patches there but these edges
    inside = [one for one in across if left + 26 < one < left + 107]
    assert not inside


def test_the_rule_is_a_hundred_millimetres(page):
    """The longest dark row near the foot is the check rule."""
    foot = page[-round(25 * MM) :]
    lengths = [(len(row), row) for row in (np.flatnonzero(line < 110) for line in foot)]
    longest = max(
        (np.split(row, np.flatnonzero(np.diff(row) > 1) + 1) for _, row in lengths if len(row)),
        key=lambda groups: max(map(len, groups)),
    )
    run = max(longest, key=len)
    assert (run[-1] - run[0] + 1) / MM == pytest.approx(100, abs=0.3)
