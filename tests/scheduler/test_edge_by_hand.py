"""Numbers as people read them: the unit of each, by its definition, the digits shown, and what is not known."""

from datetime import date, datetime

import pytest

from scheduler import edge

NAN = float("nan")


@pytest.mark.parametrize(
    ("shown", "metric", "us"),
    [
        # 1 in = 25.4 mm; 1 ft = 0.3048 m; 1 US gal = 3.785411784 L; 1 acre = 4046.8564 m2; 1 mi/h = 0.44704 m/s: exact
        (lambda u: edge.format_depth(25.4, u), "25.4 mm", "1.00 in"),
        (lambda u: edge.format_depth(-0.01, u), "0.0 mm", "0.00 in"),
        (lambda u: edge.format_probe_depth(10.0, u), "10 cm", "3.9 in"),
        (lambda u: edge.format_flow(6.30902, u), "6.3 L/s", "100 gal/min"),
        (lambda u: edge.format_head(30.48, u), "30.5 m", "100 ft"),
        (lambda u: edge.format_area(4047.0, u), "4,047 m²", "1.00 acres"),
        (lambda u: edge.format_area(4046.0, u), "4,046 m²", "43,551 ft²"),
        (lambda u: edge.format_area(10000.0, u), "1.00 ha", "2.47 acres"),
        (lambda u: edge.format_area(9999.0, u), "9,999 m²", "2.47 acres"),
        (lambda u: edge.format_rate(25.4, u), "25.4 mm/h", "1.00 in/h"),
        (lambda u: edge.format_wind(4.4704, u), "4.5 m/s", "10 mph"),
        (lambda u: edge.format_temperature(-10.0, u), "-10 °C", "14 °F"),
        (lambda u: edge.format_temperature(100.0, u), "100 °C", "212 °F"),
        (lambda u: edge.format_volume(3.785411784, u), "3.8 m³", "1,000 gal"),
        (lambda u: edge.format_volume(12334.0, u), "12,330 m³", "3,260,000 gal"),
        (lambda u: edge.format_volume(12335.0, u), "12,340 m³", "10.0 acre-ft"),
        (lambda u: edge.format_volume(123.348, u, beside=20000.0), "123.3 m³", "0.10 acre-ft"),
        (lambda u: edge.format_volume(20000.0, u, beside=100.0), "20,000 m³", "5,280,000 gal"),
        (lambda u: edge.format_volume(0.0, u), "0 m³", "0 gal"),
        (lambda u: edge.format_time(datetime(2026, 7, 14, 0, 5), u), "00:05", "12:05 am"),
        (lambda u: edge.format_time(datetime(2026, 7, 14, 12, 0), u), "12:00", "12:00 pm"),
        (lambda u: edge.format_date(date(2026, 1, 4), u), "Sunday 4 January 2026", "Sunday, January 4, 2026"),
        (lambda u: edge.format_short_date(date(2026, 12, 31), u), "Thu 31 Dec", "Thu Dec 31"),
        (lambda u: edge.format_day_after(date(2026, 12, 31), u), "Fri 1 Jan", "Fri Jan 1"),
    ],
)
def test_a_number_has_its_unit(shown, metric, us):
    assert (shown("metric"), shown("us")) == (metric, us)


@pytest.mark.parametrize("value", [None, NAN, float("inf")])
def test_what_is_not_known_is_a_dash(value):
    of_units = (
        edge.format_depth,
        edge.format_volume,
        edge.format_flow,
        edge.format_head,
        edge.format_area,
        edge.format_rate,
        edge.format_temperature,
        edge.format_wind,
    )
    assert {f(value, u) for f in of_units for u in ("us", "metric")} == {edge.DASH}
    assert {
        f(value) for f in (edge.format_duration, edge.format_energy, edge.format_salinity, edge.format_percent)
    } == {edge.DASH}
    assert {f(value, "USD") for f in (edge.format_money, edge.format_energy_price)} == {edge.DASH}


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (0.0, "0 min"),
        (1 / 60, "1 s"),
        (59.99, "59 min 59 s"),
        (59.999, "1 h"),
        (60.0, "1 h"),
        (119.6, "2 h"),
        (90.0, "1 h 30 min"),
        (1.5, "1 min 30 s"),
    ],
)
def test_lengths_of_time(minutes, text):
    assert edge.format_duration(minutes) == text


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        (99.994, "USD", "99.99 USD"),
        (100.0, "USD", "100 USD"),
        (-100.0, "$", "$-100"),
        (-99.0, "EUR", "-99.00 EUR"),
        (5.0, "", "5.00"),
        (12345.6, "€", "€12,346"),
    ],
)
def test_money(amount, currency, text):
    assert edge.format_money(amount, currency) == text


def test_shares_salts_energy_and_keys():
    assert (edge.format_percent(0.125), edge.format_percent(12.5), edge.format_count(1234567)) == (
        "12 %",
        "1,250 %",
        "1,234,567",
    )
    assert (edge.format_salinity(1.25), edge.format_energy(1234.5)) == ("1.2 dS/m", "1,234 kWh")
    assert (
        edge.format_energy_price(0.12345, "USD") == "0.123 USD/kWh" and edge.format_energy_price(0.1, "") == "0.100/kWh"
    )
    assert edge.flow_scale("metric") == edge.volume_scale("metric") == 1.0
    assert edge.flow_scale("us") == pytest.approx(15.850323, abs=5e-7)  # gal/min in one L/s
    assert edge.volume_scale("us") == pytest.approx(0.264172, abs=5e-7)  # thousands of gallons in one m3
    assert sorted(["b10", "B9", "a", "10", "9"], key=edge.natural_key) == ["9", "10", "a", "B9", "b10"]
    with pytest.raises(ValueError, match='read "imperial"'):
        edge.format_depth(1.0, "imperial")


@pytest.mark.parametrize(
    ("value", "figures", "most", "text"),
    [
        (1234.5, 3, 2, "1,230"),
        (12.345, 3, 2, "12.3"),
        (0.0123, 3, 2, "0.01"),
        (999.6, 3, 0, "1,000"),
        (-0.001, 3, 1, "0.0"),
        (5.0, 4, 1, "5.0"),
    ],
)
def test_about_so_many_figures(value, figures, most, text):
    assert edge._figures(value, figures, most) == text
