"""Many years of real station weather: the temperature routes against the series' own ETo, and the balance over seasons.

The series come with the public package aquacrop (its data folder): daily Tmin, Tmax, rain and an ETo computed by others
from the stations' full weather. Locations are those of the named places, from memory; elevation and latitude are
rounded.
"""

from functools import cache
from importlib import resources

import numpy as np
import pandas as pd
import pytest

from models import soil
from models.runoff import curve_number, effective_rain
from models.textures import TEXTURES
from models.turf import turf_of_mix
from models.weather import Climate, Place, reference_et

pytest.importorskip("aquacrop")

PLACES = {
    "tunis": Place(36.8, 4.0),
    "brussels": Place(50.8, 100.0),
    "hyderabad": Place(17.4, 540.0),
    "champion": Place(41.4, 1030.0),  # Nebraska
    "cordoba": Place(-31.4, 425.0),  # Argentina: January is its summer
}


@cache
def series(name):
    text = resources.files("aquacrop").joinpath("data", f"{name}_climate.txt")
    with text.open() as lines:
        table = pd.read_csv(lines, sep=r"\s+")
    table.columns = ["day", "month", "year", "tmin", "tmax", "rain", "eto"]
    return table[table.tmin <= table.tmax], pd.to_datetime(
        table.loc[table.tmin <= table.tmax, ["year", "month", "day"]]
    )


def monthly_means(values, table):
    return pd.Series(np.asarray(values)).groupby((table.year * 12 + table.month).to_numpy()).mean().to_numpy()


@pytest.mark.parametrize("route", ["penman-monteith", "hargreaves"])
@pytest.mark.parametrize("name", list(PLACES))
def test_temperature_routes_follow_the_series(name, route):
    # Tolerance: the series had humidity, wind and radiation, we have temperatures. FAO-56 ch. 3 asks for local
    # calibration of such estimates; within 20 % over many years and a monthly correlation above 0.95 is what they give
    # uncalibrated (no source).
    table, dates = series(name)
    place = PLACES[name] if route == "penman-monteith" else Place(PLACES[name].latitude, np.nan)
    climate = Climate.of(dates.dt.dayofyear.to_numpy(), tmin=table.tmin.to_numpy(), tmax=table.tmax.to_numpy())
    result = reference_et(climate, place)
    assert all(text.startswith(route) for text in set(result.route))
    ours, theirs = monthly_means(result.eto, table), monthly_means(table.eto, table)
    assert np.corrcoef(ours, theirs)[0, 1] > 0.95
    assert np.corrcoef(result.eto, table.eto)[0, 1] > 0.85
    assert ours.mean() == pytest.approx(theirs.mean(), rel=0.20)


def test_the_sign_of_the_latitude_matters():
    table, dates = series("cordoba")
    climate = Climate.of(dates.dt.dayofyear.to_numpy(), tmin=table.tmin.to_numpy(), tmax=table.tmax.to_numpy())
    theirs = monthly_means(table.eto, table)
    right = monthly_means(reference_et(climate, Place(-31.4, 425.0)).eto, table)
    wrong = monthly_means(reference_et(climate, Place(31.4, 425.0)).eto, table)
    assert np.corrcoef(right, theirs)[0, 1] > 0.95 > np.corrcoef(wrong, theirs)[0, 1] + 0.2


SEASONS = [("tunis", "bermudagrass"), ("brussels", "perennial_ryegrass"), ("cordoba", "kikuyugrass")]


@pytest.mark.parametrize(("name", "turf"), SEASONS)
def test_balance_closes_over_whole_seasons(name, turf):
    table, _ = series(name)
    table = table[: 365 * 20]
    keys = list(TEXTURES)
    texture = [TEXTURES[key] for key in keys]
    taw = soil.available_water(
        [t.field_capacity for t in texture], [t.wilting_point for t in texture], np.full(len(keys), 0.25)
    )
    mix = turf_of_mix(((turf, 1.0),), PLACES[name].latitude)
    etc = np.tile(table.eto.to_numpy() * mix.kc_month[table.month.to_numpy() - 1], (len(keys), 1))
    p = soil.adjusted_depletion_fraction(np.full(len(keys), mix.depletion_fraction), etc)
    rain = table.rain.to_numpy()[None, :]
    effective, runoff = effective_rain(rain, curve_number([t.hydrologic_group for t in texture]))
    irrigation = np.zeros_like(etc)
    irrigation[:, ::4] = 6.0  # a fixed habit, sometimes too much and sometimes too little
    run = soil.run_balance(np.zeros(len(keys)), irrigation, etc, effective, taw, p)

    put_in = irrigation.sum(axis=1) + rain.sum()
    came_out = runoff.sum(axis=1) + run.drainage.sum(axis=1) + run.etc_actual.sum(axis=1)
    np.testing.assert_allclose(put_in - came_out, -run.depletion[:, -1], atol=1e-6, rtol=0)  # 7300 days of rounding
    assert np.all(run.depletion <= taw[:, None])
    assert np.any(run.stress < 1)  # both regimes are met
    assert np.any(run.drainage > 0)
    # Of two soils that shed the same rain, the one that holds more rides out droughts better.
    order = np.argsort(taw)
    for shed in np.unique(runoff.sum(axis=1)):
        alike = [z for z in order if runoff[z].sum() == shed]
        assert np.all(np.diff(run.stress[alike].mean(axis=1)) >= -1e-9)
