"""What a plan asks people to do, and what its rain and weather say, from plans put together by hand."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import ADVICE, TOLD
from scheduler.document import actions, changes, outlook, rain, salts, uneven
from scheduler.document.actions import first_start, last_end, past_limit_tomorrow
from scheduler.document.parts import SurfaceName, WeatherDay, Why
from scheduler.document.planned import in_order
from tests.models.plan.plans import plan

NIGHT = date(2026, 7, 14)


def at(hour, day=14):
    return datetime(2026, 7, day, hour)


def zone(name="G1", surface=SurfaceName.GREEN, after=10.0, before=5.0, dry=12.0, cycles=(), minutes=0.0, **more):
    return SimpleNamespace(
        id=name,
        name="",
        surface=surface,
        minutes=minutes,
        why=more.pop("why", Why.REFILL),
        controller=more.pop("box", "A"),
        after=SimpleNamespace(depletion_mm=after),
        before=SimpleNamespace(depletion_mm=before),
        path=more.pop("path", ()),
        limits=SimpleNamespace(dry_limit_mm=dry, taw_mm=40.0, wet_limit_mm=2.0),
        cycles=tuple(SimpleNamespace(start=a, end=b) for a, b in cycles),
        **more,
    )


def document(*zones, flushes=(), warnings=(), steps=()):
    return SimpleNamespace(
        zones=zones,
        night=NIGHT,
        flushes=flushes,
        warnings=warnings,
        status=actions.Status.PLANNED,
        nights=(
            SimpleNamespace(
                window=(SimpleNamespace(end=at(23)), SimpleNamespace(end=at(5, 15))),
                volume_m3=9.0,
                eto_mm=5.0,
                night=NIGHT,
            ),
        ),
        site=SimpleNamespace(units="metric", name="Oaks"),
        inputs=SimpleNamespace(step_downs=steps),
    )


def flush(of, nights, ece=5.0, by=NIGHT, depth=20.0):
    return SimpleNamespace(zone=of, nights=nights, ece_before_dsm=ece, by=by, depth_mm=depth)


def test_a_plan_that_runs_past_its_window_is_not_to_be_run():
    late = document(zone(cycles=[(at(22), at(23)), (at(4, 15), at(6, 15))]))
    assert (first_start(late), last_end(late)) == (at(22), at(6, 15))
    assert [a.what for a in actions._do_not_run(late)] == ["Do not run this plan"]
    assert not list(actions._do_not_run(document(zone(cycles=[(at(22), at(5, 15))]))))


def test_zones_worth_a_hose_are_those_past_their_limit_tomorrow_the_driest_against_it_first():
    apart = TOLD.apart * 40.0
    given = [
        zone("A", after=12.0 + apart),
        zone("B", after=13.0),
        zone("C", after=20.0, dry=15.0),
        zone("D", before=30.0),
        zone("E", SurfaceName.FAIRWAY, after=30.0),
    ]
    assert [z.id for z in past_limit_tomorrow(document(*given))] == ["C", "B"]
    (deed,) = actions._dry(document(*given))
    assert (deed.where, deed.by) == ("C, B", datetime(2026, 7, 15, 12))
    assert deed.why == "drier than their limit by tomorrow evening; C lacks 18.0 mm"
    # The worst is that farthest past its own limit, not the deepest.
    (deed,) = actions._dry(document(zone("A", after=20.0, dry=19.0), zone("B", after=15.0, dry=10.0)))
    assert "B lacks 13.0 mm" in deed.why


def test_people_keep_off_tonight_s_flush_and_decide_on_one_no_night_allows():
    given = document(
        zone("A"),
        zone("B"),
        zone("C"),
        flushes=(
            flush("A", (NIGHT,)),
            flush("B", (NIGHT + timedelta(days=1),), depth=90.0),
            flush("C", (), 7.0),
            flush("gone", (NIGHT,)),
            flush("gone", (), 9.0),
        ),
    )
    off, decide = actions._flushes(given)
    assert (off.where, off.why) == ("A", "1 zone gets up to 20.0 mm")
    assert decide.where == "C" and "C stands at 7.0 dS/m" in decide.why
    two = document(zone("A"), zone("B"), flushes=(flush("A", (NIGHT,), depth=8.0), flush("B", (NIGHT,), depth=30.0)))
    (off,) = actions._flushes(two)
    assert (off.where, off.why) == ("A, B", "2 zones get up to 30.0 mm")


def test_a_surface_of_many_named_whole_is_told_by_its_number():
    greens = [zone(f"G{i}") for i in range(7)]
    approaches = [zone(f"A{i}", SurfaceName.APPROACH) for i in range(6)]
    given = document(*greens, *approaches, zone("T1", SurfaceName.TEE), zone("T2", SurfaceName.TEE))
    assert actions._places(given, greens) == "all 7 greens"
    assert actions._places(given, greens[:6]) == "G0, G1, G2, G3, G4, G5"
    assert actions._places(given, approaches) == "A0, A1, A2, A3, A4, A5"  # few enough to be named
    found = [given.zones[13], *greens, *approaches[1:]]
    assert actions._places(given, found) == "all 7 greens, T1, A1, A2, A3, A4 and 1 more"


def test_a_sample_is_asked_of_the_saltiest_zone_nobody_measured_by_the_first_flush_due():
    given = document(
        zone("A"),
        zone("B"),
        zone("C"),
        flushes=(
            flush("A", (), 5.0, NIGHT + timedelta(days=1)),
            flush("B", (), 6.0, NIGHT + timedelta(days=3)),
            flush("C", (), 9.0),
            flush("gone", (), 9.5),
        ),
    )
    (deed,) = actions._samples(given, frozenset({"A", "B", "gone"}))
    assert deed.where == "B"
    assert deed.why.endswith("a flush is due by Wed 15 Jul")


def weather(day, **given):
    usual = dict(
        observed=False,
        eto_mm=5.0,
        rain_mm=0.0,
        rain_probability=None,
        tmin_degc=12.0,
        tmax_degc=25.0,
        rh_percent=50.0,
        wind_ms=2.0,
    )
    return WeatherDay(day=day, **(usual | given))


@pytest.mark.parametrize(
    ("wind", "when"), [((ADVICE.drift_wind, 2.0), "today"), ((2.0, ADVICE.drift_wind + 1), "tomorrow")]
)
def test_wind_of_tonight_and_tomorrow_makes_spray_drift(wind, when):
    days = [weather(NIGHT + timedelta(days=i), wind_ms=w) for i, w in enumerate(wind)]
    assert f" {when}: spray drifts" in outlook._drift(days, NIGHT, "metric").words
    assert outlook._drift([weather(NIGHT, wind_ms=ADVICE.drift_wind - 0.1)], NIGHT, "metric") is None
    both = [weather(NIGHT, wind_ms=9.0), weather(NIGHT + timedelta(days=1), wind_ms=12.0)]
    assert "mean wind 12.0 m/s tomorrow" in outlook._drift(both, NIGHT, "metric").words  # the windier of the two


def advised(**tomorrow):
    days = [weather(NIGHT - timedelta(days=i)) for i in range(6, -1, -1)] + [
        weather(NIGHT + timedelta(days=1), **tomorrow)
    ]
    grass = ((("bermudagrass", 0.5), ("creeping_bentgrass", 0.5)),)
    site = SimpleNamespace(units="metric", zones=SimpleNamespace(turf_mix=grass, surface=np.array(["green"])))
    found = outlook.advice_parts(SimpleNamespace(night=NIGHT, site=site), tuple(days))
    return {a.kind.value: a.words for a in found}


def test_advice_is_of_tomorrow_from_its_limits_on():
    assert advised() == {}
    assert list(advised(tmax_degc=ADVICE.hot)) == list(advised(tmax_degc=ADVICE.hot + 3)) != []
    assert advised(tmax_degc=ADVICE.hot - 0.1) == {}  # half of a cool-season grass is enough to suffer
    assert list(advised(tmin_degc=ADVICE.frost)) == list(advised(tmin_degc=ADVICE.frost - 2)) != []
    assert advised(tmin_degc=ADVICE.frost + 0.1) == {}
    assert list(advised(wind_ms=ADVICE.drift_wind)) != []


def test_dollar_spot_is_of_the_five_days_to_tomorrow():
    warm = dict(rh_percent=90.0, tmin_degc=20.0, tmax_degc=30.0)
    five = [weather(NIGHT, **warm)] * 5
    assert outlook._dollar_spot(five) is not None
    assert outlook._dollar_spot(five[:4] + [None]) is None
    seen = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(outlook, "_dollar_spot", lambda days: seen.extend(d.day for d in days if d))
        advised()
    assert sorted(seen) == [NIGHT + timedelta(days=d) for d in range(-3, 2)]


@pytest.mark.parametrize(
    ("begins", "until", "told"), [(16, 16, True), (17, 17, False), (10, 14, True), (10, 13, False)]
)
def test_events_count_from_tonight_to_the_day_after_the_last_night(monkeypatch, begins, until, told):
    event = SimpleNamespace(
        begins=date(2026, 7, begins),
        until=date(2026, 7, until),
        kind="tournament",
        target="green",
        zones=1,
        note="",
        firm=(),
        dry=(),
        no_flush=(),
    )
    monkeypatch.setattr(outlook, "calendar_events", lambda site, dates: [event])
    nights = SimpleNamespace(site=None, inputs=SimpleNamespace(dates=(NIGHT, NIGHT + timedelta(days=1))))
    assert bool(outlook.event_parts(nights)) == told


# ---------------------------------------------------------------------------------------------------- rain


def held_back(monkeypatch, wished=(9.0, 6.0, 9.0), left_out=(0.0, 0.0, 0.0), weathers=None):
    """Tonight's 4, 6 and 4 mm against what would run without rain in sight; rain likely on the second date."""
    arrays = plan(zones=3, nights=3, area=[1000.0, 1000.0, 3000.0], flow=[1000 / 60, 1000 / 60, 3000 / 60])
    monkeypatch.setattr(rain, "refill", lambda dry, *_: SimpleNamespace(depth=np.array(wished)))
    told = SimpleNamespace(chance=np.array([0.05, 0.6, 0.5]), amount=np.array([90.0, 10.0, 11.0]))
    others = SimpleNamespace(
        rain=np.array([[0, 0.0, 0], [0, 0.0, 0], [0, 5.0, 0]]),
        members=SimpleNamespace(weight=np.array([0.4, 0.2, 0.4])),
    )
    surface = np.array(["green", "fairway", "fairway"])
    return SimpleNamespace(
        demand=SimpleNamespace(told=told),
        plan=arrays,
        site=SimpleNamespace(units="metric", zones=SimpleNamespace(surface=surface)),
        inputs=SimpleNamespace(
            others=others, resolution=np.ones(3), dates=tuple(NIGHT + timedelta(days=i) for i in range(3))
        ),
        run=SimpleNamespace(
            minutes=np.array([4.0, 6.0, 4.0]),
            left_out=np.array(left_out),
            result=SimpleNamespace(flushes=(), weathers=weathers),
        ),
    )


