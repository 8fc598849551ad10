"""Reference ET and its chapter 3 routes against FAO-56's worked examples; the status mark of each number is beside
it."""

import numpy as np
import pytest

from models import sky, weather
from models.sky import wind_at_2m
from models.weather import Climate, Place, reference_et

UCCLE = Place(latitude=50.8, elevation=100.0)
UCCLE_DAY = {"tmin": [12.3], "tmax": [21.5], "rhmin": [63.0], "rhmax": [84.0], "wind": [2.078], "sunshine": [9.25]}
LYON = Place(latitude=45.0 + 43.0 / 60.0, elevation=200.0)


def eto_and_route(day_of_year, place, method="fao56", **known):
    result = reference_et(Climate.of(day_of_year, **known), place, method)
    return result.eto, list(result.route)


def test_example_18_uccle_printed_eto():
    # FAO-56 ch. 4 Ex. 18, Uccle, 6 July: printed 3.9, 3.88 with two digits. Mark: secondary.
    eto, route = eto_and_route([187], UCCLE, **UCCLE_DAY)
    assert eto[0] == pytest.approx(3.88, abs=0.005)
    assert route == ["penman-monteith: radiation from sunshine"]


def test_example_18_steps_of_radiation_and_vapour():
    # Ex. 18: Ra 41.09, N 16.1 (computed), Rs 22.07, Rso 30.90, ea 1.409 (secondary unless said).
    above = sky.extraterrestrial_radiation([187], UCCLE.latitude)
    assert above[0] == pytest.approx(41.09, abs=0.005)
    assert sky.daylight_hours([187], UCCLE.latitude)[0] == pytest.approx(16.1, abs=0.05)
    assert sky.clear_sky_radiation(above, UCCLE.elevation)[0] == pytest.approx(30.90, abs=0.005)
    day = Climate.of([187], **UCCLE_DAY)
    inputs = weather._chapter_3_inputs(day, UCCLE, np.array([0]))
    assert inputs.solar[0] == pytest.approx(22.07, abs=0.005)
    assert inputs.vapour_pressure[0] == pytest.approx(1.409, abs=0.0005)


def test_example_18_wind_at_2m():
    # Ex. 18: 10 km/h at 10 m is 2.078 m/s at 2 m. Mark: secondary. FAO-56 Eq. 47 factor at 10 m 0.748: secondary.
    assert wind_at_2m(10.0 / 3.6, 10.0) == pytest.approx(2.078, abs=0.0005)
    assert wind_at_2m(1.0, 10.0) == pytest.approx(0.748, abs=0.0005)
    assert wind_at_2m([3.1, np.nan], 2.0)[0] == 3.1
    with pytest.raises(ValueError, match="height must be above 0.1"):
        wind_at_2m(2.0, 0.0)


def test_example_17_bangkok_monthly_step_with_soil_heat_flux():
    # FAO-56 ch. 4 Ex. 17, Bangkok, April: ETo 5.72, Ra 38.06, Rso 28.54, Rs 22.65, G 0.14 secondary; N 12.31: computed;
    # ea 2.85 and n 8.5 h: memory (ETo is 5.7183 if ea is 2.846, which prints the same).
    latitude = 13.0 + 44.0 / 60.0
    above = sky.extraterrestrial_radiation([105], latitude)
    clear = sky.clear_sky_radiation(above, 2.0)
    daylight = sky.daylight_hours([105], latitude)
    assert above[0] == pytest.approx(38.06, abs=0.005)
    assert clear[0] == pytest.approx(28.54, abs=0.005)
    assert daylight[0] == pytest.approx(12.31, abs=0.005)
    solar = (0.25 + 0.50 * 8.5 / daylight) * above
    assert solar[0] == pytest.approx(22.65, abs=0.005)
    eto = weather.penman_monteith([25.6], [34.8], [2.85], [2.0], solar, clear, 2.0, soil_heat_flux=0.14)
    assert eto[0] == pytest.approx(5.72, abs=0.005)


