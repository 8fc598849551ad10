"""Probes of one spot read together: the mean of the halves of the roots, and what stays alone."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from models.kin import layer_gain
from scheduler.state.readings import Sensors, by_sensor, evening_readings, read_together, recent, sensors_of
from tests.scheduler import salty_sites as s

ROOTS = np.array([0.20, 0.30])  # [m]
NAN = np.nan


def sensors(*places):
    """Sensors named by zone, spot and depth, from (zone, spot, depth [m])."""
    zone, spot, depth = (np.array(column) for column in zip(*places, strict=True))
    never = np.full(len(places), np.datetime64("NaT"), dtype="datetime64[ns]")
    return Sensors(
        probe=np.array([f"{z}.{s}-{100 * d:g}" for z, s, d in places], dtype=object),
        zone=zone.astype(np.int64),
        depth=depth.astype(float),
        spot=spot.astype(np.int64),
        starts=never,
        ends=never.copy(),
    )


def together(places, moisture):
    return read_together(sensors(*places), np.array(moisture, dtype=float), ROOTS)


def test_two_depths_in_both_halves_are_one_sensor_that_reads_their_mean():
    found, read = together([(0, 0, 0.05), (0, 0, 0.15)], [[0.20, 0.18, 0.16], [0.10, 0.12, 0.10]])
    assert found.probe.tolist() == ["0.0-5 + 0.0-15"]
    assert np.isnan(found.depth).all()
    assert (found.zone.tolist(), found.spot.tolist()) == ([0], [0])
    np.testing.assert_allclose(read, [[0.15, 0.15, 0.13]])


def test_halves_count_alike_however_many_sensors_stand_in_them():
    # Upper half 0.20 and 0.10, mean 0.15; lower half 0.07: 0.11, not the mean of the three.
    found, read = together([(0, 0, 0.03), (0, 0, 0.08), (0, 0, 0.16)], [[0.20], [0.10], [0.07]])
    assert len(found) == 1
    assert read[0, 0] == pytest.approx(0.11)
    _, read = together([(0, 0, 0.03), (0, 0, 0.08), (0, 0, 0.16)], [[NAN], [0.10], [0.07]])
    assert read[0, 0] == pytest.approx(0.085)  # of the upper half one reads


def test_where_a_half_is_silent_the_other_reads_alone_that_evening():
    found, read = together([(0, 0, 0.05), (0, 0, 0.15)], [[0.20, NAN, 0.16, NAN], [0.10, 0.12, NAN, NAN]])
    assert found.probe.tolist() == ["0.0-5 + 0.0-15", "0.0-5", "0.0-15"]
    np.testing.assert_array_equal(found.depth, [NAN, 0.05, 0.15])
    np.testing.assert_allclose(
        read, [[0.15, NAN, NAN, NAN], [NAN, NAN, 0.16, NAN], [NAN, 0.12, NAN, NAN]]
    )  # fmt: skip


def test_a_probe_below_the_roots_stays_apart():
    # Roots of 20 cm: the probe at 30 cm says what drains, not what the roots hold.
    found, read = together([(0, 0, 0.05), (0, 0, 0.15), (0, 0, 0.30)], [[0.20], [0.10], [0.25]])
    assert found.probe.tolist() == ["0.0-5 + 0.0-15", "0.0-30"]
    np.testing.assert_allclose(read, [[0.15], [0.25]])
    above = together([(0, 0, 0.05), (0, 0, 0.30)], [[0.20], [0.25]])  # below the roots is no lower half
    assert above[0].probe.tolist() == ["0.0-5", "0.0-30"]
    np.testing.assert_allclose(above[1], [[0.20], [0.25]])


def test_other_spots_and_zones_stay_as_they_are():
    places = [(0, 0, 0.05), (0, 1, 0.06), (0, 0, 0.15), (1, 0, 0.10), (1, 1, 0.20)]
    found, read = together(places, [[0.20, 0.18], [0.30, 0.31], [0.10, 0.12], [0.22, 0.21], [0.15, 0.16]])
    # Zone 1 has its two halves at different spots: they are not one place, and stay two sensors.
    assert found.probe.tolist() == ["0.0-5 + 0.0-15", "0.1-6", "1.0-10", "1.1-20"]
    assert found.zone.tolist() == [0, 0, 1, 1]
    assert found.spot.tolist() == [0, 1, 0, 1]
    np.testing.assert_allclose(read, [[0.15, 0.15], [0.30, 0.31], [0.22, 0.21], [0.15, 0.16]])


def test_the_half_is_that_of_the_zone_s_own_roots():
    # 12 cm is in the lower half of 20 cm of roots and in the upper half of 30.
    places = [(0, 0, 0.05), (0, 0, 0.12), (1, 0, 0.05), (1, 0, 0.12)]
    found, read = together(places, [[0.20], [0.10], [0.20], [0.10]])
    assert found.probe.tolist() == ["0.0-5 + 0.0-12", "1.0-5", "1.0-12"]
    np.testing.assert_allclose(read, [[0.15], [0.20], [0.10]])


@pytest.mark.parametrize(
    "places",
    [
        [(0, 0, 0.10), (1, 0, 0.10)],  # one depth a zone
        [(0, 0, NAN), (0, 0, 0.15)],  # a probe that reads the root zone's mean already
        [(0, 0, 0.03), (0, 0, 0.08)],  # both in the upper half
    ],
    ids=["one depth", "mean", "one half"],
)
def test_sites_without_both_halves_are_unchanged(places):
    given = sensors(*places)
    moisture = np.array([[0.20, NAN], [0.10, 0.12]])
    found, read = read_together(given, moisture, ROOTS)
    assert found is given
    assert read is moisture


def test_halves_that_never_read_on_one_evening_stay_two():
    found, read = together([(0, 0, 0.05), (0, 0, 0.15)], [[0.20, NAN], [NAN, 0.12]])
    assert found.probe.tolist() == ["0.0-5", "0.0-15"]
    np.testing.assert_allclose(read, [[0.20, NAN], [NAN, 0.12]])


def test_no_reading_is_lost_or_used_twice():
    rng = np.random.default_rng(3)
    places = [(z, k, d) for z in (0, 1) for k in (0, 1) for d in (0.04, 0.08, 0.15, 0.28)]
    moisture = rng.uniform(0.1, 0.3, (len(places), 12))
    moisture[rng.random(moisture.shape) < 0.4] = NAN
    given = sensors(*places)
    found, read = read_together(given, moisture, ROOTS)
    relative = given.depth / ROOTS[given.zone]
    for z in (0, 1):
        for k in (0, 1):
            here = (given.zone == z) & (given.spot == k)
            upper, lower = here & (relative <= 0.5), here & (relative > 0.5) & (relative <= 1.0)
            for t in range(12):
                heard = [np.isfinite(moisture[half, t]).any() for half in (upper, lower)]
                own = read[(found.zone == z) & (found.spot == k), t]
                below = moisture[here & (relative > 1.0), t]
                if all(heard):
                    mean = np.mean([np.nanmean(moisture[half, t]) for half in (upper, lower)])
                    expected = np.append(below, mean)
                else:
                    expected = moisture[here, t]
                np.testing.assert_allclose(np.sort(own[np.isfinite(own)]), np.sort(expected[np.isfinite(expected)]))


def test_what_is_read_together_is_twice_as_sure():
    found, _ = together([(0, 0, 0.05), (0, 0, 0.15), (1, 0, 0.05)], [[0.20], [0.10], [0.15]])
    np.testing.assert_array_equal(found.for_estimate(np.arange(2)).evened, [0.5, 1.0])
    np.testing.assert_array_equal(sensors((0, 0, 0.05)).for_estimate(np.arange(1)).evened, [1.0])


def test_a_probe_that_took_the_place_of_another_stands_at_its_spot(tmp_path):
    places = (
        "probe,zone,depth,from,until\n"
        "old,G1,5,2026-01-01,2026-06-30\nnew,G1,5,2026-07-01,\nlow,G1,15,2026-01-01,\n"
        "beside,G1,5,2026-03-01,\nsecond,G2,5,2026-01-01,2026-06-30\nthird,G2,5,2026-06-30,\n"
    )
    found = sensors_of(s.salty(tmp_path / "a", probe_sites=places))
    spot = dict(zip(found.probe.tolist(), found.spot.tolist(), strict=True))
    assert spot == {"old": 0, "new": 0, "low": 0, "beside": 1, "second": 0, "third": 1}  # of one day both stand


def test_a_reading_without_moisture_does_not_hide_the_one_before_it(tmp_path):
    days = pd.date_range("2026-07-14", periods=1)
    rows = [("2026-07-14T18:20", 0.20), ("2026-07-14T20:00", 0.22), ("2026-07-14T20:30", None)]
    table = "".join(f"{t},G1-5,{'' if m is None else m},,20\n" for t, m in rows)
    place = s.salty(tmp_path / "a", probes=s.PROBE_HEAD + table, probe_sites="probe,zone,depth\nG1-5,G1,5\n")
    read = evening_readings(place, sensors_of(place), place.probes, days, np.zeros((3, 1)))
    assert read[0, 0] == pytest.approx(0.21)  # after sunset: nothing of the date's ET is to come


def test_readings_of_the_morning_are_not_the_evenings(tmp_path):
    # The window opens at 21:00: from 11:00 on a reading is of the evening, and is carried down by the ET still to come.
    days = pd.date_range("2026-07-14", periods=1)
    for hour, known in (("10:59", False), ("13:00", True)):
        rows = s.PROBE_HEAD + f"2026-07-14T{hour},G1-5,0.2,,20\n"
        place = s.salty(tmp_path / hour[:2], probes=rows, probe_sites="probe,zone,depth\nG1-5,G1,10\n")
        read = evening_readings(place, sensors_of(place), place.probes, days, np.full((3, 1), 4.0))
        assert np.isfinite(read[0, 0]) == known
    assert read[0, 0] == pytest.approx(0.2 - 0.5 * 4.0 * float(layer_gain(0.1, 0.2)) / 200.0)


def readings(*rows):
    table = pd.DataFrame(rows, columns=["time", "probe", "moisture"])
    return table.assign(time=pd.to_datetime(table["time"]), ec=NAN, temperature=NAN)


def test_a_reading_is_of_the_sensor_that_stood_there_then(tmp_path):
    places = "probe,zone,depth,from,until\na,G1,5,2026-07-01,2026-07-10\na,G2,15,2026-07-12,\n"
    found = sensors_of(s.salty(tmp_path / "a", probe_sites=places))
    assert found.depth.tolist() == [0.05, 0.15]  # [m]
    times = ("06-30T23:59", "07-01T00:00", "07-10T23:59", "07-11T00:00", "07-12T00:00")
    rows = by_sensor(found, readings(*((f"2026-{t}", "a", 0.2) for t in times)))
    known = [(0, "07-01T00:00"), (0, "07-10T23:59"), (1, "07-12T00:00")]  # a placement holds its last day
    assert list(zip(rows["sensor"], rows["time"].dt.strftime("%m-%dT%H:%M"), strict=True)) == known


@pytest.fixture(scope="module")
def green(tmp_path_factory):
    return s.salty(tmp_path_factory.mktemp("a") / "a", probe_sites="probe,zone,depth\nG1-5,G1,5\n")


@pytest.mark.parametrize(
    ("rows", "read"),
    [
        ([("21:00", 0.2)], 0.2),  # the opening itself is still the evening
        ([("21:01", 0.2)], NAN),
        ([("18:30", 0.1), ("19:00", 0.1), ("19:30", 0.22), ("20:00", 0.24), ("20:30", 0.26)], 0.24),  # the last three
        ([("18:30", 0.24), ("20:30", 0.26)], 0.25),
        ([("18:29", 0.24), ("20:30", 0.26)], 0.26),  # over two hours before the last
    ],
)
def test_an_evening_is_the_mean_of_its_last_readings(green, rows, read):
    days = pd.date_range("2026-07-14", periods=1)
    table = readings(*((f"2026-07-14T{t}", "G1-5", m) for t, m in rows))
    found = evening_readings(green, sensors_of(green), table, days, np.zeros((3, 1)))
    np.testing.assert_allclose(found, [[read]])


def test_each_evening_has_its_own_readings(green):
    days = pd.date_range("2026-07-12", periods=3)
    table = readings(("2026-07-12T20:00", "G1-5", 0.2), ("2026-07-14T20:00", "G1-5", 0.1))
    found = evening_readings(green, sensors_of(green), table, days, np.zeros((3, 3)))
    np.testing.assert_allclose(found, [[0.2, NAN, 0.1]])


def test_the_middle_of_the_roots_is_of_the_upper_half_and_their_end_of_the_lower():
    # Zone 0 has roots of 20 cm.
    middle, read = together([(0, 0, 0.10), (0, 0, 0.15)], [[0.20], [0.10]])
    assert middle.probe.tolist() == ["0.0-10 + 0.0-15"] and read[0, 0] == pytest.approx(0.15)
    end, _ = together([(0, 0, 0.05), (0, 0, 0.20)], [[0.20], [0.10]])
    assert end.probe.tolist() == ["0.0-5 + 0.0-20"]


def test_of_the_last_days_readings_from_the_opening_back(green):
    rows = [("2026-07-13T21:00", "G1-5", 0.1), ("2026-07-13T21:01", "G1-5", 0.2), ("2026-07-14T21:00", "G1-5", 0.3)]
    place = replace(green, probes=readings(*rows, ("2026-07-14T21:01", "G1-5", 0.4)))
    assert recent(place, date(2026, 7, 14), 21 * 60, 1)["moisture"].tolist() == [0.2, 0.3]