def test_water_held_back_is_the_mean_by_area_for_the_likeliest_rain(monkeypatch):
    part = rain.rain_part(held_back(monkeypatch, wished=(8.0, 6.0, 9.0)))
    # 4 mm on 1000 m2 and 5 on 3000; the second date's 6 mm outweigh the first's unlikely 90 and the third's 5.5.
    assert (part.zones_held_back, part.held_back_mm) == (2, pytest.approx((4.0 + 3 * 5.0) / 4))
    assert (part.date, part.chance, part.amount_mm) == (NIGHT + timedelta(days=2), 0.6, 10.0)
    assert part.next_night == part.date


def test_what_found_no_place_was_not_held_back_for_rain(monkeypatch):
    assert rain.rain_part(held_back(monkeypatch, left_out=(1.0, 0.0, 0.0))).zones_held_back == 1
    assert rain.rain_part(held_back(monkeypatch, left_out=(1.0, 0.0, 1.0))) is None
    assert rain.rain_part(held_back(monkeypatch, wished=(4.4, 6.0, 4.5))) is None  # within half a step


def test_if_it_stays_dry_those_run_that_do_in_most_of_the_dry_weathers(monkeypatch):
    # On the evening of that date: the fairways run in weathers of 0.4 of 0.6 that stay dry, the green in 0.2.
    runs = np.zeros((4, 3, 3))
    runs[1, 1:, 2], runs[2, 0, 2], runs[3, 0, 2] = 5.0, 5.0, 5.0
    runs[1:, 0, 1] = 5.0
    part = rain.rain_part(held_back(monkeypatch, weathers=runs))
    assert (part.surface, part.zones_if_dry) == (SurfaceName.FAIRWAY, 2)
    assert "if it stays dry, 2 fairways run that night" in part.words


