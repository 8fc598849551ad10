"""The three open formats, in documents made by us in the shapes the services document; days worked out by hand."""

import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from scheduler.feeds import geojson_series
from scheduler.feeds.bulletin import Refused
from scheduler.feeds.daily_arrays import read_daily_arrays
from scheduler.feeds.geojson_series import read_geojson_series
from scheduler.feeds.interval_layers import read_interval_layers

LOS_ANGELES = ZoneInfo("America/Los_Angeles")
WIND = 4.87 / np.log(67.8 * 10.0 - 5.42)  # FAO-56 Eq. 47 for 10 m: 0.748 (printed there)


def arrays(**daily):
    units = {"temperature_2m_max": "°F", "temperature_2m_min": "°C", "precipitation_sum": "inch"}
    document = {
        "latitude": 36.6, "longitude": -121.9, "timezone": "America/Los_Angeles",
        "daily_units": units | {"wind_speed_10m_mean": "km/h"},
        "daily": {"time": ["2026-07-14", "2026-07-15"], **daily},
    }  # fmt: skip
    return json.dumps(document).encode()


def test_daily_arrays_take_their_units_from_the_document():
    data = arrays(
        temperature_2m_max=[86.0, None], temperature_2m_min=[12.0, 13.0], precipitation_sum=[0.5, 0.0],
        wind_speed_10m_mean=[18.0, 36.0], precipitation_probability_max=[40, 10],
    )  # fmt: skip
    rows = read_daily_arrays(data, "America/Los_Angeles").rows
    assert rows["tmax"][0] == pytest.approx(30.0) and np.isnan(rows["tmax"][1])
    assert rows["tmin"].tolist() == [12.0, 13.0]
    assert rows["rain"][0] == pytest.approx(12.7)
    assert rows["wind"].tolist() == pytest.approx([5.0 * WIND, 10.0 * WIND])
    assert rows["rain_probability"].tolist() == pytest.approx([0.4, 0.1])


def test_members_of_daily_arrays_are_rows_of_their_own():
    data = arrays(
        temperature_2m_max=[80, 80], temperature_2m_min=[10, 10],
        precipitation_sum_member01=[0, 1], precipitation_sum_member02=[2, 0],
        temperature_2m_max_member01=[86, 86], temperature_2m_max_member02=[77, 77],
    )  # fmt: skip
    rows = read_daily_arrays(data, "America/Los_Angeles").rows
    assert rows["member"].unique().tolist() == ["control", "member01", "member02"]
    second = rows[rows["member"] == "member02"]
    assert second["tmax"].tolist() == pytest.approx([25.0, 25.0])
    assert second["tmin"].tolist() == [10.0, 10.0]  # given once, it is every member's


def test_arrays_of_a_single_date_are_read():
    document = json.loads(arrays(temperature_2m_max=[28.0], temperature_2m_min=[11.0]))
    document["daily"]["time"] = ["2026-07-14"]
    rows = read_daily_arrays(json.dumps(document).encode(), "America/Los_Angeles").rows
    assert rows[["date", "tmin"]].to_numpy().tolist() == [["2026-07-14", 11.0]]


def test_days_of_another_clock_are_said():
    document = json.loads(arrays(temperature_2m_max=[1, 1], temperature_2m_min=[0, 0])) | {"timezone": "GMT"}
    notes = read_daily_arrays(json.dumps(document).encode(), "America/Los_Angeles").notes
    assert any("timezone=America/Los_Angeles" in note for note in notes)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b'{"error": true, "reason": "Parameter out of range"}', "Parameter out of range"),
        (b"<!DOCTYPE html><html><body>502</body></html>", "web page"),
        (arrays(temperature_2m_max=[1, 1], temperature_2m_min=[0, 0])[:120], "cut off"),
        (b"", "empty"),
        (b"[1, 2]", "no object"),
        (b'{"daily": {"time": ["14 July"]}, "daily_units": {}}', "no date"),
        (arrays(temperature_2m_max=[1], temperature_2m_min=[0, 0]), "one value a date"),
        (arrays(temperature_2m_max=["hot", 1], temperature_2m_min=[0, 0]), "no number"),
        (arrays(), "none of the variables"),
        (b'{"daily": {"time": ["2026-07-14", "2026-07-14"]}}', "twice"),
    ],
)
def test_daily_arrays_that_are_none_are_refused(data, words):
    with pytest.raises(Refused, match=words):
        read_daily_arrays(data, "UTC")


def entry(moment, temperature, periods, **instant):
    details = {"air_temperature": temperature, **instant}
    return {"time": moment.strftime("%Y-%m-%dT%H:%M:%SZ"), "data": {"instant": {"details": details}, **periods}}


def amount(mm, percent=None, **more):
    details = {"precipitation_amount": mm, **({} if percent is None else {"probability_of_precipitation": percent})}
    return {"details": details | more}