def test_example_20_temperatures_alone():
    # FAO-56 ch. 4 Ex. 20, near Lyon, July. Mark: inputs memory, results computed from Eq. 50, 48 and 6; 4.56 and Ra
    # 40.55.
    eto, route = eto_and_route([196], LYON, tmin=[14.8], tmax=[26.6])
    assert eto[0] == pytest.approx(4.56, abs=0.005)
    assert route == ["penman-monteith: radiation from temperatures, vapour pressure from tmin, wind 2 m/s"]
    assert sky.extraterrestrial_radiation([196], LYON.latitude)[0] == pytest.approx(40.55, abs=0.005)


def test_example_20_hargreaves_is_the_last_step():
    # Eq. 52 with the same data: 5.03 (computed). Without an elevation the pressure is not known, so Eq. 6 cannot be
    # evaluated.
    eto, route = eto_and_route([196], Place(LYON.latitude, np.nan), tmin=[14.8], tmax=[26.6])
    assert eto[0] == pytest.approx(5.03, abs=0.005)
    assert route == ["hargreaves"]


def test_each_route_is_taken_and_named():
    # The formulas are checked above; here each missing reading, alone, must change the word and keep a believable
    # number.
    full = {name: value[0] for name, value in UCCLE_DAY.items()} | {"solar": 22.07, "rh": 73.5}
    cases = {
        "penman-monteith": (),
        "penman-monteith: radiation from sunshine": ("solar",),
        "penman-monteith: radiation from temperatures": ("solar", "sunshine"),
        "penman-monteith: vapour pressure from RHmax": ("rhmin",),
        "penman-monteith: vapour pressure from mean RH": ("rhmax", "rhmin"),
        "penman-monteith: vapour pressure from tmin": ("rhmax", "rhmin", "rh"),
        "penman-monteith: wind 2 m/s": ("wind",),
        "missing": ("tmax",),
    }
    columns = {name: [np.nan if name in gone else full[name] for gone in cases.values()] for name in full}
    eto, route = eto_and_route([187] * len(cases), UCCLE, **columns)
    assert route == list(cases)
    assert np.isnan(eto[-1])
    assert np.all(np.abs(eto[:-1] - 3.88) < 0.6)


def test_given_eto_is_used_unless_it_cannot_be_true():
    eto, route = eto_and_route([187, 187, 187], UCCLE, tmin=[12.3] * 3, tmax=[21.5] * 3, eto_given=[5.5, -3.0, np.nan])
    assert eto[0] == 5.5
    assert route[0] == "given"
    assert route[1].endswith("; refused eto")
    assert eto[1] == eto[2] > 0
    assert "refused" not in route[2]


def test_readings_that_cannot_be_true_are_refused_and_named():
    wrong = UCCLE_DAY | {"solar": [80.0], "sunshine": [30.0], "rhmax": [140.0], "wind": [-1.0]}
    eto, route = eto_and_route([187], UCCLE, **wrong)
    expected, _ = eto_and_route([187], UCCLE, tmin=[12.3], tmax=[21.5])
    assert route[0].endswith("; refused solar, sunshine, humidity, wind")
    assert eto[0] == expected[0]


def test_humidity_written_as_a_fraction_is_refused():
    _, route = eto_and_route([187], UCCLE, **(UCCLE_DAY | {"rhmin": [0.63], "rhmax": [0.84]}))
    assert "vapour pressure from tmin" in route[0]
    assert "refused humidity" in route[0]


def test_a_least_humidity_above_all_air_can_hold_is_refused():
    _, route = eto_and_route([187], UCCLE, **(UCCLE_DAY | {"rhmin": [140.0], "rhmax": [np.nan]}))
    assert "refused humidity" in route[0]


def test_crossed_or_wild_temperatures_are_missing():
    eto, route = eto_and_route([10, 10], UCCLE, tmin=[20.0, 5.0], tmax=[10.0, 95.0])
    assert np.all(np.isnan(eto))
    assert route == ["missing", "missing"]


def test_polar_night_and_day_stay_finite():
    eto, _ = eto_and_route([355, 172], Place(80.0, 10.0), tmin=[-30.0, 0.0], tmax=[-20.0, 6.0], sunshine=[0.0, 12.0])
    assert np.all(np.isfinite(eto))
    assert np.all(eto >= 0)
    assert sky.daylight_hours([355, 172], 80.0).tolist() == pytest.approx([0.0, 24.0])


