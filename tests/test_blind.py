"""What names a treatment, and what is written in its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import SMALL, Outcome
from trials import blind
from trials.design import lay_out
from trials.materials.words import is_nothing
from trials.plan import read_plan

NAMED = (
    ("Does 30g/L do? Lacewood", "30 g/L"),
    ("30 G / L against the rest", "30 g/L"),
    ("30 g per litre", "30 g/L"),
    ("thirty or 30?", "30 g/L"),
    ("30 g of dye", "30 g/L"),
    ("half: 0,50 g/L", "0.5 g/L"),
    ("three-minute glaze: 3 minutes", "3 min"),
    ("3min", "3 min"),
    ("What the shellac does", "shellac 1 lb cut"),
    ("SHELLAC_1_LB_CUT.csv", "shellac 1 lb cut"),
    ("sealcoat or not", "seal coat"),
    ("seal-coat or not", "sealcoat"),
    ("Teak oil", "oil"),
    ("oil, or water?", "Oil"),
    ("A against B", "A"),
    ("a against b", "B"),
    ("5 per cent of retarder", "5 %"),
    ("ｓｈｅｌｌａｃ", "shellac"),
    ("grit 150", "150"),
    ("Sycamore, shellacked", "shellac"),
    ("An oiled top", "oil"),
    ("油は良いか", "油"),
    ("a ★ here", "★"),
)
NOT_NAMED = (
    ("Potting soil and toil", "oil"),
    ("oilseed", "oil"),
    ("worth: 2, now 3", "3 min"),
    ("As it was", "A"),
    ("A table of 30 boards", "30 g/L"),
    ("30 min of light", "30 g/L"),
    ("Lacewood 130 g/L", "30 g/L"),
    ("1.3 min", "3 min"),
    ("What a seal does to a counter", "A"),
    ("Reception counter in quartersawn lacewood", "shellac 1 lb cut"),
    ("a b", "★"),
    ("", "oil"),
)


@pytest.mark.parametrize(("text", "treatment"), NAMED)
def test_named_however_it_is_written(text: str, treatment: str) -> None:
    assert blind.names(text, treatment)


@pytest.mark.parametrize(("text", "treatment"), NOT_NAMED)
def test_not_named(text: str, treatment: str) -> None:
    assert not blind.names(text, treatment)


def test_no_code_reads_as_a_level(tmp_path: Path) -> None:
    text = SMALL.replace('"3 min", "6 min"', '"150 g/L", "220 g/L"').replace("count = 4", "count = 190")
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    codes = set(lay_out(read_plan(tmp_path), 3).patches["patch"])
    assert len(codes) == 760
    assert not codes & {150, 220}


def test_the_title_goes_where_it_names_a_level_or_a_control(tmp_path: Path) -> None:
    plan = """
[trial]
title = "{}"
[boards]
count = 4
length = "400 mm"
width = "150 mm"
lanes = 2
[[factor]]
name = "dye_load"
levels = ["15 g/L", "30 g/L"]
laid_on = "lane"
[[control]]
name = "bare wood"
laid_on = "lane"
[[response]]
name = "clarity"
kind = "grade"
"""
    for title, kept in (("Lacewood top", True), ("Does 30g/L do? Lacewood", False), ("Bare-wood lacewood", False)):
        path = tmp_path / "trial.toml"
        path.write_text(plan.format(title))
        shown = blind.title(read_plan(path))
        assert (shown == title) is kept
        assert kept or (shown.startswith("Trial ") and "30" not in shown[:6])


def test_words_on_the_forms_that_name_a_level_are_told(tmp_path: Path, run: Callable[..., Outcome]) -> None:
    text = SMALL.replace('name = "darkness"', 'name = "alcohol_darkness"')
    text += """
[[response]]
name = "blotch"
kind = "grade"
aim = "less"
grades = 2
anchors = ["none in any light", "like bare shellac"]
"""
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    said = list(blind.given_away(plan, is_nothing))
    assert said == [
        "What whoever scores reads of 'alcohol_darkness' names 'alcohol': choose words for what is seen.",
        "What whoever scores reads of 'blotch' names 'shellac': choose words for what is seen.",
    ]
    assert said[0] in run("check", tmp_path).out
