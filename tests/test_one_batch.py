"""The mix command, the [bench] table, and check's word on materials, as a finisher meets them.

Check values: NIST Handbook 44 (2024), Appendix C, for the units; the loads and cuts are own arithmetic from them.
"""

import json

import pytest

from tests.conftest import EXAMPLE, SMALL
from tests.test_cli import wrong
from trials.errors import UserError
from trials.plan import read_plan


def mixed(run, *words):
    done = run("mix", *words)
    assert done.status == 0, done.err
    return done.out


def test_an_ounce_by_weight_to_the_quart(run):
    """1 oz (28.349523125 g) in 1 US qt (946.352946 mL) is 29.957 g/L."""
    text = mixed(run, "--volume", "1 US qt", "--load", "1 oz (weight)/qt")
    assert "Weigh 28.3 g (1.00 oz by weight) of dye powder into 946 mL" in text
    assert "30.0 g/L" in text
    assert "per litre OF CARRIER" in text
    assert "Made UP TO" in text
    assert "--basis" in text
    assert "Dye powder:" in text
    data = json.loads(run("mix", "--volume", "1 US qt", "--load", "1 oz (weight)/qt", "--json").out)["data"]
    assert data["dye"]["amount"] == pytest.approx(28.349523125, rel=1e-6)


def test_the_basis_is_asked_for_and_kept(run):
    text = mixed(run, "--volume", "1 L", "--load", "30 g/L", "--basis", "up to")
    assert "fill UP TO 1000 mL" in text
    assert "--basis" not in text


def test_area_coats_coverage_and_waste(run):
    """Twelve boards of 6 x 12 in are 6 ft2; at 300 ft2/gal 75.7 mL, with 25 % 94.6 mL; 2.83 g of dye at 1 oz/qt."""
    data = json.loads(
        run("mix", "--area", "6 ft^2", "--coverage", "300 ft^2/gal", "--load", "1 oz (weight)/qt", "--json").out
    )["data"]
    assert data["volume_ml"] == pytest.approx(94.6, abs=0.05)
    assert data["dye"]["amount"] == pytest.approx(2.83, abs=0.01)


def test_both_ways_of_saying_a_retarder(run):
    text = mixed(run, "--volume", "1 L", "--retarder", 5)
    assert "50.0 mL" in text
    assert "950 mL" in text
    assert "4.76 %" in text


def test_a_pound_cut(run):
    """One pound of flakes to a US gallon of alcohol is 119.826 g/L."""
    data = json.loads(run("mix", "--volume", "500 mL", "--cut", 1, "--json").out)["data"]["shellac"]
    assert data["flakes_g"] / data["alcohol_ml"] * 1000 == pytest.approx(119.826, abs=0.001)
    assert data["finished_ml"] == pytest.approx(500)


def test_a_blend_in_parts(run):
    """3 : 1 : 0.2 are 71.43, 23.81 and 4.76 per cent."""
    data = json.loads(
        run("mix", "--volume", "1 L", "--parts", "alcohol 3, lacquer thinner 1, retarder 0.2", "--json").out
    )["data"]["blend"]
    assert data == pytest.approx({"alcohol": 714.286, "lacquer thinner": 238.095, "retarder": 47.619}, abs=0.001)


def test_a_coarse_balance_gets_the_stock_route(run):
    text = mixed(run, "--volume", "100 mL", "--load", "30 g/L", "--balance", "1 g")
    assert "fill up to" in text
    assert "take" in text
    fine = mixed(run, "--volume", "100 mL", "--load", "30 g/L", "--balance", "0.01 g")
    assert "fill up to" not in fine


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "it is not said how much to make"),
        (("--volume", "1 L"), "it is not said what to mix"),
        (("--volume", "1 L", "--area", "1 m^2", "--load", "1 g/L"), "both a volume and an area"),
        (("--area", "1 m^2", "--load", "1 g/L"), "how far a litre goes"),
        (("--area", "1 m^2", "--coverage", "-7 m^2/L", "--load", "1 g/L"), "coverage"),
        (("--area", "1 m^2", "--coverage", "0 m^2/L", "--load", "1 g/L"), "coverage"),
        (("--volume", "1 L", "--load", "1 oz/qt"), "of weight or of fluid"),
        (("--volume", "1 L", "--load", "30"), "no unit"),
        (("--volume", "1 L", "--load", "30 g/L", "--basis", "by eye"), "--basis 'of carrier'"),
        (("--volume", "1 L", "--parts", "alcohol three"), "not a name and a number of parts"),
        (("--volume", "0 mL", "--load", "30 g/L"), "write one above 0"),
    ],
)
def test_what_cannot_be_mixed_is_said(run, tmp_path, words, says):
    error = wrong(run, tmp_path, "mix", *words)
    assert says in error


