"""What the report on salts makes of a season: flushes and storms, the present rise, flushes still to come; by hand."""

import json
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT
from scheduler.salinity.records import Course
from scheduler.salinity.report import TREND_LEAST, _events, _planned, _rise

DATES = pd.date_range("2026-07-01", periods=12)
NOTHING = pd.DataFrame(columns=["z", "layer", "day", "ece"])
LEAST = SALT.flush_least


def balance(depth=0.0, depletion=0.0, drainage=0.0, path=None, zones=(4,)):
    """The balance of a zone over twelve dates; a mapping names the values of some of them."""

    def row(values):
        if not isinstance(values, dict):
            return np.full((1, 12), float(values))
        found = np.zeros((1, 12))
        found[0, list(values)] = list(values.values())
        return found

    path = np.full((1, 2, 12), 3.0) if path is None else np.asarray(path, dtype=float)[None]
    return SimpleNamespace(
        zones=np.array(zones), dates=DATES, depth=row(depth), depletion=row(depletion), drainage=row(drainage),
        path=path, etc=np.linspace(4.0, 8.0, 12)[None],
    )  # fmt: skip


def course(measured=(False, False), ece=None):
    return {4: Course(DATES, np.full((12, 2), 3.0) if ece is None else np.asarray(ece, dtype=float), measured, ())}


def events(run, rain=None, courses=None, daily=NOTHING):
    return _events(run, np.zeros((1, 12)) if rain is None else rain, courses or course(), daily)


def test_a_night_flushes_that_passes_the_roots_by_so_much():
    # Column i holds the water of the night before date i: what the roots lacked on the evening before comes off first.
    run = balance(depth={3: LEAST + 4.0, 8: LEAST + 3.9}, depletion={2: 4.0, 7: 4.0})
    (found,) = events(run)
    assert (found.zone, found.kind, found.nights) == (4, "flush", (date(2026, 7, 3),))
    assert found.drained == pytest.approx(LEAST)
    assert not found.measured


def test_nights_two_apart_are_one_flush_and_three_apart_are_two():
    run = balance(depth={2: 20.0, 4: 30.0, 7: 25.0}, path=np.stack((20.0 - np.arange(12), 40.0 - np.arange(12))))
    found = events(run)
    assert [e.nights for e in found] == [(date(2026, 7, 2), date(2026, 7, 4)), (date(2026, 7, 7),)]
    assert [e.drained for e in found] == [50.0, 25.0]
    # From the date before the first of its nights was felt to that of its last.
    assert [(e.before, e.after) for e in found] == [((19.0, 39.0), (16.0, 36.0)), ((14.0, 34.0), (13.0, 33.0))]


def test_a_storm_is_what_drains_on_a_date_of_rain_beyond_the_night_s_water():
    # 40 mm drain on the 6th, 18 of them of the night's 20 mm that 2 mm of roots left; on the 9th it did not rain.
    run = balance(depth={5: 20.0}, depletion={4: 2.0}, drainage={5: 40.0, 8: 40.0})
    rain = np.zeros((1, 12))
    rain[0, 5] = 30.0
    flush, storm = events(run, rain)
    assert (flush.kind, flush.nights, flush.drained) == ("flush", (date(2026, 7, 5),), 18.0)
    assert (storm.kind, storm.nights, storm.drained) == ("rain", (date(2026, 7, 6),), 22.0)
    # A flush of four nights stands by its first, before a storm that fell between them.
    run = balance(depth={3: 20.0, 5: 20.0, 7: 20.0, 9: 20.0}, drainage={6: 40.0})
    rain[0, 6] = 30.0
    assert [e.kind for e in events(run, rain)] == ["flush", "rain"]


@pytest.mark.parametrize(("lower", "reached"), [(2.91, False), (2.90, True)])
def test_salt_counts_as_carried_through_where_the_lower_half_clearly_fell(lower, reached):
    path = np.array([[4.0] * 5 + [2.0] * 7, [3.0] * 5 + [lower] * 7])
    (found,) = events(balance(depth={5: 30.0}, path=path))
    assert (found.before, found.after) == ((4.0, 3.0), (2.0, lower))
    assert found.reached == reached