def series(entries, units=None):
    meta = {"updated_at": "2026-07-14T20:00:00Z", "units": {"air_temperature": "celsius", **(units or {})}}
    document = {
        "type": "Feature", "geometry": {"type": "Point", "coordinates": [-121.9, 36.6, 30]},
        "properties": {"meta": meta, "timeseries": entries},
    }  # fmt: skip
    return json.dumps(document).encode()


def hourly_then_six_hourly():
    """From 07:00 UTC of 14 July (local midnight) hourly for 24 h, each with the six hours after it; then six-hourly."""
    start = datetime(2026, 7, 14, 7, tzinfo=UTC)
    entries = [
        entry(
            start + timedelta(hours=h), 15.0 + h % 24 / 2,
            {"next_1_hours": amount(0.1), "next_6_hours": amount(9.9, 30)}, wind_speed=4.0, relative_humidity=50 + h,
        )
        for h in range(24)
    ]  # fmt: skip
    six = [
        entry(
            start + timedelta(hours=24 + 6 * k), 20.0,
            {"next_6_hours": amount(1.5, 60, air_temperature_min=11.0 + k, air_temperature_max=24.0 + k)},
            wind_speed=2.0, relative_humidity=70,
        )
        for k in range(4)
    ]  # fmt: skip
    return [*entries, *six]


def test_a_moment_of_a_time_series_is_counted_once():
    bulletin = read_geojson_series(series(hourly_then_six_hourly()), LOS_ANGELES)
    rows = bulletin.rows.set_index("date")
    assert rows.index.tolist() == ["2026-07-14", "2026-07-15"]
    # 24 hours of 0.1 mm; the six-hourly amounts that overlap them do not count
    assert rows.loc["2026-07-14", "rain"] == pytest.approx(2.4)
    assert rows.loc["2026-07-15", "rain"] == pytest.approx(6.0)
    assert rows.loc["2026-07-14", ["tmin", "tmax"]].tolist() == [15.0, 26.5]
    assert rows.loc["2026-07-15", ["tmin", "tmax"]].tolist() == [11.0, 27.0]  # from the six-hourly extremes
    assert rows.loc["2026-07-14", ["rhmin", "rhmax"]].tolist() == [50.0, 73.0]
    assert rows.loc["2026-07-14", "wind"] == pytest.approx(4.0 * WIND)
    assert rows["rain_probability"].tolist() == pytest.approx([0.3, 0.6])
    assert bulletin.issued == datetime(2026, 7, 14, 20, tzinfo=UTC)
    assert (bulletin.latitude, bulletin.longitude) == (36.6, -121.9)


def test_a_time_series_begins_with_its_first_day_and_is_no_longer_than_the_longest(monkeypatch):
    # Two entries: one day and a half from local midnight; the first day is spoken of by its first entry alone.
    start = datetime(2026, 7, 14, 7, tzinfo=UTC)
    entries = [entry(start + timedelta(hours=6 * k), 20.0, {"next_6_hours": amount(0.0)}) for k in (0, 1, 2, 3, 4)]
    rows = read_geojson_series(series(entries), LOS_ANGELES).rows
    assert rows["date"].tolist()[0] == "2026-07-14"
    monkeypatch.setattr(geojson_series, "LONGEST", 5)
    assert len(read_geojson_series(series(entries), LOS_ANGELES).rows) == len(rows)
    monkeypatch.setattr(geojson_series, "LONGEST", 4)
    with pytest.raises(Refused, match="no time series"):
        read_geojson_series(series(entries), LOS_ANGELES)


def test_a_six_hour_amount_over_midnight_is_divided():
    start = datetime(2026, 7, 14, 4, tzinfo=UTC)  # 21:00 local of 13 July: three of six hours before midnight
    entries = [
        entry(start + timedelta(hours=6 * k), 20.0, {"next_6_hours": amount(6.0 if k == 0 else 0.0)}) for k in range(9)
    ]
    rows = read_geojson_series(series(entries), LOS_ANGELES).rows.set_index("date")
    assert rows.loc["2026-07-14", "rain"] == pytest.approx(3.0)


def test_a_time_series_in_other_units_or_without_its_time_of_update_is_refused():
    entries = hourly_then_six_hourly()
    with pytest.raises(Refused, match="fahrenheit"):
        read_geojson_series(series(entries, {"air_temperature": "fahrenheit"}), LOS_ANGELES)
    cut = json.loads(series(entries))
    del cut["properties"]["meta"]["updated_at"]
    with pytest.raises(Refused, match="updated_at"):
        read_geojson_series(json.dumps(cut).encode(), LOS_ANGELES)


def layer(uom, *values):
    return {"uom": uom, "values": [{"validTime": when, "value": value} for when, value in values]}


