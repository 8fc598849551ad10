"""Parts of a morning by hand: what ran, the band, spots, who was silent, what a flush reached, words for each."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import MORNING
from scheduler.document.parts import Why
from scheduler.morning import report, response
from scheduler.morning.records import Seen
from scheduler.state.readings import Sensors
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
NAN = np.nan
ZONES = "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point\n" + "".join(
    f"{z},{s},tall_fescue,loam,30,1000,2,12,1.0,0.25,0.10\n" for z, s in (("G1", "green"), ("F1", "fairway"))
)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    log = "night,zone,minutes,volume\n2026-07-13,G1,9,\n2026-07-14,G1,,3.6\n2026-07-14,F1,20,99\n2026-07-15,F1,7,\n"
    floor = "[surface.green]\nmoisture_floor = 0.7\n"
    return site(tmp_path_factory.mktemp("a") / "a", TOML + floor, ZONES, applied=log)


def sensors(*places):
    """Sensors by (zone, spot, depth [m])."""
    zone, spot, depth = (np.array(c) for c in zip(*places, strict=True))
    never = np.full(len(places), np.datetime64("NaT"), dtype="datetime64[ns]")
    names = np.array([f"p{k}" for k in range(len(places))], dtype=object)
    return Sensors(names, zone.astype(np.int64), depth.astype(float), spot.astype(np.int64), never, never.copy())


def test_the_log_s_own_night_counts_by_minutes_else_by_volume(place):
    # 3.6 m3 at 2 L/s are 30 min; where both stand the minutes count.
    assert report._ran(place, NIGHT).tolist() == [pytest.approx(30.0), 20.0]
    assert report._ran(place, NIGHT + timedelta(days=1)).tolist() == [0.0, 7.0]
    assert np.isnan(report._ran(place, NIGHT + timedelta(days=2))).all()


def test_the_band_is_the_plan_s_else_that_of_turf_and_surface(place):
    demand = SimpleNamespace(future=pd.DataFrame({"date": pd.to_datetime(["2026-07-15"]), "eto": [5.0]}))
    state = SimpleNamespace(taw=np.full(2, 45.0))
    dry, wet = report._band(place, demand, state, np.array([[NAN, NAN], [12.0, 3.0]]))
    # A floor of 0.7 leaves 13.5 of 45 mm.
    firm = (1.0 - place.surfaces["green"].firmness_limit) * 45.0
    assert (dry.tolist(), wet.tolist()) == ([pytest.approx(13.5), 12.0], [pytest.approx(firm), 3.0])
    dry, wet = report._band(place, demand, state, np.array([[firm / 2.0, NAN], [NAN, NAN]]))
    assert wet[0] == dry[0] == firm / 2.0  # soft never reaches past dry
    etc = 5.0 * place.zones.kc_month[1, 6]
    assert dry[1] == pytest.approx(45.0 * (place.zones.depletion_fraction[1] + 0.04 * (5.0 - etc)))  # FAO-56 Table 22


def test_nights_the_log_does_not_reach_are_not_known_and_the_last_is_as_it_ran(place, monkeypatch):
    # The log holds the 13th to the 15th; of the 12th nothing is known. 6 mm or more of rain make a night wet.
    seen = {}
    monkeypatch.setattr(
        report, "answers", lambda site, sensors, good, days, depth, dry: seen.update(depth=depth, dry=dry)
    )
    past = pd.DataFrame({"date": pd.date_range("2026-07-11", "2026-07-14")})
    weather = pd.DataFrame({"date": pd.to_datetime(["2026-07-11", "2026-07-13"]), "rain": [0.5, 0.6]})
    with_rain = SimpleNamespace(**{**vars(place), "weather": weather})
    report._answers(with_rain, NIGHT, past, None, None, np.array([1.5, 2.5]))
    np.testing.assert_allclose(seen["depth"], [[NAN, NAN, 9 * 0.2, 1.5], [NAN, NAN, 0.0, 2.5]])
    assert seen["dry"].tolist() == [True, False, False, True]  # rain of its date or of the one after; half a mm is none


def test_a_spot_is_the_mean_of_its_probes_and_a_zone_that_of_its_spots(place):
    own = sensors((0, 0, 0.05), (0, 0, 0.15), (0, 1, 0.1), (1, 0, 0.1))
    heard = SimpleNamespace(after=np.array([0.20, 0.18, 0.15, NAN]))
    spots, measured = report._spots(place, own, heard)
    assert spots == [(0, "p0, p1", pytest.approx(18.0)), (0, "p2", pytest.approx(30.0))]
    np.testing.assert_allclose(measured, [24.0, NAN])


def test_a_zone_is_silent_where_all_its_asked_probes_are():
    own = sensors((0, 0, 0.1), (0, 1, 0.1), (1, 0, 0.1), (1, 1, 0.1), (2, 0, 0.1))
    heard = SimpleNamespace(
        asked=np.array([True, False, True, True, False]), silent=np.array([True, False, True, False, False])
    )
    assert report._silent_zones(4, own, heard).tolist() == [True, False, False, False]


def test_a_zone_was_flushed_where_its_flush_ran():
    zones = [SimpleNamespace(why=w, minutes=m) for w, m in ((Why.FLUSH, 9.0), (Why.FLUSH, 0.0), (Why.REFILL, 9.0))]
    assert report._flushed(SimpleNamespace(zones=zones), 3).tolist() == [True, False, False]
    assert not report._flushed(SimpleNamespace(zones=zones), 2).any()  # another site's plan
    assert not report._flushed(None, 2).any()


def test_a_flush_reached_a_probe_that_rose_or_read_full(place, monkeypatch):
    # Roots of 30 cm, FC 0.25: three probes of G1, deepest last, and one of F1, which was not flushed.
    own = sensors((0, 0, 0.25), (0, 1, 0.05), (0, 2, 0.15), (1, 0, 0.1), (0, 3, 0.2), (0, 4, 0.22))
    before, highest = np.array([0.20, 0.245, 0.20, NAN, NAN]), np.array([0.205, 0.25, 0.215, 0.20, 0.30])
    last = np.array([0.19, 0.24, 0.21, NAN, 0.28])

    def around(site, asked, good, nights, what="moisture"):
        assert (len(asked), nights[0].date()) == (5, NIGHT)
        return tuple(
            a[:, None] for a in ((before, highest, last) if what == "moisture" else (before + 1, highest, last + 1))
        )

    monkeypatch.setattr(report, "around_nights", around)
    found = report._flush_effects(place, NIGHT, own, None, np.array([True, False]))
    assert [(e.probe, e.lower, e.reached) for e in found] == [
        ("p1", False, True),  # full
        ("p2", True, True),  # rose by 0.015, in the lower half from 15 cm on
        ("p5", True, True),  # read full, whatever it was before
        ("p0", True, False),  # rose by half of what counts
    ]
    assert found[0].moisture == (0.245, 0.24) and found[0].ec == (1.245, 1.24)
    before[:], last[4] = NAN, NAN  # what read only after still tells where it stands
    found = report._flush_effects(place, NIGHT, own, None, np.array([True, False]))
    assert [(e.probe, e.reached) for e in found] == [("p1", True), ("p2", None), ("p0", None)]
    before[0], last[0], highest[0] = 0.2, NAN, NAN  # and one that read only before, where it stood
    found = report._flush_effects(place, NIGHT, own, None, np.array([True, False]))
    assert [e.moisture[0] for e in found if e.probe == "p0"] == [0.2]


def seen(**given):
    """What is seen of one zone, of rank 2, that ran 20 min as planned and stands at 5 of 10 mm."""
    usual = dict(planned=20, applied=20, minutes=20, depth=4, after=5, measured=NAN, dry=10, wet=2, silent=0, flushed=0)
    return Seen(**{name: np.array([float(v)]) for name, v in (usual | given).items()})


SITE = SimpleNamespace(units="metric", zones=SimpleNamespace(priority=np.array([2]), zone=np.array(["G1"])))


@pytest.mark.parametrize(
    ("planned", "applied", "told", "walk"),
    [
        (20, 18.0, False, None),  # two minutes
        (20, 17.9, True, -2.1),
        (60, 54.0, False, None),  # a tenth
        (60, 53.0, True, -7.0),
        (20, 25.0, True, None),  # longer is told, and nobody need walk there
        (20, NAN, False, None),
    ],
)
def test_a_run_is_off_by_more_than_two_minutes_and_a_tenth(planned, applied, told, walk):
    found = report._off(SITE, seen(planned=planned, applied=applied), 0)
    assert (found is not None) == told
    if told:
        assert (found[1] is None) == (walk is None)
        assert walk is None or found[1].rank == (report.SHORT, 2.0, pytest.approx(walk))


def test_a_zone_past_its_limit_is_dry_by_its_probes_or_the_estimate_unless_they_are_silent():
    assert report._dry(SITE, seen(after=10), 0) is None
    words, stop = report._dry(SITE, seen(after=12), 0)
    assert words == "under-watered: the estimate finds it short by 12.0 mm, its limit is 10.0 mm"
    assert stop.rank == (report.DRY, 2.0, -2.0) and stop.why == words and f"under-watered: {stop.brief}" == words
    assert report._dry(SITE, seen(after=12, measured=13), 0)[0].startswith(
        "under-watered: its probes find it short by 13"
    )
    assert report._dry(SITE, seen(after=12, silent=1), 0) is None


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, True),
        ({"after": -3.0}, False),  # as much as hardly matters
        ({"applied": 20.5}, False),  # as planned
        ({"planned": NAN}, True),
        ({"applied": NAN}, False),
        ({"flushed": 1}, False),
        ({"measured": 2.5}, False),  # its probes find it firm
        ({"measured": 1.5}, True),
        ({"depth": 0.0}, False),
    ],
)
def test_a_zone_is_over_watered_where_more_ran_than_planned_and_than_fits(given, told):
    found = report._wet(SITE, seen(**({"applied": 40, "after": -4.0, "depth": 8.0} | given)), 0)
    assert (found is not None) == told
    if told:
        assert found[0] == "over-watered: 4.0 mm more than its roots could hold"
        assert found[1].rank == (report.WET, 2.0, -4.0) and (found[1].why, found[1].row) == (found[0], 0)
        assert found[1].brief == "4.0 mm more than its roots could hold"


def test_a_silent_zone_is_walked_to_the_driest_against_its_limit_first():
    assert report._silent(SITE, seen(), 0) is None
    words, stop = report._silent(SITE, seen(silent=1, after=8), 0)
    assert words == "did not respond" and stop.rank == (report.SILENT, 2.0, pytest.approx(-0.8))


def test_a_night_is_read_before_its_opening_and_after_its_water_came_down(place):
    # Opens 21:00, closes 6:00: before from 11:00 on; the highest until 14:00; the last of the second half of the night.
    times = {
        "14T10:59": 0.1,
        "14T11:01": 0.2,
        "14T21:00": 0.21,
        "14T22:00": 0.30,
        "15T01:29": 0.26,
        "15T14:00": 0.24,
        "15T14:01": 0.4,
    }
    rows = pd.DataFrame(
        {"time": pd.to_datetime([f"2026-07-{t}" for t in times]), "probe": "p0", "moisture": list(times.values())}
    )
    assert place.window.of(NIGHT) == (21 * 60, 30 * 60) and MORNING.after_closing == 8.0
    nights = pd.DatetimeIndex([NIGHT])
    found = response.around_nights(place, sensors((0, 0, 0.1)), rows, nights)
    assert [a[0, 0] for a in found] == [0.21, 0.30, 0.24]
    early = response.around_nights(place, sensors((0, 0, 0.1)), rows.iloc[:5], nights)
    np.testing.assert_equal([a[0, 0] for a in early], [0.21, 0.30, NAN])


def judged(rises, water=10.0, tonight=None, dry=True, last=None):
    """Answers of one sensor to nights of some water, dry ones between, and to tonight's."""
    count = 2 * len(rises)
    depth = np.zeros((1, count + 1))
    depth[0, 1::2], depth[0, -1] = water, water if tonight is None else tonight
    rise = np.zeros((1, count + 1))
    rise[0, 1:count:2], rise[0, -1] = rises, 0.0 if last is None else last
    one = type("One", (), {"zone": np.array([0]), "__len__": lambda self: 1})()
    nights = pd.date_range("2026-06-01", periods=count + 1)
    on = np.ones(count + 1, dtype=bool)
    on[-1] = dry
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(response, "around_nights", lambda *_: (np.zeros_like(rise), rise, rise))
        found = response.answers(None, one, None, nights, depth, on)
    return bool(found.asked[0]), bool(found.silent[0])


@pytest.mark.parametrize(
    ("rises", "more", "found"),
    [
        ([0.05] * 4, {}, (True, True)),  # four answers of 5 % and none tonight
        ([0.05] * 3, {}, (False, False)),  # three are too few to know it by
        ([0.05] * 4, {"last": 0.05}, (True, False)),
        ([0.05] * 4, {"last": 0.018}, (True, False)),  # over a third of what is usual
        ([0.05] * 4, {"last": 0.017}, (True, True)),
        ([0.05] * 4, {"dry": False}, (False, False)),  # rain may have done it
        ([0.05] * 4, {"tonight": 1.9}, (False, False)),  # too little to answer to
        ([0.05] * 4, {"tonight": 2.0}, (True, True)),  # a hundredth is expected, over twice what any sensor moves by
        ([0.03] * 4, {"tonight": 2.5}, (False, False)),  # 0.0075 is not
        ([0.0, 0.0, 0.05, 0.05, 0.05], {}, (False, False)),  # it often does not answer
    ],
)
def test_a_sensor_is_asked_by_what_it_nearly_always_did(rises, more, found):
    assert judged(rises, **more) == found