def test_days_may_repeat_and_be_out_of_order():
    one, _ = eto_and_route([187], UCCLE, **UCCLE_DAY)
    columns = {name: [value[0], value[0], value[0]] for name, value in UCCLE_DAY.items()}
    many, _ = eto_and_route([187, 20, 187], UCCLE, **columns)
    assert many[0] == many[2] == one[0]
    assert many[1] < many[0]
    nothing, route = eto_and_route([], UCCLE)
    assert nothing.size == 0
    assert route == []


def test_asce_short_reference_equals_fao56_for_daily_steps():
    # ASCE-EWRI 2005: for daily steps the short reference has the coefficients of FAO-56 (900, 0.34). Mark: memory.
    fao, _ = eto_and_route([187], UCCLE, **UCCLE_DAY)
    asce, _ = eto_and_route([187], UCCLE, method="asce", **UCCLE_DAY)
    assert asce[0] == pytest.approx(fao[0], rel=1e-9)


def test_refusals():
    with pytest.raises(ValueError, match='method must be "fao56" or "asce"'):
        reference_et(Climate.of([187], tmin=[1.0], tmax=[2.0]), UCCLE, "blaney")
    with pytest.raises(ValueError, match="tmax must have shape"):
        Climate.of([187, 188], tmin=[1.0, 1.0], tmax=[2.0])
    with pytest.raises(ValueError, match="day_of_year"):
        Climate.of([0])
    with pytest.raises(TypeError, match="unknown weather column 'tmean'"):
        Climate.of([187], tmean=[3.0])
    with pytest.raises(ValueError, match="latitude"):
        Place(95.0, 0.0)
    with pytest.raises(ValueError, match="elevation"):
        Place(45.0, 20000.0)


def chosen(*names):
    """Uccle's day with only these readings."""
    full = {name: value[0] for name, value in UCCLE_DAY.items()} | {"solar": 22.07, "rh": 73.5}
    return weather._chapter_3_inputs(Climate.of([187], **{n: [full[n]] for n in names}), UCCLE, np.array([0]))


def test_vapour_pressure_of_each_route_by_hand():
    # Uccle: e0(12.3) = 1.431, e0(21.5) = 2.564 kPa (FAO-56 Annex 2 Table 2.3: memory). Eq. 17, 18, 19 and 48
    both = ("tmin", "tmax")
    cases = {
        (*both, "rhmin", "rhmax"): (1.431 * 0.84 + 2.564 * 0.63) / 2,
        (*both, "rhmax"): 1.431 * 0.84,
        (*both, "rhmin", "rh"): 0.735 * (1.431 + 2.564) / 2,
        both: 1.431,
    }
    for names, expected in cases.items():
        assert chosen(*names).vapour_pressure[0] == pytest.approx(expected, abs=1e-3)


def test_radiation_of_each_route_by_hand():
    # Ra 41.09, N 16.1: 9.25 h of sun are Rs 22.07; 0.16 sqrt(9.2) Ra = 19.94, below a clear sky of 30.90
    assert chosen("tmin", "tmax", "solar", "sunshine").solar[0] == 22.07
    assert chosen("tmin", "tmax").solar[0] == pytest.approx(0.16 * np.sqrt(9.2) * 41.09, abs=0.01)
    hot = Climate.of([187], tmin=[0.0], tmax=[40.0])  # 0.16 sqrt(40) Ra would be more than a clear sky gives
    assert weather._chapter_3_inputs(hot, UCCLE, np.array([0])).solar[0] == pytest.approx(30.90, abs=0.005)
    assert chosen("tmin", "tmax").wind[0] == 2.0


