"""Files of colour instruments: CIELAB as it stands, and spectra to CIELAB by ASTM E308.

Outside checks: weights and whites of ASTM E308 (tests/reference/data/tristimulus-weights), the perfect
diffuser (CIE 15: L* 100, a* 0, b* 0), a chart of 24 colours whose spectra and colours were both published,
and sums at 1 nm (CIE 15) of smooth spectra.
"""

import contextlib
import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials import colorimeter, csv_source, spectra, table_source
from trials.errors import UserError

REFERENCE = Path(__file__).parent / "reference" / "data" / "tristimulus-weights"
TENS = range(400, 701, 10)


def table(text: str) -> csv_source.Table:
    return csv_source.from_bytes(text.encode(), "colours.csv")


def spectra_text(rows: dict[str, list[float]], bands=TENS, head="{} nm", top="", separator=";") -> str:
    lines = [separator.join(["patch", *(head.format(nm) for nm in bands)])]
    lines += [separator.join([patch, *(repr(float(value)) for value in values)]) for patch, values in rows.items()]
    return top + "\n".join(lines) + "\n"


def lab(colours: colorimeter.Colours) -> list[list[float]]:
    return [[float(row.cells[axis]) for axis in ("L*", "a*", "b*")] for row in colours.table.rows]


GREY = {"101": [0.2] * 31}
RAMP = {"101": list(np.linspace(0.06, 0.41, 31).round(4)), "102": list(np.linspace(0.3, 0.12, 31).round(4))}

# --- what is an instrument's file ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "yes"),
    [
        ("patch,L*,a*,b*", True),
        ("patch,L,a,b", True),
        ("code,l*,A*,B*", True),
        ("patch,CIE L*,CIE a*,CIE b*", True),
        ("patch,CIELAB L*", True),
        ("patch,L*(D65/10)", True),
        ("patch,L∗,a∗", True),
        ("patch,L,darkness", False),
        ("patch,a,b", False),
        ("patch,darkness,note", False),
        ("patch,response,value,L*", False),
        ("patch,a note,b note,L value", False),
        ("patch," + ",".join(f"{nm}" for nm in TENS), True),
        ("patch," + ",".join(f"R{nm}" for nm in TENS), True),
        ("patch," + ",".join(f"R {nm} nm" for nm in TENS), True),
        ("patch," + ",".join(f"{nm}nm" for nm in TENS), True),
        ("patch," + ",".join(f"{nm} [nm]" for nm in TENS), True),
        ("patch,400,410,420", False),
    ],
)
def test_which_files_come_from_an_instrument(header, yes):
    assert colorimeter.is_colours(table(header + "\n" + ",".join(["1"] * len(header.split(","))) + "\n")) is yes


# --- CIELAB as it stands ---------------------------------------------------------------------------


def test_readings_keep_their_words_rows_and_usual_columns():
    text = "Serial;77\nCode;L*;a*;b*;C*;Date;Remark\n\n101;45,3;12;20,1;23;2026-03-01;near a knot\n102;-0,2;0;0;;;\n"
    colours = colorimeter.prepared(table(text), "D50", "2")
    assert colours.table.header == ("patch", "L*", "a*", "b*", "taken_at", "note")
    assert [row.number for row in colours.table.rows] == [4, 5]
    first, second = (row.cells for row in colours.table.rows)
    assert [first[name] for name in colours.table.header] == [
        "101",
        "45,3",
        "12",
        "20,1",
        "2026-03-01",
        "near a knot",
    ]
    assert [second[name] for name in colours.table.header] == ["102", "-0,2", "0", "0", "", ""]
    assert colours.aside == ("C*",)
    assert colours.method == "colorimeter, D50, 2 degree observer"
    assert colours.table.preamble == ("Serial;77",)