# ---------------------------------------------------------------------------------------------------- salts


def test_a_flush_is_told_by_its_own_nights(monkeypatch):
    monkeypatch.setattr(salts, "_if_saltier", lambda planned: np.full((1, 4), 3.0))
    monkeypatch.setattr(salts, "_lower_probes", lambda planned: {})
    monkeypatch.setattr(salts, "_once_drained", lambda planned: ece[:, 1:])
    ece = np.array([[5.0, 4.8, 3.0, 2.5, 2.6]])
    four = np.array([[1.0, 2.0, 4.0, 8.0]])
    candidates = SimpleNamespace(
        needs=SimpleNamespace(zone=np.array([0])),
        by=(NIGHT + timedelta(days=1),),
        staged=np.array([False]),
        target=np.array([2.45]),
        ece_now=np.array([5.0]),
        words=lambda f, brings: brings,
        holds_for=lambda f, after: 9.0,
    )
    effects = SimpleNamespace(
        ece=ece, layers=np.stack((ece - 1, ece + 1), axis=1), leached=four, gross=10 * four,
        balance=SimpleNamespace(drainage=four + 0.5),
    )  # fmt: skip
    given = SimpleNamespace(
        flushes=candidates,
        site=SimpleNamespace(units="metric", zones=SimpleNamespace(zone=np.array(["G1"]))),
        effects=effects,
        inputs=SimpleNamespace(dates=tuple(NIGHT + timedelta(days=i) for i in range(4))),
        run=SimpleNamespace(result=SimpleNamespace(flushes=(SimpleNamespace(zone=0, nights=(1, 2)),), upkeep=())),
    )
    (part,) = salts.flush_parts(given)
    assert (part.ece_before_dsm, part.ece_after_dsm) == (4.8, 2.5)
    assert (part.layers_before_dsm, part.layers_after_dsm) == ((3.8, 5.8), (1.5, 3.5))
    assert (part.leached_mm, part.depth_mm, part.drainage_mm) == (6.0, 60.0, 7.0)
    assert part.again_by == NIGHT + timedelta(days=2 + 9)  # nine days after its last night
    assert part.words.startswith("this flush brings it to 2.5; later than by Wed 15 Jul")
    given.flushes.by = (NIGHT + timedelta(days=2),)
    (part,) = salts.flush_parts(given)
    assert "later" not in part.words