def test_every_batch_of_a_trial(run):
    text = mixed(run, EXAMPLE)
    assert "Mix each in one go for all its pieces" in text
    for level in ("water", "alcohol", "oil"):
        assert f"carrier {level}, dye load 15 g/L" in text
    assert "dewaxed shellac, 1 lb cut" in text
    data = json.loads(run("mix", EXAMPLE, "--json").out)["data"]["batches"]
    assert sum(one["kind"] == "dye" for one in data) == 6
    assert all(one["made_ml"] >= 60 for one in data)


def test_a_trial_and_a_batch_at_once_are_refused(run, laid_out):
    assert "name one of the two" in wrong(run, laid_out, "mix", laid_out, "--volume", "1 L")


def test_a_trial_that_names_nothing_to_mix(run, tmp_path):
    text = (
        '[boards]\ncount = 4\nlanes = 2\n[[factor]]\nname = "cloth"\nlevels = ["linen", "wool"]\nlaid_on = "lane"\n'
    )
    (tmp_path / "trial.toml").write_text(text)
    run("plan", tmp_path, "--seed", 1)
    assert "nothing to mix" in wrong(run, tmp_path, "mix", tmp_path)


# --- the [bench] table -----------------------------------------------------------------------------


def planned(tmp_path, text):
    (tmp_path / "trial.toml").write_text(SMALL + text, encoding="utf-8")
    return read_plan(tmp_path)


def test_what_the_bench_has(tmp_path):
    bench = planned(
        tmp_path,
        '[bench]\nhands = 2\nday = "7 h"\nbalance = "0.1 g"\nwaste = "30 %"\nleast = "40 mL"\nbasis = "up to"\n'
        'coverage = { dye = "10 m^2/L", top_coat = "12 m^2/L" }\ncoats = { top_coat = 2 }\n',
    ).bench
    assert (bench.hands, bench.day_min, bench.balance_g, bench.waste, bench.floor_ml) == (2, 420, 0.1, 0.3, 40)
    assert bench.up_to
    assert dict(bench.coverage) == {"dye": 10, "top coat": 12}
    assert dict(bench.coats) == {"top coat": 2}


def test_the_bench_changes_the_batches_and_not_the_layout(tmp_path, run):
    before = read_plan(EXAMPLE).layout_digest()
    (tmp_path / "trial.toml").write_text(
        (EXAMPLE / "trial.toml").read_text(encoding="utf-8")
        + '[bench]\ncoverage = { dye = "2 m^2/L" }\nleast = "1 mL"\n',
        encoding="utf-8",
    )
    assert read_plan(tmp_path).layout_digest() == before
    run("plan", tmp_path, "--seed", 1)
    text = mixed(run, tmp_path)
    assert "1 coat at 2.00 m²/L" in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[bench]\nbalance = "0 g"\n', "write one above 0"),
        ('[bench]\nbalance = "0.1"\n', "no unit"),
        ('[bench]\ncoverage = { dye = "-3 m^2/L" }\n', "write one above 0"),
        ('[bench]\ncoverage = "7 m^2/L"\n', "write it by liquid"),
        ("[bench]\ncoats = { varnish = 2 }\n", "write it by liquid"),
        ("[bench]\nhands = 0\n", "whole number from 1"),
        ('[bench]\nbasis = "by eye"\n', "not one of of carrier, up to"),
    ],
)
def test_faults_of_the_bench_table(tmp_path, text, says):
    with pytest.raises(UserError) as caught:
        planned(tmp_path, text)
    assert any(says in str(problem) for problem in caught.value.problems)


