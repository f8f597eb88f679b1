"""The mix command, the [bench] table, and check's word on materials, as a finisher meets them.

Check values: NIST Handbook 44 (2024), Appendix C, for the units; the loads and cuts are own arithmetic from them.
"""

import json

import pytest

from tests.conftest import EXAMPLE, SMALL
from tests.test_cli import wrong
from trials import costs, mixing
from trials import folder as folders
from trials.errors import UserError
from trials.plan import read_plan


def mixed(run, *words):
    done = run("mix", *words)
    assert done.status == 0, done.err
    return done.out


def recipe(run, *words):
    """Return the first line."""
    return mixed(run, *words).splitlines()[0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        # 15 g/L of 60 mL: 0.9 g, which take up 0.6 mL
        (("--volume", "60 mL", "--load", "15 g/L"), "0.90 g dye, 60 mL carrier; makes 61 mL."),
        # 28.35 g take up 18.9 mL; 5 % of 946.35 mL is 47.3
        (
            ("--volume", "1 qt", "--load", "1 oz (weight)/qt", "--retarder", 5),
            "28.3 g dye, 47 mL retarder, 899 mL carrier; makes 965 mL.",
        ),
        (
            ("--volume", "1 imp qt", "--load", "1 oz (weight)/imp qt"),
            "28.3 g dye, 1137 mL carrier; makes 1155 mL.",
        ),
        # 119.83 g/L of 54.5 mL: 6.53 g, which take up 5.9 mL
        (("--volume", "60.4 mL", "--cut", 1), "6.53 g shellac flakes, 55 mL alcohol; makes 60 mL."),
        # 239.65 g/L of 411.2 mL: 98.5 g
        (("--volume", "500 mL", "--cut", 2), "98.5 g shellac flakes, 411 mL alcohol; makes 500 mL."),
        # 32 oz in the gallon of alcohol, which is 0.8224 of the whole: 26.3 oz
        (("--volume", "1 US gal", "--cut", 2), "746 g shellac flakes, 3113 mL alcohol; makes 3785 mL."),
        (("--volume", "1 L", "--parts", "alcohol 3, thinner 1"), "750 mL alcohol, 250 mL thinner; makes 1000 mL."),
        # one list that makes what was asked for: 5 % of a litre, and three to one of the rest
        (
            ("--volume", "1 L", "--parts", "alcohol 3, lacquer thinner 1", "--retarder", 5),
            "50 mL retarder, 712 mL alcohol, 238 mL lacquer thinner; makes 1000 mL.",
        ),
        # 0.8 x 2 / 7 L is 228.6 mL, a quarter more 285.7; 3 % of that by volume
        (
            ("--area", "0.8 m^2", "--coverage", "7 m^2/L", "--coats", 2, "--load", "3 %"),
            "8.6 mL dye concentrate, 277 mL carrier; makes 286 mL.",
        ),
        # 197.1 g/L of 274.0 mL are 54.0 g, the flakes of 500 mL of a 1 lb cut
        (
            ("--volume", "500 mL", "--cut", 1, "--from-cut", 2),
            "274 mL of the 2 lb cut, 226 mL alcohol; makes 500 mL of a 1 lb cut.",
        ),
        (("--volume", "1 L", "--retarder", 5), "50 mL retarder, 950 mL carrier; makes 1000 mL."),
    ],
)
def test_recipes_by_hand(run, words, says):
    """Own arithmetic from NIST Handbook 44, appendix C; densities 1.5 (dye), 1.11 and 0.80 g/mL from memory."""
    assert recipe(run, *words) == says


def test_ounces_are_shown_where_they_were_asked_in(run):
    text = mixed(run, "--volume", "1 qt", "--load", "1 oz (weight)/qt", "--retarder", 5)
    assert "In US measures: 1.00 oz (weight) dye, 1.60 fl oz retarder, 30.4 fl oz carrier; makes 32.6 fl oz." in text
    assert "oz" not in mixed(run, "--volume", "60 mL", "--load", "15 g/L")
    data = json.loads(run("mix", "--volume", "1 US qt", "--load", "1 oz (weight)/qt", "--json").out)["data"]
    assert data["dye"]["amount"] == pytest.approx(28.349523125, rel=1e-6)
    assert data["recipe"][0] == {"what": "dye", "amount": pytest.approx(28.349523125), "unit": "g"}