def test_placements_are_numbered_in_the_order_of_the_file():
    text = "patch,L*,stage\n101,40,\n102,41,\n101,42,\n101,,\n101,43,wet\n101.0,44,\n"
    colours = colorimeter.prepared(table(text))
    assert [row.cells["repeat"] for row in colours.table.rows] == ["1", "1", "2", "", "1", "3"]
    once = colorimeter.prepared(table("patch,L*\n101,40\n102,41\n"))
    assert once.table.header == ("patch", "L*")
    said = colorimeter.prepared(table("patch,L*,repeat\n101,40,2\n101,41,5\n"))
    assert [row.cells["repeat"] for row in said.table.rows] == ["2", "5"]


@pytest.mark.parametrize(
    ("text", "asked", "says"),
    [
        ("patch,L*\n101,40\n", ("", ""), "illuminant and observer not stated"),
        ("patch,L*\n101,40\n", ("d65", "10°"), "D65, 10 degree observer"),
        ("patch,L*\n101,40\n", ("F11", ""), "F11, observer not stated"),
        ("patch,L*(D65/10)\n101,40\n", ("", ""), "D65, 10 degree observer"),
        ("patch,L*(10°/D65)\n101,40\n", ("", ""), "D65, 10 degree observer"),
        ("patch,L* D50 2°\n101,40\n", ("D50", ""), "D50, 2 degree observer"),
        ("patch,L*_F11/10\n101,40\n", ("", ""), "F11, 10 degree observer"),
        ("Illuminant: D65\nObserver: 10\npatch,L*\n101,40\n", ("", ""), "D65, 10 degree observer"),
        ("Light source;A;\nStandard observer;2°;\npatch;L*;a*\n101;40;1\n", ("", ""), "A, 2 degree observer"),
        ("Setting;D50/2;\npatch;L*;a*\n101;40;1\n", ("", ""), "D50, 2 degree observer"),
        ("Observer;CIE 1964\npatch;L*\n101;40\n", ("", ""), "illuminant not stated, 10 degree observer"),
        ("Illuminant D65\nIlluminant D50\npatch,L*\n101,40\n", ("", ""), "illuminant and observer not stated"),
        ("Geometry 45°:0°, 10 mm, 10 °C\npatch,L*\n101,40\n", ("", ""), "illuminant and observer not stated"),
        ("Batch D65-A of sample A 10\npatch,L*\n101,40\n", ("", ""), "illuminant and observer not stated"),
        ("patch,L*,Illuminant,Observer\n101,40,D55,2\n102,40,,\n", ("", ""), "D55, 2 degree observer"),
        ("Illuminant: D65\npatch,L*\n101,40\n", ("", "2"), "D65, 2 degree observer"),
    ],
)
def test_illuminant_and_observer_are_taken_never_guessed(text, asked, says):
    assert colorimeter.prepared(table(text), *asked).method == f"colorimeter, {says}"


@pytest.mark.parametrize(
    ("text", "asked", "says"),
    [
        ("patch,L*\n101,abc\n", (), "colours.csv, row 2, column L*: L* is 'abc', which is not a number; correct it"),
        ("patch,L*\n101,40\n102,-6\n", (), "row 3, column L*: L* is -6, which no colour of wood has; write a value"),
        ("patch,L*,a* (D65)\n101,40,151\n", (), "not of one illuminant and observer"),
        ("patch,L*,a*\n101,40,151\n", (), "a* is 151, which no colour of wood has; write a value from -150 to 150"),
        ("patch,L*,b*\n101,40,-1e9\n", (), "column b*: b* is -1e9"),
        (
            "sample,L*\n101,40\n",
            (),
            "there is no column with the patches' codes; if it is the column 'sample', add --codes sample",
        ),
        ("patch,L*,CIE L*\n101,40,40\n", (), "columns 'L*' and 'CIE L*' mean the same"),
        ("patch,code,L*\n101,1,40\n", (), "columns 'patch' and 'code' mean the same"),
        ("patch,darkness\n101,40\n", (), "there is no column L*, a* or b* and none of a reflectance spectrum"),
        ("patch,L*\n101,40\n", ("D66",), "there is no illuminant 'D66' here; write 'D65'"),
        ("patch,L*\n101,40\n", ("", "5"), "there is no observer '5'; write 2 or 10"),
        (
            "patch,L*(D65/10)\n101,40\n",
            ("D50", "2"),
            "are for D65, 10 degree observer, the options say D50, 2 degree observer",
        ),
        (
            "patch,L*,illuminant\n101,40,D65\n102,40,D50\n",
            (),
            "row 3, column illuminant: the illuminant is D50, in the rows above D65",
        ),
        ("patch,L*,illuminant\n101,40,lamp\n", (), "row 2, column illuminant: there is no illuminant 'lamp' here"),
    ],
)
def test_faults_of_cielab_files(text, asked, says):
    with pytest.raises(UserError) as caught:
        colorimeter.prepared(table(text), *asked)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


