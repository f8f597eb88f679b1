"""Quantities, against NIST Handbook 44 appendix C (avoirdupois ounce, US and imperial measures)."""

import pytest

from trials import units
from trials.errors import UserError


@pytest.mark.parametrize(
    ("text", "kind", "amount"),
    [
        ("600 mm", "length", 600),
        ("24 in", "length", 609.6),
        ("2.5 ft", "length", 762),
        # 1 in = 25.4 mm and 1 ft = 12 in, exactly (Handbook 44, app. C)
        ("5 1/2 in", "length", 139.7),
        ("5-1/2 in", "length", 139.7),
        ('5-1/2"', "length", 139.7),
        ("5½ in", "length", 139.7),
        ("5 ½ in.", "length", 139.7),
        ("5 1⁄2 inches", "length", 139.7),
        ('23 5/8"', "length", 600.075),
        ("23⅝″", "length", 600.075),
        ('3/4"', "length", 19.05),
        ("¾ inch", "length", 19.05),
        ("2 ft 3 in", "length", 685.8),
        ("2' 3\"", "length", 685.8),
        ("2'3\"", "length", 685.8),
        ("2 ft. 3 1/2 in.", "length", 698.5),
        ("2′ 3½″", "length", 698.5),
        ("2 ft-3 in", "length", 685.8),
        ("6'", "length", 1828.8),
        ("1 1/2 ft", "length", 457.2),
        ("1 1/2 h", "time", 90),
        ("1/2 gal", "volume", 3785.411784 / 2),
        ("3 min", "time", 3),
        ("90 s", "time", 1.5),
        ("24 h", "time", 1440),
        ("15 g/L", "dye load", 15),
        ("0,5 g/L", "dye load", 0.5),
        # NIST Handbook 44, app. C: 1 oz avdp = 28.349523125 g, 1 US qt = 946.352946 mL
        ("1 oz (weight)/qt", "dye load", 28.349523125 / 0.946352946),
        ("1 oz wt/US qt", "dye load", 28.349523125 / 0.946352946),
        ("4 oz weight/gal", "dye load", 28.349523125 / 0.946352946),
        # the imperial quart is a quarter of 4.54609 L
        ("1 oz (weight)/imperial qt", "dye load", 28.349523125 / 1.1365225),
        ("1 fl oz", "volume", 29.5735295625),
        ("1 imperial fl oz", "volume", 28.4130625),
        ("1 gal", "volume", 3785.411784),
        # 400 square feet a US gallon
        ("400 ft²/gal", "spread", 400 * 0.09290304 / 3.785411784),
        ("5 %", "share", 5),
    ],
)
def test_amounts(text, kind, amount):
    assert units.read(text, kind).amount == pytest.approx(amount, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("600", "length", "has no unit"),
        (600, "length", "has no unit"),
        ("mm", "length", "does not begin with a number"),
        ("600 min", "length", "measures time, not length"),
        ("1/0 in", "length", "1/0 in '1/0 in' is not a fraction of one"),
        ("5 3/2 in", "length", "3/2 in '5 3/2 in' is not a fraction of one"),
        ("2 ft 5/0 in", "length", "5/0 in '2 ft 5/0 in' is not a fraction of one"),
        ("5 1/2", "length", "'5 1/2' has no unit"),
        ("5½", "length", "'5½' has no unit"),
        ("5.5 1/2 in", "length", "is not known"),
        ("1/2/3 in", "length", "is not known"),
        ("2 ft 3 mm", "length", "is not known"),
        ("5 1/2 lb", "length", "measures mass, not length"),
        ('2" 3', "length", "is not known"),
        ("3 mn", "time", "is not known"),
        ("1 oz/qt", "dye load", "whether the ounce is one of weight or of fluid"),
        ("3 __import__('os')", "time", "is not known"),
        ("1 m^2**9999999", "area", "is not known"),
        ("1 mm^9^9^9^9", "length", "is not known"),
        ("1 mm/(1-1)", "length", "is not known"),
        ("1e400 mm", "length", "is not known"),
        ("9" * 400 + " mm", "length", "is out of all proportion"),
        ("0.0000000000001 mm", "length", "is out of all proportion"),
        ("101 years", "time", "is out of all proportion"),
    ],
)
def test_faults(text, kind, says):
    with pytest.raises(UserError, match="write"):
        units.read(text, kind)
    with pytest.raises(UserError) as caught:
        units.read(text, kind)
    assert says in str(caught.value)