@pytest.mark.parametrize(("after", "short"), [(2.0 + TOLD.short_of_aim, False), (2.05 + TOLD.short_of_aim, True)])
def test_a_flush_is_short_of_its_aim_by_more_than_is_told_apart(after, short):
    assert ("short of the 2.0 aimed at" in salts._brings(after, after, 2.0)) == short


# ---------------------------------------------------------------------------------------------------- changes


def test_tonight_is_held_against_what_the_evening_before_meant_for_it():
    path = [SimpleNamespace(night=NIGHT - timedelta(days=1), minutes=9.0), SimpleNamespace(night=NIGHT, minutes=0.0)]
    other = [SimpleNamespace(night=NIGHT, minutes=7.0), SimpleNamespace(night=NIGHT + timedelta(days=1), minutes=0.0)]
    before = document(zone("A", path=path), zone("B", path=other), warnings=(SimpleNamespace(subject="old"),))
    before.night = NIGHT - timedelta(days=1)
    now = document(
        zone("A", minutes=5.0), zone("B"), zone("C", minutes=3.0), warnings=(SimpleNamespace(subject="new"),)
    )
    part = changes.changes_part(before, now)
    assert (part.now_running, part.no_longer_running) == (("A",), ("B",))
    assert (part.new_warnings, part.gone_warnings, part.meant_m3) == (("new",), ("old",), 9.0)


def test_what_is_keyed_otherwise_is_counted_by_minutes_and_starts():
    def starts(*hours):
        return [(at(h), at(h + 1)) for h in hours]

    before = document(zone("A", minutes=5.0, cycles=starts(21, 22)), zone("B", minutes=5.0, cycles=starts(21)))
    now = document(
        zone("A", minutes=5.0, cycles=starts(21)),
        zone("B", minutes=6.0, cycles=starts(20)),
        zone("C", minutes=1.0, cycles=starts(19)),
    )
    assert changes.entries_changed(before, now) == 1 + 2 + 2
    said = changes.programme_changes(before, now)
    assert said[0].startswith("1 zone runs longer than then") and "starts at another time" in said[1]
    said = changes.programme_changes(now, before)
    assert any(line.startswith("1 zone runs shorter than then") for line in said)