@pytest.mark.parametrize(
    ("name", "allowed", "refused"),
    [
        ("solar", [0.0, 42.0], [-0.1, 42.2]),  # Ra 41.09 and 1 MJ more
        ("sunshine", [0.0, 17.0], [-0.1, 17.2]),  # N 16.1 and an hour more
        ("wind", [0.0, 40.0], [-0.1, 40.1]),
        ("rhmax", [64.0, 105.0], [0.9, 105.1, 1.0]),  # 1.0 is a fraction
        ("rhmin", [0.0, 84.0], [-0.1, 85.0]),  # not above the highest
        ("rh", [1.1, 105.0], [0.7, 1.0, 105.1]),
        ("eto_given", [0.0, 25.0], [-0.1, 25.1]),
    ],
)
def test_edges_of_what_a_reading_can_be(name, allowed, refused):
    for values, said in ((allowed, False), (refused, True)):
        for value in values:
            day = UCCLE_DAY | {"rh": [70.0]} | {name: [value]}
            eto, route = eto_and_route([187], UCCLE, **day)
            assert ("refused" in route[0]) is said and np.isfinite(eto[0])
    alone, fraction = (eto_and_route([187], UCCLE, tmin=[12.3], tmax=[21.5], rhmax=[h])[1][0] for h in (1.01, 1.0))
    assert "vapour pressure from RHmax" in alone and "refused humidity" in fraction
    extreme = [[-60.0, 60.0], [-60.1, 20.0], [10.0, 60.1]]
    days = [eto_and_route([187], UCCLE, tmin=[low], tmax=[high])[1][0] == "missing" for low, high in extreme]
    assert days == [False, True, True]
    assert eto_and_route([187], UCCLE, tmin=[15.0], tmax=[15.0])[1][0] != "missing"


def test_sun_longer_than_the_day_is_a_day_of_sun_and_wet_air_is_full():
    longer, just = (eto_and_route([187], UCCLE, **(UCCLE_DAY | {"sunshine": [h]}))[0][0] for h in (17.0, 16.105))
    assert longer == pytest.approx(just, rel=1e-3)
    wetter, full = (eto_and_route([187], UCCLE, **(UCCLE_DAY | {"rhmax": [h]}))[0][0] for h in (105.0, 100.0))
    assert wetter == full


def test_what_is_known_of_one_day_is_not_taken_for_another():
    # a day of its own ET between two that are reckoned, and one without temperatures: each keeps its own route
    columns = {name: [value[0]] * 4 for name, value in UCCLE_DAY.items()} | {"eto_given": [np.nan, 2.5, np.nan, 30.0]}
    columns["tmin"] = [12.3, 12.3, np.nan, 12.3]
    columns["wind"] = [2.078, 50.0, 2.078, np.nan]
    eto, route = eto_and_route([187] * 4, UCCLE, **columns)
    assert eto[0] == pytest.approx(3.88, abs=0.005) and eto[1] == 2.5 and np.isnan(eto[2])
    assert route[1:3] == ["given", "missing"]
    assert route[3] == "penman-monteith: radiation from sunshine, wind 2 m/s; refused eto"


def test_hargreaves_by_hand_and_never_below_nothing():
    # 0.0023 (20.7 + 17.8) sqrt(11.8) 0.408 40.55 = 5.03; air of -20 degC gives no ET
    assert weather.hargreaves([14.8], [26.6], [40.55])[0] == pytest.approx(5.03, abs=0.005)
    assert weather.hargreaves([-30.0], [-10.0], [40.0]).tolist() == [0.0]


def test_a_clear_sky_is_clearer_higher_up():
    assert sky.clear_sky_radiation([40.0], 1000.0)[0] == pytest.approx(0.77 * 40.0)
    assert sky.clear_sky_radiation([40.0], 0.0)[0] == 30.0


@pytest.mark.parametrize(("latitude", "elevation"), [(90.0, 9000.0), (-90.0, -500.0), (0.0, np.nan)])
def test_places_on_the_edge_are_allowed(latitude, elevation):
    assert Place(latitude, elevation).latitude == latitude
    for wrong in ((90.1, 0.0), (-90.1, 0.0), (0.0, 9001.0), (0.0, -501.0)):
        with pytest.raises(ValueError, match="must lie in"):
            Place(*wrong)


def test_days_of_the_year_on_the_edge():
    assert Climate.of([1, 366]).day_of_year.tolist() == [1.0, 366.0]
    for wrong in ([1, 367], [0.5, 5], [1, np.nan]):
        with pytest.raises(ValueError, match="1 to 366"):
            Climate.of(wrong)
    with pytest.raises(ValueError, match=r"shape \(T,\)"):
        Climate.of([[1, 2]])
    with pytest.raises(ValueError, match="height"):
        wind_at_2m(2.0, 0.1)
