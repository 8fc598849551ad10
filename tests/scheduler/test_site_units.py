"""Units at the edge. Factors are exact by definition (inch 25.4 mm, gallon 231 in3, calorie 4.184 J) unless said."""

import pytest

from scheduler.site.units import conversion, price_per, quantity


@pytest.mark.parametrize(
    ("written", "inside", "one"),
    [
        ("ft2", "m2", 0.3048**2),
        ("ha", "m2", 1e4),
        ("gal/min", "L/s", 3.785411784 / 60),
        ("GPM", "L/s", 3.785411784 / 60),
        ("m3/h", "L/s", 1 / 3.6),
        ("in", "mm", 25.4),
        ("in/d", "mm", 25.4),
        ("in/h", "mm/h", 25.4),
        ("ft", "m", 0.3048),
        ("in", "cm", 2.54),
        ("%", "", 0.01),
        ("fraction", "%", 100.0),
        ("mS/cm", "dS/m", 1.0),
        ("uS/cm", "dS/m", 0.001),
        ("langley", "MJ/m2/d", 0.04184),
        ("W/m2", "MJ/m2/d", 0.0864),
        ("mph", "m/s", 0.44704),
        ("km/d", "m/s", 1 / 86.4),
        ("h", "min", 60.0),
        ("gal/min/min", "L/s/min", 3.785411784 / 60),
        ("1000 gal", "m3", 3.785411784),
        ("ccf", "m3", 100 * 0.3048**3),
        ("hcf", "m3", 100 * 0.3048**3),
    ],
)
def test_one_of_a_unit(written, inside, one):
    scale = conversion(written, inside)
    assert scale.factor == pytest.approx(one, rel=1e-12)
    assert scale.offset == 0.0


def test_fahrenheit_has_an_offset():
    scale = conversion("degF", "degC")
    assert scale.inside(32.0) == pytest.approx(0.0, abs=1e-9)
    assert scale.inside(-40.0) == pytest.approx(-40.0, abs=1e-9)
    assert scale.written(37.0) == pytest.approx(98.6, abs=1e-9)


def test_psi_is_read_as_head_of_water():
    # 1 psi = 6894.757 Pa; of water of 1000 kg/m3 under standard gravity 9.80665 m/s2 that is 0.70307 m
    assert quantity("120 psi", "m") == pytest.approx(120 * 0.70307, abs=120 * 5e-6)


def test_quantities_of_toml():
    assert quantity("1100 gal/min", "L/s") == pytest.approx(69.399216, abs=5e-7)
    assert quantity("60 ft", "m") == pytest.approx(18.288)
    # acre-foot 1233.48 m3: the survey and the international foot agree to that many digits
    assert quantity("250 acre_ft", "m3") == pytest.approx(250 * 1233.48, rel=1e-5)
    assert quantity(15, "m", "cm") == pytest.approx(0.15)


@pytest.mark.parametrize(
    "written", ["gal", "foo", "", "m", "9**9**9**9", "[", "__import__('os')", "m2" * 30, "1000000000 m2"]
)
def test_a_unit_that_is_none_is_refused(written):
    with pytest.raises(ValueError, match="m2, ft2, acre or ha is allowed"):
        conversion(written, "m2")


def test_an_angle_is_no_slope():
    with pytest.raises(ValueError, match="% or fraction is allowed"):
        conversion("deg", "%")


@pytest.mark.parametrize("value", [True, "five", "nan", float("nan"), float("inf"), 10**400, None, [1]])
def test_what_is_no_quantity(value):
    with pytest.raises(ValueError, match="is allowed"):
        quantity(value, "m")


@pytest.mark.parametrize(
    ("written", "price"),
    [
        ("2.10 per 1000 gal", 2.10 / 3.785411784),
        ("$2.10/kgal", 2.10 / 3.785411784),
        ("0.55 EUR per m3", 0.55),
        ("USD 750 / acre_ft", 750 / 1233.489),
        ("0.5", 0.5),
        (1.2, 1.2),
    ],
)
def test_prices(written, price):
    assert price_per(written, "m3") == pytest.approx(price, rel=1e-5)


@pytest.mark.parametrize("written", ["free", "2 per gal/min", "2 per 0 gal", float("nan")])
def test_what_is_no_price(written):
    with pytest.raises(ValueError, match="allowed"):
        price_per(written, "m3")