def test_six_names_are_told_and_the_rest_counted():
    assert actions._few("ABCDEF") == "A, B, C, D, E, F" and actions._few("ABCDEFGH") == "A, B, C, D, E, F and 2 more"


def test_surfaces_stand_in_order_of_service_or_the_other_way_round():
    site = SimpleNamespace(
        zones=SimpleNamespace(surface=["rough", "green", "tee"]),
        surfaces={s: SimpleNamespace(priority=n) for s, n in (("green", 1), ("tee", 1), ("rough", 2))},
    )
    assert in_order(site) == ["green", "tee", "rough"]
    assert in_order(site, last_first=True) == ["rough", "green", "tee"]


def test_the_plan_of_before_is_that_of_the_nearest_evening_and_of_the_same_site(tmp_path, monkeypatch):
    for day in (14, 12, 11):
        folder = tmp_path / "out" / f"2026-07-{day}"
        folder.mkdir(parents=True)
        (folder / "plan.json").write_text("{}")
    monkeypatch.setattr(changes, "finish_sets", lambda folder: None)
    named = {"name": "Oaks"}
    monkeypatch.setattr(
        changes, "read_plan", lambda file: SimpleNamespace(site=SimpleNamespace(**named), file=file.parent.name)
    )
    now = document(zone())
    found = changes.earlier_plan(SimpleNamespace(folder=tmp_path), now)
    assert found.file == "2026-07-12"
    named["name"] = "Elms"
    assert changes.earlier_plan(SimpleNamespace(folder=tmp_path), now) is None
    assert changes.earlier_plan(SimpleNamespace(folder=tmp_path / "none"), now) is None


def test_the_extra_for_uneven_catch_is_told_by_area_and_its_leaching_by_what_is_owed():
    # Zones of 1000 and 3000 m2; without the extra and with it: 100 and 120 mm of water, 10 and 25 or 40 mm drained.
    # Owed are 10 % of the water: 12 mm, of which 10 drain anyway.
    course = SimpleNamespace(
        water=np.array([[100.0, 120.0], [100.0, 120.0]]),
        drained=np.array([[10.0, 25.0], [10.0, 40.0]]),
        met=np.array([[0.8, 1.0], [0.9, 1.2]]),
        soft=np.array([[1.0, 3.0], [2.0, 4.0]]),
    )
    weighed = SimpleNamespace(course=course, extra=np.array([0.0, 0.7]), share=np.array([0.8, 0.5]))
    found = SimpleNamespace(
        zones=np.array([0, 2]), surfaces=("tee", "green"), weighed=weighed, owed=np.array([0.1, 0.1])
    )
    zones = SimpleNamespace(surface=np.array(["green", "tee", "green"]), area=np.array([1000.0, 9.0, 3000.0]))
    part = uneven._surface(SimpleNamespace(site=SimpleNamespace(zones=zones)), found, "green")
    assert (part.extra, part.longer) == (0.7, pytest.approx((0.25 + 3 * 1.0) / 4, abs=1e-3))
    assert (part.water_mm, part.drained_mm, part.leached_mm) == (20.0, pytest.approx((15 + 3 * 30) / 4), 2.0)
    course.drained[:] = [[10.0, 10.4], [10.0, 9.0]]  # 0.4 mm more, and 1 mm less
    part = uneven._surface(SimpleNamespace(site=SimpleNamespace(zones=zones)), found, "green")
    assert part.leached_mm == pytest.approx(0.1)
    assert (part.met, part.met_without, part.soft_nights, part.soft_nights_without) == (1.0, 0.85, 3.5, 1.5)


def test_a_probe_in_doubt_is_told_with_its_zone_where_it_has_one():
    topic = actions.Topic.PROBE
    doubts = [
        SimpleNamespace(kind=topic, name=n, zone=z, text="why", subject="") for n, z in (("a", "G1"), ("b", None))
    ]
    deeds = list(actions._probes(document(zone("G1"), warnings=doubts)))
    assert [d.where for d in deeds] == ["G1, probe a", "probe b"]


@pytest.mark.parametrize(("number", "said"), [(0.6, "one more night"), (1.4, "one more night"), (2.6, "3 more nights")])
def test_nights_more_are_whole_ones(number, said):
    assert uneven._nights(number) == said