# --- check's word on the materials -----------------------------------------------------------------


def test_check_refuses_a_dye_that_does_not_dissolve(run, folder):
    text = SMALL.replace('levels = ["water", "alcohol"]', 'levels = ["water", "oil"]')
    text += '[[step]]\nname = "dye"\nmaterial = "oil-soluble powder dye"\nstage = "dyed"\n'
    (folder / "trial.toml").write_text(text)
    done = run("check", folder)
    assert done.status == 1
    assert "does not" in done.out.split("Do the materials go together:")[1]
    assert "Materials are in the way" in done.err
    (folder / "trial.toml").write_text(
        text.replace('levels = ["water", "oil"]', 'levels = ["oil", "mineral spirits"]')
    )
    assert run("check", folder).status == 0


def test_check_warns_of_what_lifts_and_names_its_source(run):
    text = run("check", EXAMPLE).out
    assert "a brushed or wiped alcohol coat over alcohol dye lifts and streaks it" in text
    assert "common practice, no source" in text


HARDENED = '[[step]]\nname = "top coat"\nmaterial = "2K waterborne polyurethane with hardener"\nstage = "topcoated"\n'


def test_a_hardener_is_refused_by_name_wherever_materials_are_read(run, folder):
    (folder / "trial.toml").write_text(SMALL)
    run("plan", folder)
    (folder / "trial.toml").write_text(SMALL + HARDENED)
    done = run("check", folder)
    assert done.status == 1
    line = next(line for line in done.out.splitlines() if "2K waterborne polyurethane" in line)
    assert line.startswith("- Step 'top coat': '2K waterborne polyurethane with hardener' tells of a hardener")
    assert "not planned here" in line
    assert "a licensed shop" in line
    mind = done.out.split("Mind:")[1]
    assert "Hardener or catalyst: not planned here." in mind
    assert "Spray only in a proper booth" in mind
    for command in ("sheets", "mix"):
        said = wrong(run, folder, command, folder)
        assert "trial.toml: step 'top coat': '2K waterborne polyurethane with hardener' tells of a hardener" in said
        assert "leave it out of the trial" in said


@pytest.mark.parametrize("parts", ["2K varnish 2, thinner 1", "varnish 10, hardener 1", "lacquer 1, Härter 1"])
def test_a_blend_with_a_hardener_is_refused(run, tmp_path, parts):
    assert "not planned here" in wrong(run, tmp_path, "mix", "--volume", "500 mL", "--parts", parts)


def test_check_says_what_spraying_takes_where_it_advises_it(run):
    out = run("check", EXAMPLE).out
    assert "spray it thin (in a proper booth only: see Spraying)" in out
    assert "Spray only in a proper booth" in out.split("Mind:")[1]


OWN = """\
[[over]]
coat = "alcohol shellac, brushed or wiped"
surface = "water dye"
verdict = "lifts"
why = "our water dye moves under it all the same"
cure = "spray it"
source = "tried in this shop"
"""


def test_the_shops_own_file_is_named_where_it_decides(run, tmp_path):
    (tmp_path / "trial.toml").write_text((EXAMPLE / "trial.toml").read_text(encoding="utf-8"), encoding="utf-8")
    assert "our water dye moves" not in run("check", tmp_path).out
    (tmp_path / "materials.toml").write_text(OWN)
    done = run("check", tmp_path)
    assert done.status == 0, done.err
    said = next(line for line in done.out.splitlines() if "our water dye moves under it" in line)
    assert "the shop's own materials.toml" in said
    assert "tried in this shop" in said


def test_a_fault_of_the_shops_own_file_has_its_line(run, tmp_path):
    (tmp_path / "trial.toml").write_text((EXAMPLE / "trial.toml").read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "materials.toml").write_text(OWN.replace('"lifts"', '"perhaps"'))
    assert "materials.toml, line 4" in wrong(run, tmp_path, "check", tmp_path)