@pytest.mark.parametrize(
    ("volume", "says"),
    [
        ("8 fl oz", "8 fl oz (US; write 'imp fl oz' for imperial)"),
        ("1 pt", "1 pt (US; write 'imp pt' for imperial)"),
        ("1 qt", "1 qt (US; write 'imp qt' for imperial)"),
        ("2 gallons", "2 gallons (US; write 'imp gallon' for imperial)"),
        ("1 US qt", ""),
        ("1 imp qt", ""),
        ("20 imp fl oz", ""),
        ("1 imperial gallon", ""),
        ("500 mL", ""),
    ],
)
def test_us_measures_are_said_where_they_were_assumed(run, volume, says):
    text = mixed(run, "--volume", volume, "--load", "30 g/L")
    assert (says in text) if says else ("for imperial" not in text)


@pytest.mark.parametrize(
    ("written", "ml"), [("imp fl oz", 28.4130625), ("imp pt", 568.26125), ("imp qt", 1136.5225), ("imp gal", 4546.09)]
)
def test_imperial_measures_are_read(run, written, ml):
    """NIST Handbook 44, appendix C."""
    data = json.loads(run("mix", "--volume", f"1 {written}", "--load", "30 g/L", "--json").out)["data"]
    assert data["volume_ml"] == pytest.approx(ml)


def test_the_other_way_of_counting_is_told_only_where_it_matters(run):
    text = mixed(run, "--volume", "1 L", "--load", "30 g/L", "--retarder", 5)
    assert (
        "If you meant 5 % on top: 1000 mL carrier; makes 1070 mL, and the dye falls to 28.6 g/L (4.8 % less)." in text
    )
    assert "if you meant made up to 1000 mL: 49 mL retarder, 931 mL carrier (write --basis 'up to')" in text
    assert "if you meant" not in mixed(run, "--volume", "1 L", "--load", "10 g/L")
    assert "if you meant" not in mixed(run, "--volume", "1 L", "--load", "30 g/L", "--basis", "up to")


def test_the_basis_is_kept(run):
    assert recipe(run, "--volume", "1 L", "--load", "30 g/L", "--basis", "up to").endswith(
        "980 mL carrier; makes 1000 mL."
    )


def test_area_coats_coverage_and_waste(run):
    """Twelve boards of 6 x 12 in are 6 ft2; at 300 ft2/gal 75.7 mL, with 25 % 94.6 mL; 2.83 g of dye at 1 oz/qt."""
    words = ("--area", "6 ft^2", "--coverage", "300 ft^2/gal", "--load", "1 oz (weight)/qt")
    data = json.loads(run("mix", *words, "--json").out)["data"]
    assert data["volume_ml"] == pytest.approx(94.6, abs=0.05)
    assert data["dye"]["amount"] == pytest.approx(2.83, abs=0.01)
    assert "6 ft^2 in 1 coat at 300 ft^2/gal takes 76 mL; with 25 % more for rag and cup 95 mL." in mixed(run, *words)


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


@pytest.mark.parametrize(
    "parts", ["3 parts of alcohol, 1 part thinner", "3 alcohol; 1 thinner", "alcohol 3,thinner 1"]
)
def test_parts_are_read_with_the_number_first_or_last(run, parts):
    assert recipe(run, "--volume", "1 L", "--parts", parts).startswith("750 mL alcohol, 250 mL thinner;")


def test_dye_in_a_blend_is_one_recipe(run):
    said = recipe(run, "--volume", "1 L", "--parts", "alcohol 3, lacquer thinner 1", "--load", "30 g/L")
    assert said == "30.0 g dye, 750 mL alcohol, 250 mL lacquer thinner; makes 1020 mL."