# --- spectra: outside checks -----------------------------------------------------------------------


def test_weights_of_illuminant_a_and_the_10_degree_observer():
    """ASTM E308-15: within half of the last printed digit.

    The table there sums to 830 nm, ours as the practice has it to 780 nm: Y beyond is 0.0004 of 100, so that
    weights up to 13 differ by up to 0.00005 more.
    """
    with (REFERENCE / "data.csv").open() as file:
        rows = [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    read = np.array(rows)
    ours = spectra.weights(360, 780, "A", "10")[: len(read)]
    np.testing.assert_allclose(ours, read[:, 1:], rtol=0, atol=0.0005 + 0.00005)


def whites() -> list[dict[str, object]]:
    return json.loads((REFERENCE / "expected.json").read_text())["whites"]


@pytest.mark.parametrize("white", whites(), ids=lambda white: f"{white['illuminant']}/{white['observer']}")
def test_whites(white):
    """ASTM E308, table 5, from memory: A and D65, which are defined at 1 nm, to the last printed digit.

    The others are printed as sums at 5 nm, as their tables stand: those are given again to the last digit, or
    for F2, F7 and F11, which begin at 380 nm, but for what stands in for 360 to 375 nm. Our sums at 1 nm differ
    by up to 0.11 of Z; CIELAB does not feel it, as sample and white are weighted alike (see the next tests).
    """
    import colour

    illuminant, observer = white["illuminant"], white["observer"]
    printed = np.array([white["X"], white["Y"], white["Z"]])
    ours = spectra.weights(360, 780, illuminant, observer).sum(axis=0)
    apart = 0.0012 if illuminant in ("A", "D65") else 0.11 if illuminant.startswith("F") else 0.06
    np.testing.assert_allclose(ours, printed, rtol=0, atol=apart)
    if illuminant != "D65":
        at_5_nm = colour.SpectralShape(360, 780, 5)
        eye = colour.MSDS_CMFS[spectra.OBSERVERS[observer]].copy().align(at_5_nm).values
        lamp = colour.SDS_ILLUMINANTS[illuminant.replace("F", "FL")].copy().align(at_5_nm).values
        apart = 0.009 if illuminant.startswith("F") else 0.0015
        np.testing.assert_allclose(100 * lamp @ eye / (lamp @ eye[:, 1]), printed, rtol=0, atol=apart)


@pytest.mark.parametrize("observer", ["2", "10"])
@pytest.mark.parametrize("illuminant", spectra.ILLUMINANTS)
def test_the_perfect_diffuser_is_white_under_every_lamp(illuminant, observer):
    for first, last in ((400, 700), (360, 780), (380, 730)):
        white = np.ones((1, (last - first) // 10 + 1))
        ours = spectra.lab_of_spectra(white, first, last, illuminant, observer)
        np.testing.assert_allclose(ours, [[100, 0, 0]], atol=1e-10)


def test_a_published_chart():
    """Spectra and colours (D50, 2 degrees) of 24 colours, both published by Pascale (2012), means of 30 charts.

    Spectra to three decimals, 380 to 730 nm; colours as xyY to four. A thousandth in one band moves dark
    colours by a tenth of a unit, so that is what is asked.
    """
    import colour

    (key,) = (key for key in colour.SDS_COLOURCHECKERS if key in colour.CCS_COLOURCHECKERS and key.islower())
    chart = colour.CCS_COLOURCHECKERS[key]
    assert len(chart.data) == 24
    for name, spectrum in colour.SDS_COLOURCHECKERS[key].items():
        published = colour.XYZ_to_Lab(colour.xyY_to_XYZ(chart.data[name]), chart.illuminant)
        ours = spectra.lab_of_spectra(spectrum.values[None], 380, 730, "D50", "2")[0]
        assert np.linalg.norm(ours - published) < 0.15, name


@pytest.mark.parametrize(
    ("illuminant", "observer"), [("D65", "10"), ("D50", "2"), ("A", "2"), ("F11", "2"), ("C", "10")]
)
def test_smooth_spectra_as_summed_at_1_nm(illuminant, observer):
    """CIE 15: sums at 1 nm from 360 to 780 nm are the rule; 10 nm weights stand in for them."""
    import colour

    nm = np.arange(360, 781)
    whole = colour.SpectralShape(360, 780, 1)
    eye = colour.MSDS_CMFS[spectra.OBSERVERS[observer]].copy().align(whole).values
    lamp = colour.SDS_ILLUMINANTS[illuminant.replace("F", "FL")].copy().align(whole).values
    white = lamp @ eye / (lamp @ eye[:, 1])
    for middle, width in ((450, 30), (520, 25), (580, 40), (640, 60)):
        curve = 0.05 + 0.6 / (1 + np.exp(-(nm - middle) / width))
        exact = colour.XYZ_to_Lab((lamp * curve) @ eye / (lamp @ eye[:, 1]), colour.XYZ_to_xy(white))
        for first, last, tolerance in ((360, 780, 0.005), (400, 700, 0.02)):
            tens = (nm >= first) & (nm <= last) & (nm % 10 == 0)
            ours = spectra.lab_of_spectra(curve[None, tens], first, last, illuminant, observer)[0]
            assert np.linalg.norm(ours - exact) < tolerance


def test_a_grey_of_a_fifth():
    """CIE 15: L* = 116 (Y/Yn)^(1/3) - 16, which is 51.837 for a fifth, without colour under any lamp."""
    for lamp in ("D65", "A", "F2"):
        colours = colorimeter.prepared(table(spectra_text(GREY)), lamp, "10")
        np.testing.assert_allclose(lab(colours), [[116 * 0.2 ** (1 / 3) - 16, 0, 0]], atol=6e-5)


# --- spectra: files --------------------------------------------------------------------------------


@given(rows=st.lists(st.lists(st.integers(0, 1000), min_size=31, max_size=31), min_size=1, max_size=3))
@settings(max_examples=40, deadline=None)
def test_per_cent_and_fraction_give_the_same(rows):
    thousandths = {str(101 + at): values for at, values in enumerate(rows)} | {"200": [1000] * 31}
    whole = {patch: [value / 1000 for value in values] for patch, values in thousandths.items()}
    cent = {patch: [value / 10 for value in values] for patch, values in thousandths.items()}
    one = colorimeter.prepared(table(spectra_text(whole)), "D65", "10")
    other = colorimeter.prepared(table(spectra_text(cent, head="R{}")), "D65", "10")
    np.testing.assert_allclose(lab(one), lab(other), atol=1.1e-4)
    assert "reflectance as a fraction" in one.method
    assert "reflectance in per cent" in other.method


def test_the_method_says_what_was_done():
    top = "Instrument;x\nIlluminant;D50\nObserver;2\n"
    stated = colorimeter.prepared(table(spectra_text(RAMP, top=top)))
    assert stated.method == (
        "spectrophotometer, 400 to 700 nm at 10 nm, reflectance as a fraction, D50, 2 degree observer, "
        "to CIELAB by ASTM E308"
    )
    asked = colorimeter.prepared(table(spectra_text(RAMP, top=top)), "D65", "10")
    assert "D65, 10 degree observer" in asked.method
    assert asked.aside == ()
    assert [row.number for row in asked.table.rows] == [5, 6]
    expected = spectra.lab_of_spectra(np.array(list(RAMP.values())), 400, 700, "D65", "10")
    np.testing.assert_allclose(lab(asked), expected, atol=5.1e-5)


def test_bands_beyond_what_is_needed_in_any_order_and_at_5_nm():
    values = dict(zip(TENS, RAMP["101"], strict=True))
    plain = lab(colorimeter.prepared(table(spectra_text({"101": RAMP["101"]})), "D65", "10"))
    turned = spectra_text({"101": RAMP["101"][::-1]}, bands=TENS[::-1])
    assert lab(colorimeter.prepared(table(turned), "D65", "10")) == plain
    fives = {nm: values.get(nm, 0.9) for nm in range(400, 701, 5)}
    finer = colorimeter.prepared(table(spectra_text({"101": list(fives.values())}, bands=fives)), "D65", "10")
    assert lab(finer) == plain
    assert "at 10 nm (every second band of 5 nm)" in finer.method
    assert finer.aside == tuple(f"{nm} nm" for nm in range(405, 700, 10))
    wide = dict.fromkeys(range(340, 801, 10), 0.2)
    wider = colorimeter.prepared(table(spectra_text({"101": list(wide.values())}, bands=wide)), "D65", "10")
    assert "360 to 780 nm" in wider.method
    assert wider.aside == ("340 nm", "350 nm", "790 nm", "800 nm")


def test_per_cent_said_in_the_file_counts_before_the_values():
    dark = {"101": [1.1] * 31}
    grey = 116 * 0.011 ** (1 / 3) - 16
    for text in (
        spectra_text(dark, head="{} nm (%)"),
        spectra_text(dark, top="Reflectance (%)\n"),
        spectra_text(dark).replace("1.1", "1.1%"),
    ):
        colours = colorimeter.prepared(table(text), "D65", "10")
        assert lab(colours)[0][0] == pytest.approx(grey, abs=6e-5)
        assert "in per cent" in colours.method


def test_empty_rows_and_decimal_commas_of_spectra():
    text = spectra_text(RAMP).replace(".", ",") + "103" + ";" * 31 + "\n101;" + ";".join(["0,2"] * 31) + "\n"
    colours = colorimeter.prepared(table(text), "D65", "10")
    assert colours.table.rows[2].cells == {"patch": "103", "L*": "", "a*": "", "b*": "", "repeat": ""}
    assert [row.cells["repeat"] for row in colours.table.rows] == ["1", "1", "", "2"]
    assert colours.table.rows[3].cells["L*"] == "51.8372"


def test_cielab_beside_spectra():
    text = spectra_text(RAMP, top="Illuminant;D65;Observer;10\n").splitlines()
    both = "\n".join([text[0], text[1] + ";L*;a*;b*", *(line + ";40;1;2" for line in text[2:])]) + "\n"
    kept = colorimeter.prepared(table(both))
    assert kept.method == "colorimeter, D65, 10 degree observer"
    assert lab(kept) == [[40, 1, 2], [40, 1, 2]]
    assert len(kept.aside) == 31
    other = colorimeter.prepared(table(both), "D50", "2")
    assert "spectrophotometer" in other.method
    assert "D50, 2 degree observer" in other.method
    assert other.aside == ("L*", "a*", "b*")


HERE = ("D65", "10")


def without(nm: int) -> str:
    bands = [band for band in TENS if band != nm]
    return spectra_text({"101": [0.2] * 30}, bands=bands)


@pytest.mark.parametrize(
    ("text", "asked", "says"),
    [
        (
            spectra_text(GREY),
            ("", ""),
            "name the illuminant and the observer, such as --illuminant D65 --observer 10",
        ),
        (spectra_text(GREY), ("D65", ""), "name the illuminant and the observer"),
        (without(550), HERE, "the band 550 nm is missing"),
        (without(400), HERE, "the bands go from 410 to 700 nm only; export them from 400 to 700 nm at least"),
        (without(700), HERE, "the bands go from 400 to 690 nm only"),
        (spectra_text({"101": [0.2] * 16}, bands=range(400, 701, 20)), HERE, "in steps of 20 nm"),
        (
            spectra_text({"101": [0.2] * 31}, bands=range(405, 706, 10)),
            HERE,
            "the bands stand at 405, 415 nm and so on",
        ),
        (
            spectra_text({"101": [0.2] * 9}, bands=[400, 407, 420, 430, 440, 450, 460, 470, 700]),
            HERE,
            "in steps of 7, 10, 13, 230 nm",
        ),
        (
            spectra_text(GREY | {"102": [0.2] * 30 + [-0.01]}),
            HERE,
            "row 3, column 700 nm: the reflectance is -0.01; it lies within 0 to 120",
        ),
        (spectra_text(GREY | {"102": [1.3] + [0.2] * 30}), HERE, "row 3, column 400 nm: the reflectance is 1.3"),
        (spectra_text({"101": [121.0] + [20.0] * 30}), HERE, "row 2, column 400 nm: the reflectance is 121.0"),
        (spectra_text(GREY) + "102" + ";0.2" * 30 + "\n", HERE, "row 3, column 700 nm: the reflectance is missing"),
        (
            spectra_text(GREY) + "102" + ";0.2" * 30 + ";x\n",
            HERE,
            "row 3, column 700 nm: the reflectance is 'x', which is not a number",
        ),
        (
            spectra_text(GREY) + "102" + ";0.2" * 30 + ";20%\n",
            HERE,
            "some cells of the spectra carry a per cent sign and some do not",
        ),
        (spectra_text(GREY, bands=[*TENS[:-1], 400]), HERE, "two columns are named '400 nm'"),
    ],
)
def test_faults_of_spectra(text, asked, says):
    with pytest.raises(UserError) as caught:
        colorimeter.prepared(table(text), *asked)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


# --- anything at all -------------------------------------------------------------------------------

GOOD = (
    "Instrument;x;\nIlluminant: D65/10\npatch;L*;a*;b*;note\n101;45,3;12;20,1;dry\n101;46;12;20;\n",
    "code,L*(D65/10),a*(D65/10),Observer,Illuminant\n101,40,3,10,D65\n102,41,2,10,D65\n",
    spectra_text(RAMP, top="Observer;10;Illuminant;A\n"),
    spectra_text({"101": [20.5] * 36}, bands=range(380, 731, 10), head="R{} (%)", separator=","),
)
PIECES = ("", ";", ",", "\n", "-", "9", "e9", "%", "nm", "*", "D50", "F2", "°", "L*", "\x00", '"', "400", "∞", "½")


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Return an instrument's good file with pieces of its text overwritten."""
    text = draw(st.sampled_from(GOOD))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(text)))
        piece = draw(st.one_of(st.sampled_from(PIECES), st.text(max_size=3)))
        text = text[:at] + piece + text[min(len(text), at + draw(st.integers(0, 8))) :]
    return text.encode(draw(st.sampled_from(["utf-8", "utf-16"])), "ignore")


WORDS = st.one_of(st.sampled_from(["", "D65", "A", "F2", "10", "2", "d50"]), st.text(max_size=4))


@settings(max_examples=800, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=damaged(), illuminant=WORDS, observer=WORDS)
def test_a_damaged_file_is_read_or_refused_in_words(tmp_path_factory, data, illuminant, observer):
    path = tmp_path_factory.getbasetemp() / "any-colours.csv"
    path.write_bytes(data)
    with contextlib.suppress(UserError):
        found = table_source.read(path)
        colorimeter.is_colours(found)
        colours = colorimeter.prepared(found, illuminant, observer)
        assert all(set(row.cells) == set(colours.table.header) for row in colours.table.rows)
        assert {"patch"} < set(colours.table.header)


@pytest.mark.parametrize("text", GOOD)
def test_the_files_that_are_damaged_above_are_good(text):
    asked = ("D65", "10") if "R380" in text else ("", "")
    assert 1 <= len(colorimeter.prepared(table(text), *asked).table.rows) <= 2