def test_what_probes_read_before_and_after_stands_in_place_of_the_balance():
    # Medians of the two days before the flush's date and of the two after it.
    rows = [
        (4, layer, DATES[i], v + layer)
        for i, v in ((2, 9.0), (3, 5.0), (4, 5.2), (5, 9.0), (6, 2.0), (7, 2.4))
        for layer in (0, 1)
    ]
    daily = pd.DataFrame(rows, columns=["z", "layer", "day", "ece"])
    (found,) = events(balance(depth={5: 30.0}), courses=course((True, True)), daily=daily)
    assert found.measured
    assert found.before == (pytest.approx(5.1), pytest.approx(6.1))
    assert found.after == (pytest.approx(2.2), pytest.approx(3.2))
    (alone,) = events(balance(depth={5: 30.0}), courses=course((True, False)), daily=daily)
    (gap,) = events(balance(depth={5: 30.0}), courses=course((True, True)), daily=daily[daily["day"] < DATES[5]])
    assert not alone.measured and not gap.measured
    assert gap.before == gap.after == (3.0, 3.0)


def rising(ece, found=()):
    site = SimpleNamespace(zones=[None] * 5)
    paste = np.full((5, 2), 25.0)
    salt = SimpleNamespace(source_ec=np.full(5, 1.5), layers=SimpleNamespace(paste_water=paste))
    return _rise(site, salt, balance(), course(ece=ece), tuple(found))


def test_the_rise_is_the_slope_of_the_mean_of_both_halves():
    day = np.arange(12)
    found = rising(np.stack((2.0 + 0.05 * day, 3.0 + 0.15 * day), axis=1))
    assert found.tolist() == pytest.approx([0.0] * 4 + [0.10])


def test_after_a_flush_only_what_came_since_counts():
    # Flushed on the nights of the 1st and the 3rd: from two days after the last on it rises by 0.2 a day.
    mean = np.r_[np.full(4, 9.0), [1.0, 7.0], 2.0 + 0.2 * np.arange(6)]
    flush = SimpleNamespace(zone=4, nights=(date(2026, 7, 1), date(2026, 7, 3)))
    assert TREND_LEAST == 6
    assert rising(np.stack((mean, mean), axis=1), [flush])[4] < 0.0  # the 6th counts: 7.0
    later = SimpleNamespace(zone=4, nights=(date(2026, 7, 1), date(2026, 7, 4)))
    assert rising(np.stack((mean, mean), axis=1), [later])[4] == pytest.approx(0.2)


def test_with_too_few_days_it_rises_by_the_water_that_replaces_the_recent_et():
    # Mean ETc of the dates there are, 6 mm at 1.5 dS/m in a paste of 50 mm.
    flush = SimpleNamespace(zone=4, nights=(date(2026, 7, 5),))
    assert rising(np.full((12, 2), 3.0), [flush])[4] == pytest.approx(6.0 * 1.5 / 50.0)


NIGHT = date(2026, 7, 14)


def planned(folder, **plans):
    """Flushes to come by plan.json of some nights of July: (zone, nights of July, drained) of each."""
    for night, flushes in plans.items():
        place = folder / "out" / f"2026-07-{night[1:]}"
        place.mkdir(parents=True)
        rows = [
            {"zone": z, "nights": [f"2026-07-{n:02d}" for n in nights], **drained} for z, nights, drained in flushes
        ]
        (place / "plan.json").write_text(json.dumps({"night": f"2026-07-{night[1:]}", "flushes": rows}))
    return _planned(SimpleNamespace(folder=folder, zones=SimpleNamespace(zone=np.array(["A", "B"]))), NIGHT)


def test_flushes_to_come_are_those_of_the_newest_plan_up_to_the_evening(tmp_path):
    found, on = planned(
        tmp_path,
        n12=[("A", [13, 15], {"drainage_mm": 9.0})],
        n14=[
            ("A", [13, 14], {"drainage_mm": 9.0, "leached_mm": 7.5}),
            ("B", [12, 13], {"drainage_mm": 5.0}),
            ("gone", [15], {"drainage_mm": 5.0}),
        ],
        n15=[("B", [16], {"drainage_mm": 5.0})],
    )  # fmt: skip
    assert on == NIGHT and found.keys() == {0}
    assert found[0].nights == (NIGHT - timedelta(days=1), NIGHT)
    assert 7.5 in vars(found[0]).values()


def test_without_a_plan_nothing_is_to_come(tmp_path):
    assert planned(tmp_path) == ({}, None)
    (tmp_path / "out" / "2026-07-13").mkdir(parents=True)
    (tmp_path / "out" / "2026-07-13" / "plan.json").write_text("not one")
    assert planned(tmp_path) == ({}, None)