def test_thinning_a_cut_names_the_trap(run):
    text = mixed(run, "--volume", "500 mL", "--cut", 1, "--from-cut", 2)
    assert "0.82 parts of alcohol to one, and solids by weight fall from 23.1 to 13.0 %" in text
    assert "dividing the cuts (1.00 parts to one) makes 0.90 lb" in text


def test_what_is_too_little_to_weigh_comes_by_way_of_a_stock(run):
    text = mixed(run, "--volume", "100 mL", "--load", "30 g/L", "--balance", "1 g")
    assert text.startswith("By way of a stock: 50 g dye, carrier up to")
    assert "By way" not in mixed(run, "--volume", "100 mL", "--load", "30 g/L", "--balance", "0.01 g")
    weak = json.loads(run("mix", "--volume", "100 mL", "--load", "0.05 g/L", "--json").out)["data"]
    assert weak["stock"]["made_ml"] < 200
    assert not weak["dye"]["enough"]
    slowed = mixed(run, "--volume", "100 mL", "--load", "0.05 g/L", "--retarder", 5)
    assert "Mix what is called carrier there first: 13 mL retarder, 242 mL carrier; makes 255 mL." in slowed


def test_liquids_of_which_it_is_not_known_whether_they_mix(run, tmp_path):
    text = mixed(run, "--volume", "1 L", "--parts", "lacquer thinner 1, water 1")
    assert text.startswith("Nothing is known here of whether these mix: lacquer thinner and water.")
    assert "known" not in recipe(run, "--volume", "1 L", "--parts", "alcohol 3, lacquer thinner 1", "--retarder", 5)
    error = wrong(run, tmp_path, "mix", "--volume", "1 L", "--parts", "mineral spirits 1, water 1")
    assert "mineral spirits and water do not mix" in error
    assert "shrink" in mixed(run, "--volume", "1 L", "--parts", "water 1, denatured alcohol 1")


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("--load", "30 g/L"), ("Dye powder", "Alcohol and other solvents", "Skin and eyes", "Waste")),
        (("--load", "3 %"), ("Alcohol and other solvents", "Skin and eyes", "Waste")),
        (("--cut", 1), ("Alcohol and other solvents", "Skin and eyes", "Waste")),
        (("--cut", 1, "--from-cut", 2), ("Alcohol and other solvents", "Skin and eyes", "Waste")),
        (("--parts", "acetone 2, alcohol 1"), ("Alcohol and other solvents", "Skin and eyes", "Waste")),
        (("--parts", "moon dust 1, alcohol 1"), ("Dye powder", "Spraying", "Oily rags")),
    ],
)
def test_cautions_are_short_and_whole_with_why(run, words, names):
    text = mixed(run, "--volume", "1 L", *words)
    for name in names:
        assert f"- {name}: " in text
    assert "NIOSH" not in text
    assert "more with --why" in text
    assert "maker's sheet" in text
    assert "NIOSH" in mixed(run, "--volume", "1 L", *words, "--why")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "Say how much: --volume '500 mL'"),
        (("--volume", "1 L"), "Say what to mix: --load '30 g/L'"),
        (("--volume", "1 L", "--area", "1 m^2", "--load", "1 g/L"), "Say how much in one way"),
        (("--volume", "1 L", "--coats", 2, "--load", "1 g/L"), "they go with --area"),
        (("--area", "1 m^2", "--load", "1 g/L"), "Say how far a litre goes: --coverage"),
        (("--area", "1 m^2", "--coverage", "-7 m^2/L", "--load", "1 g/L"), "coverage"),
        (("--area", "1 m^2", "--coverage", "0 m^2/L", "--load", "1 g/L"), "coverage"),
        (("--area", "1 m^2", "--coverage", "7 m^2/L", "--waste", "-5 %", "--load", "1 g/L"), "a waste of -5 %"),
        (("--volume", "1 L", "--load", "1 oz/qt"), "of weight or of fluid"),
        (("--volume", "1 L", "--load", "30"), "no unit"),
        (("--volume", "1 L", "--load", "30 g/L", "--basis", "by eye"), "--basis 'of carrier'"),
        (("--volume", "1 L", "--cut", 1, "--basis", "up to"), "Add --load, or leave --basis out"),
        (("--volume", "1 L", "--load", "3 %", "--basis", "of carrier"), "'3 %' is a share of the whole"),
        (("--volume", "1 L", "--load", "3 %", "--balance", "0.01 g"), "--balance '0.1 mL'"),
        (("--volume", "1 L", "--cut", 1, "--balance", "1 mL"), "Write one division of the balance"),
        (("--volume", "1 L", "--parts", "alcohol 3 thinner 1"), "not a name and a number"),
        (("--volume", "1 L", "--parts", "alcohol 0, thinner 1"), "the parts of 'alcohol' is 0"),
        (("--volume", "1 L", "--parts", "alcohol three"), "not a name and a number"),
        (("--volume", "1 L", "--parts", "alcohol 3, alcohol 1"), "alcohol is named twice"),
        (("--volume", "1 L", "--parts", "alcohol 3, retarder 1", "--retarder", 5), "retarder is named twice"),
        (("--volume", "1 L", "--parts", "alcohol 1", "--balance", "0.01 g"), "Leave --balance out"),
        (("--volume", "0 mL", "--load", "30 g/L"), "write one above 0"),
        (("--volume", "1 L", "--cut", 1, "--load", "30 g/L"), "Ask for --cut and --load one at a time"),
        (("--volume", "1 L", "--cut", 1, "--parts", "alcohol 1"), "Ask for --cut and --parts one at a time"),
        (("--volume", "1 L", "--from-cut", 2), "Say to which cut it is thinned"),
        (("--volume", "1 L", "--from-cut", 1, "--cut", 2), "thinning a 1 lb cut cannot make it 2 lb"),
        (("--volume", "1 L", "--from-cut", 2, "--cut", 1, "--retarder", 5), "Leave --retarder out"),
        (("--volume", "1 mL", "--load", "0.05 g/L"), "too small to measure"),
    ],
)
def test_what_cannot_be_mixed_is_said(run, tmp_path, words, says):
    error = wrong(run, tmp_path, "mix", *words)
    assert says in error


