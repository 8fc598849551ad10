"""Which nights an account is of, and its record: the log by night, meters by their stretches, energy."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.errors import NoPlan
from scheduler.season import money, record
from scheduler.season.money import _hours, _on_the_clock, allocation_steps, zone_energy
from scheduler.season.record import _first, _joined, _standing, logged_water, metered_water, zone_list
from scheduler.season.span import Span, choose_span, earlier_seasons, newest_record, oldest_record
from tests.scheduler.site_folders import TOML, site

NAN = np.nan
SOURCES = '[[source]]\nname = "well"\n[[source]]\nname = "lake"\n'
ZONES = "zone,surface,area,flow,sources\nG1,green,500,2,lake\nF1,fairway,2000,4,well|lake\nR1,rough,1000,1,\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    log = (
        "night,zone,minutes,volume\n2026-07-01,G1,10,\n2026-07-02,G1,10,3.5\n2026-07-02,F1,,9\n2026-07-03,F1,30,\n"
        "2026-07-04,G1,99,\n2026-06-30,G1,99,\n2026-07-02,old,20,\n2026-07-03,old,30,\n2026-07-03,older,,2\n"
    )
    toml = TOML + SOURCES
    return site(tmp_path_factory.mktemp("r") / "a", toml, ZONES, applied=log)


def frame(column, *days):
    return pd.DataFrame({column: pd.to_datetime(list(days))})


def bare(applied=(), gone=(), meter=(), weather=(), allocation=None):
    return SimpleNamespace(
        applied=frame("night", *applied), gone=frame("night", *gone), meter=frame("time", *meter),
        weather=frame("date", *weather), allocation=allocation, time_zone="America/Los_Angeles",
    )  # fmt: skip


def rule(starts, ends):
    return SimpleNamespace(starts=date.fromisoformat(starts), ends=date.fromisoformat(ends))


# ---------------------------------------------------------------------------------------------------------- nights


def test_a_record_ends_with_the_log_or_the_night_before_the_last_reading():
    assert newest_record(bare(["2026-07-01", "2026-07-03"], ["2026-07-05"])) == date(2026, 7, 5)
    # Read at 6:00 UTC of the 8th, which is 23:00 of the 7th there.
    assert newest_record(bare(["2026-07-01"], meter=["2026-07-08T06:00"])) == date(2026, 7, 6)
    assert newest_record(bare(weather=["2026-07-09"])) == date(2026, 7, 9) and newest_record(bare()) is None
    assert newest_record(bare(["2026-07-01"], weather=["2026-07-09"])) == date(2026, 7, 1)
    both = bare(["2026-07-03"], ["2026-07-02"], meter=["2026-07-02T06:00"])
    assert oldest_record(both) == date(2026, 7, 1) and oldest_record(bare()) is None
    assert oldest_record(bare(["2026-07-03"], ["2026-07-02"])) == date(2026, 7, 2)


@pytest.mark.parametrize(
    ("given", "first", "last", "span"),
    [
        ({"applied": ["2026-03-01", "2026-07-03"]}, None, None, ("2026-03-01", "2026-07-03")),
        ({"applied": ["2025-03-01", "2026-07-03"]}, None, None, ("2026-01-01", "2026-07-03")),
        ({"applied": ["2025-03-01", "2026-07-03"], "allocation": ("2025-10-01", "2026-06-30")}, None, None,
         ("2025-10-01", "2026-06-30")),
        ({"applied": ["2025-11-01", "2026-07-03"], "allocation": ("2025-10-01", "2026-06-30")}, None, None,
         ("2025-11-01", "2026-06-30")),
        ({"applied": ["2025-11-01", "2026-07-03"], "allocation": ("2025-10-01", "2026-06-30")}, "2026-07-01", None,
         ("2026-07-01", "2026-07-03")),
        ({"applied": ["2026-03-01"], "allocation": ("2026-05-01", "2026-06-30")}, None, "2026-04-01",
         ("2026-03-01", "2026-04-01")),
        ({}, "2026-07-01", "2026-07-01", ("2026-07-01", "2026-07-01")),
        ({"weather": ["2026-07-09"]}, None, None, ("2026-01-01", "2026-07-09")),
    ],
)  # fmt: skip
def test_nights_of_an_account(given, first, last, span):
    given = {**given, **({"allocation": rule(*given["allocation"])} if "allocation" in given else {})}
    found = choose_span(bare(**given), *(d and date.fromisoformat(d) for d in (first, last)))
    assert (found.first.isoformat(), found.last.isoformat()) == span


def test_an_account_of_nothing_or_backwards_is_refused():
    with pytest.raises(NoPlan, match="nothing to give account of"):
        choose_span(bare(), None, None)
    with pytest.raises(NoPlan, match="would end on 2026-07-01 before it begins on 2026-07-02"):
        choose_span(bare(), date(2026, 7, 2), date(2026, 7, 1))


def test_earlier_seasons_are_the_same_days_as_far_as_the_record_goes():
    span = Span(date(2024, 2, 29), date(2024, 7, 1))
    found = earlier_seasons(bare(["2021-07-01"]), span)
    assert [(s.first, s.last) for s in found] == [(date(y, 2, 28), date(y, 7, 1)) for y in (2023, 2022, 2021)]
    assert len(earlier_seasons(bare(["2010-07-01"]), span)) == 4 and earlier_seasons(bare(["2024-07-01"]), span) == ()
    long = Span(date(2023, 1, 1), date(2024, 12, 31))
    assert [s.first.year for s in earlier_seasons(bare(["2019-01-01"]), long)] == [2021, 2019]
    assert (span.nights, span.words(), long.words()) == (124, "2024", "2023/2024")


# ------------------------------------------------------------------------------------------------------------- log


def test_the_zones_of_an_account_are_the_site_s_and_those_that_are_gone(place):
    zones = zone_list(place)
    assert zones.zone.tolist() == ["G1", "F1", "R1", "old", "older"]
    assert zones.sources == ("well", "lake", record.NOT_KNOWN)
    assert zones.share.tolist() == [[0, 1, 0], [1, 0, 0], [1, 0, 0], [0, 0, 1], [0, 0, 1]]
    assert zones.told.tolist() == [True, False, False, False, False]
    assert zones.surface.tolist()[3:] == [record.GONE] * 2 and zones.area.tolist() == [500, 2000, 1000, 0, 0]
    one = zone_list(replace(place, sources=place.sources[:1], zones=replace(place.zones, sources=((0,), (0,), ()))))
    assert one.sources == ("well",) and one.share.tolist() == [[1.0]] * 5 and one.told[3:].tolist() == [True, True]


def test_the_log_is_volume_where_told_and_else_minutes_and_flow(place):
    found = logged_water(place, zone_list(place), date(2026, 7, 1), date(2026, 7, 3))
    np.testing.assert_allclose(found.volume, [[1.2, 3.5, 0], [0, 9, 7.2], [0, 0, 0], [0, 0, 0], [0, 0, 2]])
    np.testing.assert_allclose(found.estimated, [[1.2, 0, 0], [0, 0, 7.2], [0, 0, 0], [0, 0, 0], [0, 0, 0]])
    np.testing.assert_allclose(found.minutes, [[10, 10, 0], [0, 0, 30], [0, 0, 0], [0, 20, 30], [0, 0, 0]])
    assert found.ran.astype(int).tolist() == [[1, 1, 0], [0, 1, 1], [0, 0, 0], [0, 1, 1], [0, 0, 1]]
    assert found.uncounted == (("old", 2, 50.0),)  # minutes of a zone whose flow nobody knows any more


def test_older_rows_stand_before_the_folder_s_own():
    own, older = frame("night", "2026-07-02").assign(zone="b"), frame("night", "2026-07-01").assign(zone="a", more=1)
    assert _joined(older, own, ["night"])["zone"].tolist() == ["a", "b"]
    assert _joined(older.head(0), own, ["night"]) is own
    assert _joined(older, own.head(0), ["night"]).columns.tolist() == ["night", "zone"]
    assert _first((own, "night"), (older, "night"), (own.head(0), "night")) == date(2026, 7, 1) and _first() is None


# ---------------------------------------------------------------------------------------------------------- meters


def meters(*rows):
    names = ["meter", "time", "reading", "starts", "rolls_over_at", "kind", "source"]
    table = pd.DataFrame(rows, columns=names)
    return table.assign(time=pd.to_datetime(table["time"]))


def total(day, value, starts=False):
    return ("A", f"2026-07-{day:02d}T17:00", value, starts, NAN, "total", "")


def test_a_meter_s_water_is_that_between_its_readings():
    table = meters(
        total(5, 10.0), total(1, 0.0), total(3, 6.0), total(6, 2.0), total(7, 5.0),  # falls without a reason
        total(8, 0.0, True), total(9, 4.0),
        ("B", "2026-07-02T17:00", 3.0, False, NAN, "interval", "lake"), ("B", "2026-07-03T17:00", 5.0, False, NAN,
        "interval", "lake"),
    )  # fmt: skip
    one = SimpleNamespace(meter=table, time_zone="America/Los_Angeles", sources=[SimpleNamespace(name="well")])
    found = metered_water(one, date(2026, 7, 1), date(2026, 7, 9))
    a, b = found.meters
    assert (a.name, a.source, a.readings, a.exchanges, a.rolled, a.unclear) == ("A", "well", 7, 1, 0, 1)
    assert b.source == "lake"
    np.testing.assert_allclose(found.volume[0, :4], [3.0, 3.0, 2.0, 2.0])
    np.testing.assert_allclose(found.volume[0, 7], 4.0)
    assert found.covered[0].tolist() == [True] * 4 + [False, True, False, True, False]
    assert found.standing[0].tolist() == [True] * 8 + [False]
    many = SimpleNamespace(meter=table, time_zone="UTC", sources=[SimpleNamespace(name=n) for n in "ab"])
    assert metered_water(many, date(2026, 7, 1), date(2026, 7, 2)).meters[0].source == record.NOT_KNOWN
    none = metered_water(SimpleNamespace(meter=table.head(0)), date(2026, 7, 1), date(2026, 7, 4))
    assert none.meters == () and none.volume.shape == (0, 4)


def test_a_meter_stands_from_its_first_reading_to_its_last():
    parts = SimpleNamespace(first=np.array([3, 5]), after=np.array([5, 7]))
    assert _standing(parts, np.arange(2, 9)).tolist() == [False, True, True, True, True, False, False]
    assert not _standing(SimpleNamespace(first=np.zeros(0)), np.arange(3)).any()


# ----------------------------------------------------------------------------------------------------------- money


@pytest.mark.parametrize(
    ("start", "end", "spans"),
    [(1260, 1320, [(1260, 1320)]), (1260, 1440, [(1260, 1440)]), (1380, 1500, [(1380, 1440), (0, 60)]),
     (1500, 1560, [(60, 120)])],
)  # fmt: skip
def test_spans_on_the_clock(start, end, spans):
    assert _on_the_clock(start, end) == spans


@pytest.mark.parametrize(
    ("spans", "words"),
    [
        ({(60, 120), (120, 180)}, "01:00-03:00"), ({(60, 120), (90, 100)}, "01:00-02:00"),
        ({(60, 120), (121, 180)}, "01:00-02:00, 02:01-03:00"), ({(0, 60), (1380, 1440)}, "23:00-01:00"),
        ({(0, 60), (120, 180), (1380, 1440)}, "23:00-01:00, 02:00-03:00"), ({(0, 1440)}, "00:00-24:00"),
        ({(10, 60), (1380, 1440)}, "00:10-01:00, 23:00-24:00"),
    ],
)  # fmt: skip
def test_clock_hours_that_touch_are_joined_also_over_midnight(spans, words):
    assert _hours(spans) == words


def test_energy_of_a_cubic_metre_is_that_of_its_pump(monkeypatch):
    monkeypatch.setattr(money, "typical_energy", lambda site: np.array([0.3, 0.5]))
    assert zone_energy(SimpleNamespace(zones=SimpleNamespace(pump=np.array([1, -1, 0])))).tolist() == [0.5, 0.0, 0.3]
    assert allocation_steps(SimpleNamespace(allocation=None), 9.0) == ()