def layers(**more):
    square = [[-122.0, 36.5], [-121.8, 36.5], [-121.8, 36.7], [-122.0, 36.7], [-122.0, 36.5]]
    properties = {
        "updateTime": "2026-07-14T18:00:00+00:00",
        "maxTemperature": layer(
            "wmoUnit:degC", ("2026-07-14T15:00:00+00:00/PT13H", 28.0), ("2026-07-15T15:00:00+00:00/P1DT13H", 30.0)
        ),
        "minTemperature": layer(
            "wmoUnit:degC", ("2026-07-14T02:00:00+00:00/PT14H", 11.0), ("2026-07-15T02:00:00+00:00/P1DT14H", 13.0)
        ),
        **more,
    }
    return json.dumps({"geometry": {"type": "Polygon", "coordinates": [square]}, "properties": properties}).encode()


def test_the_chance_of_rain_of_a_day_is_the_greatest_of_its_hours_as_a_share():
    chance = layer(
        "wmoUnit:percent", ("2026-07-14T07:00:00+00:00/PT12H", 20), ("2026-07-14T19:00:00+00:00/PT12H", 60),
        ("2026-07-15T07:00:00+00:00/PT24H", 5),
    )  # fmt: skip
    rows = read_interval_layers(layers(probabilityOfPrecipitation=chance), LOS_ANGELES).rows
    assert rows["rain_probability"].tolist()[:2] == [0.6, 0.05]


def test_equal_neighbours_of_a_layer_stand_for_both_days():
    bulletin = read_interval_layers(layers(), LOS_ANGELES)
    rows = bulletin.rows.set_index("date")
    assert rows["tmax"].to_dict() == {"2026-07-14": 28.0, "2026-07-15": 30.0, "2026-07-16": 30.0}
    assert rows["tmin"].to_dict() == {"2026-07-14": 11.0, "2026-07-15": 13.0, "2026-07-16": 13.0}
    assert (bulletin.latitude, bulletin.longitude) == pytest.approx((36.6, -121.9))


def test_an_amount_of_a_layer_is_divided_over_local_days():
    # 12 mm over the 24 h from 18:00 local of 14 July: a quarter before midnight
    rain = layer(
        "wmoUnit:mm", ("2026-07-14T07:00:00+00:00/PT18H", 0.0), ("2026-07-15T01:00:00+00:00/P1D", 12.0),
        ("2026-07-16T01:00:00+00:00/PT6H", 0.0),
    )  # fmt: skip
    wind = layer("wmoUnit:km_h-1", ("2026-07-14T07:00:00+00:00/PT12H", 36.0), ("2026-07-14T19:00:00+00:00/PT12H", 0.0))
    data = layers(quantitativePrecipitation=rain, windSpeed=wind)
    rows = read_interval_layers(data, LOS_ANGELES).rows.set_index("date")
    assert rows.loc["2026-07-14", "rain"] == pytest.approx(3.0)
    assert rows.loc["2026-07-15", "rain"] == pytest.approx(9.0)
    assert rows.loc["2026-07-14", "wind"] == pytest.approx(5.0 * WIND)  # half the day at 10 m/s
    assert np.isnan(rows.loc["2026-07-15", "wind"])


def test_a_day_of_25_hours_keeps_its_amount():
    # clocks go back on 1 November 2026 in Los Angeles: that day runs from 07:00 UTC to 08:00 UTC of the next
    rain = layer("wmoUnit:mm", ("2026-11-01T07:00:00+00:00/PT25H", 25.0))
    data = layers(
        quantitativePrecipitation=rain,
        maxTemperature=layer("wmoUnit:degC", ("2026-11-01T15:00:00+00:00/PT13H", 20.0)),
        minTemperature=layer("wmoUnit:degC", ("2026-11-01T02:00:00+00:00/PT14H", 8.0)),
    )
    rows = read_interval_layers(data, LOS_ANGELES).rows
    assert rows["rain"].tolist() == pytest.approx([25.0])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"windSpeed": layer("wmoUnit:furlong", ("2026-07-14T07:00:00+00:00/PT12H", 1.0))}, "furlong"),
        ({"windSpeed": layer("wmoUnit:km_h-1", ("2026-07-14T07:00:00+00:00", 1.0))}, "duration"),
        ({"windSpeed": layer("wmoUnit:km_h-1", ("2026-07-14T07:00:00/PT1H", 1.0))}, "offset"),
        ({"updateTime": None}, "updateTime"),
        ({"maxTemperature": None, "minTemperature": None}, "no values"),
    ],
)
def test_layers_that_cannot_be_understood_are_refused(change, words):
    with pytest.raises(Refused, match=words):
        read_interval_layers(layers(**change), LOS_ANGELES)


def test_a_service_that_answers_a_fault_is_quoted():
    with pytest.raises(Refused, match="Marine Forecast"):
        read_interval_layers(b'{"title": "Marine Forecast Not Supported", "status": 404}', LOS_ANGELES)