def test_every_batch_of_a_trial(run):
    text = mixed(run, EXAMPLE)
    assert "Mix each in one go" in text
    for carrier in ("water", "alcohol", "oil"):
        assert f": 0.90 g dye in 60 mL {carrier} (15 g/L)." in text
    assert "6.59 g shellac flakes in 55 mL alcohol (dewaxed shellac, 1 lb cut)" in text
    assert "All 12 boards: 83 mL oil glaze, as it comes." in text
    assert "Coverage" not in text
    why = mixed(run, EXAMPLE, "--why")
    assert why.count("web guides") == 1
    assert "Dye loads count the litre of carrier" in why
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


def test_a_waste_is_added_on_top_in_mixing_and_in_costs_alike():
    made = mixing.volume(0.8, 7, coats=2, waste=0.25, floor_ml=0).ml
    assert made == pytest.approx(costs.volume_ml(0.8, 7, 2, 0.25)) == pytest.approx(285.7, abs=0.05)


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
    text = mixed(run, tmp_path, "--why")
    assert "1  2 m²/L" in text


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
    assert folders.load(folder).plan.steps  # what was recorded of such a trial still opens


@pytest.mark.parametrize("parts", ["2K varnish 2, thinner 1", "varnish 10, hardener 1", "lacquer 1, Härter 1"])
def test_a_blend_with_a_hardener_is_refused(run, tmp_path, parts):
    said = wrong(run, tmp_path, "mix", "--volume", "500 mL", "--parts", parts)
    assert "not planned here" in said
    assert "leave it to a licensed shop" in said


def test_a_carrier_that_is_not_said_may_be_any(run, tmp_path):
    said = run("mix", "--volume", "500 mL", "--load", "30 g/L").out
    for words in ("Never breathe dye powder", "It burns", "Rags wet with oil", "Gloves", "down the drain"):
        assert words in said
    assert "Hardener" not in said


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
