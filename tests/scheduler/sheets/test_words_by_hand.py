"""The night sheet's words from a few zones: who runs and waits, what is safe, what comes, what salts ask for."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.document.parts import StateFrom, Status, SurfaceName, Why
from scheduler.notes import Topic
from scheduler.sheets import coming, first_screen, night_salts, runs, sections, zones
from scheduler.sheets.first_screen import _span, changes, events, safe, site_grid, tint

NIGHT = date(2026, 7, 14)
NAN = np.nan


def at(hour, minute=0, day=14):
    return datetime(2026, 7, day, hour, minute)


def cycle(start, end, minutes=5.0):
    return SimpleNamespace(start=start, end=end, minutes=minutes)


def zone(ident="G1", surface="green", minutes=0.0, before=5.0, after=6.0, **more):
    base = dict(
        id=ident, name="", place="", controller="", station="", surface=SurfaceName(surface), minutes=minutes,
        cycles=(),
        why=Why.ENOUGH, reason="enough", state_from=StateFrom.PROBE, finish_by=None, depth_mm=4.0, net_depth_mm=3.0,
        volume_m3=2.0, volumes_m3={}, path=(), before=SimpleNamespace(depletion_mm=before, spread_mm=1.0, ece_dsm=None),
        after=SimpleNamespace(depletion_mm=after, ece_dsm=None),
        limits=SimpleNamespace(wet_limit_mm=1.0, dry_limit_mm=10.0, taw_mm=40.0),
    )  # fmt: skip
    return SimpleNamespace(**(base | more))


def window(*hours):
    return [SimpleNamespace(start=at(21), end=at(h, day=15)) for h in hours]


def plan_of(*own, **more):
    tonight = SimpleNamespace(
        night=NIGHT, window=window(5), limits=[], zones_running=1, volume_m3=10.0, minutes=20.0, energy_kwh=None,
        cost=None,
        allowed=True,
    )  # fmt: skip
    found = list(dict.fromkeys(z.surface for z in own))
    surfaces = [SimpleNamespace(surface=s, zones=2, running=1, depth_mm=4.0, volume_m3=3.0) for s in found]
    base = dict(
        night=NIGHT, zones=list(own), surfaces=surfaces, nights=[tonight], status=Status.PLANNED, warnings=[],
        events=[],
        changes=None, allocation=None, flushes=[], leaching=SimpleNamespace(upkeep=[], surfaces=[], since=NIGHT),
        site=SimpleNamespace(units="metric", currency="USD", zones=len(own), name="S"), flow=[],
    )  # fmt: skip
    return SimpleNamespace(**(base | more))


# --------------------------------------------------------------------------------------------------- first screen


@pytest.mark.parametrize(
    ("depletion", "step"),
    [(0.99, 0), (1.0, 1), (4.0, 1), (4.01, 2), (7.0, 2), (7.01, 3), (10.0, 3), (10.01, 4), (-5.0, 0)],
)
def test_a_depletion_is_a_third_of_its_band(depletion, step):
    assert tint(zone(), depletion) == step


def test_a_band_that_is_hardly_there_is_judged_as_half_a_millimetre():
    narrow = SimpleNamespace(wet_limit_mm=5.0, dry_limit_mm=5.1, taw_mm=40.0)
    assert [tint(zone(limits=narrow), d) for d in (5.1, 5.3, 5.45, 5.6)] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("given", "doubted", "mark", "words"),
    [
        ({"minutes": 5.0, "cycles": (cycle(at(22), at(23)),)}, False, "•", "runs 5 min tonight from 22:00"),
        ({"minutes": 5.0, "why": Why.FLUSH}, True, "F?", "salt flush tonight, 5 min; a probe in doubt"),
        ({"why": Why.GIVES_WAY}, False, "×", "does not run though it needs water"), ({"why": Why.TOO_LARGE}, False,
        "×", None),
        ({"minutes": 5.0, "why": Why.GIVES_WAY}, False, "•", "runs 5 min tonight"), ({}, False, "", None),
        ({"why": Why.FLUSH}, True, "?", "a probe in doubt"),
    ],
)  # fmt: skip
def test_a_zone_at_a_glance(given, doubted, mark, words):
    found = first_screen._shown(zone(before=0.0, after=11.0, **given), doubted, "metric")
    assert (found.now, found.then, found.mark) == ("wet", "dry", mark)
    assert found.words.startswith("G1: now wetter than its wet limit, tomorrow evening drier than its dry limit")
    if words:
        assert found.words.endswith(f"; {words}")


def test_zones_stand_in_the_grid_by_place_and_surface():
    own = [
        zone("Z10", place="hole 10"),
        zone("Z2", "tee", controller="box"),
        zone("Z1", place="hole 2"),
        zone("Z3", "tee"),
    ]
    plan = plan_of(*own, warnings=[SimpleNamespace(kind=Topic.PROBE, zone="Z1"), SimpleNamespace(kind=Topic.PROBE,
    zone=""),
                                   SimpleNamespace(kind=Topic.PUMP, zone="Z2")])  # fmt: skip
    shown = first_screen.shown_zones(plan)
    assert [(s.zone.id, s.mark) for s in shown] == [("Z1", "?"), ("Z2", ""), ("Z3", ""), ("Z10", "")]
    grid = site_grid(plan, shown)
    assert grid["surfaces"] == ["Greens", "Tees"]
    assert [(r["place"], [[s.zone.id for s in c] for c in r["cells"]]) for r in grid["rows"]] == [
        ("box", [[], ["Z2"]]), ("hole 2", [["Z1"], []]), ("hole 10", [["Z10"], []]), ("rest", [[], ["Z3"]]),
    ]  # fmt: skip
    assert site_grid(plan, []) is None and len(grid["tints"]) == 5


def limit(what, binds=True, capacity=5.0):
    return SimpleNamespace(what=what, binds=binds, capacity=capacity, words=f"{what} is full")


def test_a_night_is_safe_within_its_hours_and_limits():
    runs_ = zone(cycles=(cycle(at(22), at(5, day=15)),))
    assert safe(plan_of(runs_)) == (
        "Every run lies within the hours allowed (21:00 to 05:00) and within pumps, pipes, controllers and permits; "
        "none of "
        "them holds the plan back."
    )
    plan = plan_of(runs_)
    plan.nights[0].limits = [limit("p"), limit("q", binds=False), limit("r", capacity=None), limit("s")]
    assert safe(plan).endswith("; the plan stops at: p, s.")
    late = plan_of(zone(cycles=(cycle(at(22), at(5, 1, day=15)),)))
    assert safe(late) == "NOT SAFE: runs end after the window closes."
    for nothing in (plan_of(zone()), plan_of(runs_, status=Status.NOT_NEEDED)):
        assert safe(nothing) == "Nothing runs, so no limit is touched."


def changed(**more):
    base = dict(
        programme=(), meant_m3=None, volume_m3=10.0, since=date(2026, 7, 13), now_running=(), no_longer_running=(),
        new_warnings=(), gone_warnings=(),
    )  # fmt: skip
    return SimpleNamespace(**(base | more))


@pytest.mark.parametrize(
    ("given", "lines"),
    [
        ({"programme": tuple("abcdef")}, ["a", "b", "c", "d", "e"]),
        ({"programme": tuple("abcdef"), "new_warnings": ("p", "o")}, ["a", "b", "c", "d", "New to look at: o, p."]),
        ({}, ["Nothing to speak of."]),
        ({"meant_m3": 10.01, "now_running": ("G1", "gone"), "no_longer_running": ("G2",), "gone_warnings": ("x",)},
         ["Water tonight 10.0 m³; as meant on Mon 13 Jul.", "Run now and were not meant to: G1.", "No longer run: Two.",
          "Settled since: x."]),
        ({"meant_m3": 12.0, "new_warnings": tuple(f"w{i}" for i in range(10))},
         ["Water tonight 10.0 m³; 12.0 m³ were meant on Mon 13 Jul.",
          "New to look at: w0, w1, w2, w3, w4, w5, w6, w7 and 2 more."]),
    ],
)  # fmt: skip
def test_what_changed_in_five_lines(given, lines):
    assert changes(plan_of(zone(), zone("G2", name="Two"), changes=changed(**given))) == lines
    assert changes(plan_of()) == []


def event(target, begins=14, until=14, kind="tournament", note="", firm=(), dry=(), flush=()):
    day = lambda d: date(2026, 7, d)  # noqa: E731
    return SimpleNamespace(
        target=target, begins=day(begins), until=day(until), kind=kind, note=note, firm_nights=tuple(map(day, firm)),
        dry_nights=tuple(map(day, dry)), no_flush_nights=tuple(map(day, flush)),
    )  # fmt: skip


def test_events_alike_are_told_together_with_what_they_hold_back():
    told = events(plan_of(zone(), events=[
        event("green", 15, 16, note="cup", firm=(14, 15), flush=(13, 14)), event("tee", 15, 16, note="cup", firm=(14,
        15), flush=(13, 14)),
        event("G1", kind="no_water", dry=(14,), flush=(14,)), event("X", kind="other"),
    ]))  # fmt: skip
    assert told == [
        "Wed 15 Jul to Thu 16 Jul, tournament on Greens, Tees (cup): kept firm on the nights Tue 14 Jul to Wed 15 "
        "Jul, no "
        "salt flush on the nights Mon 13 Jul to Tue 14 Jul.",
        "Tue 14 Jul, no water on G1: no water on the night of Tue 14 Jul.",
        "Tue 14 Jul, other on X.",
    ]
    assert _span((NIGHT,), "metric") == "on the night of Tue 14 Jul"


def test_deeds_beyond_five_are_counted_and_the_day_crew_gets_no_more_than_a_dose():
    deed = SimpleNamespace(severity=SimpleNamespace(value="now"), where="w", what="x", why="y", by=at(22))
    tomorrow = SimpleNamespace(**{**vars(deed), "by": at(9, day=15)})
    told = first_screen.actions(plan_of(actions=[deed, tomorrow] + [deed] * 5))
    assert (len(told["rows"]), told["more"]) == (5, 2)
    assert [r["by"] for r in told["rows"][:2]] == ["by 22:00 tonight", "by 09:00 on Wed 15 Jul"]
    dry, far = zone(after=12.0), zone("G2", after=99.0)
    rows = first_screen.day_crew(plan_of(dry, far, zone("R1", "rough", after=99.0), zone("G3", after=10.5)))
    dose = first_screen.BY_HAND.largest_dose
    assert [r["where"] for r in rows] == ["G2", "G1"]
    assert rows[0]["words"].startswith(f"{dose:.1f} mm in all") and rows[1]["words"].startswith(
        f"{min(11.0, dose):.1f} mm"
    )
    assert first_screen.by_hand(plan_of(dry, far)) == "G1, G2." and first_screen.by_hand(plan_of()).startswith(
        "nothing;"
    )


# ------------------------------------------------------------------------------------------------- runs by surface


def running(ident, reason="dry", **more):
    own = (cycle(at(22), at(22, 5)), cycle(at(23), at(23, 5)))
    return zone(ident, minutes=10.0, reason=reason, **({"cycles": own} | more))


def test_who_runs_when_and_why_and_who_waits():
    own = [running("G10"), running("G2"), running("G3", "flush", name="Third", controller="box", station="7"),
           zone("G4"), zone("G5", reason="rain"), zone("G6"), zone("T1", "tee", state_from=StateFrom.KIN)]  # fmt: skip
    green, tee = runs.runs_by_surface(plan_of(*own))
    assert [r["name"] for r in green["rows"]] == ["G2", "G10", "Third"]
    assert (green["common"], green["reasons"], [r["why"] for r in green["rows"]]) == ("dry", True, ["", "", "flush"])
    assert green["rows"][2]["station"] == "box · 7" and green["rows"][0]["station"] == "G2"
    assert (green["rows"][0]["from_to"], green["rows"][0]["cycles"]) == ("22:00–23:05", "in 2 cycles")
    assert green["done"] == "done at 23:05" and green["origin"] == "6 from their own probe"
    assert green["waiting"] == [{"reason": "enough", "names": "G4, G6"}, {"reason": "rain", "names": "G5"}]
    assert (tee["rows"], tee["done"], tee["common"]) == ([], "", "") and tee[
        "origin"
    ] == "1 from probes of zones like them"
    assert runs._common_reason([running("a"), running("b")]) == ""
    assert runs._common_reason([running(n, n) for n in "abc"]) == ""
    assert runs._common_reason([running("a"), running("b"), running("c", "x"), running("d", "y")]) == ""
    one = runs._run_row(running("G1", cycles=(cycle(at(22), at(23)),)), "metric", "")
    assert (one["cycles"], one["from_to"], one["why"]) == ("", "22:00–23:00", "dry")


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ([at(23, 5)] * 2, "All should be done by 23:05, and are."), ([at(23, 4)] * 2,
        "All should be done by 23:04: 2 run past it."),
        ([at(23, 5), None], "1 zone should be done by 23:05, and is."),
        ([at(23, 5), at(23)],
        "1 zone should be done by 23:00: 1 runs past it. 1 zone should be done by 23:05, and is."),
        ([None, None], ""),
    ],
)  # fmt: skip
def test_whether_runs_are_done_in_time(wanted, words):
    assert runs.finish_words([running(str(i), finish_by=w) for i, w in enumerate(wanted)], "metric") == words


# ----------------------------------------------------------------------------------------------------- what comes


def test_zones_of_a_surface_inside_their_own_bands(monkeypatch):
    drawn = []
    monkeypatch.setattr(coming, "band_chart", lambda chart: drawn.append(chart) or "drawing")
    night = lambda i, d: SimpleNamespace(night=NIGHT + timedelta(days=i), depletion_mm=d)  # noqa: E731
    path = lambda *d: tuple(night(i, v) for i, v in enumerate(d))  # noqa: E731
    own = [zone("G2", before=1.0, path=path(10.0, 1.0)), zone("G1", before=10.1, path=path(14.6, 5.5)),
           zone("G3", before=0.9, path=path(1.0, -3.0, 9.0))]  # fmt: skip
    (green,) = coming.moisture_bands(plan_of(*own))
    place = np.array([[0.0, 1.0, 0.0], [9.1 / 9, 13.6 / 9, 0.5], [-0.1 / 9, 0.0, -4.0 / 9]])
    np.testing.assert_allclose(drawn[0].middle, np.median(place, axis=0))
    np.testing.assert_allclose(drawn[0].low, np.quantile(place, 0.1, axis=0))
    np.testing.assert_allclose(drawn[0].high, np.quantile(place, 0.9, axis=0))
    np.testing.assert_allclose(drawn[0].driest, place.max(axis=0))
    assert list(drawn[0].labels) == ["now", "Wed", "Thu"] and drawn[0].wet_text == "wet limit: 1.0 mm below full"
    assert (green["now_dry"], green["next_dry"], green["now_wet"], green["beyond"]) == ("G1", "G1", "G3", 2)
    assert green["typical"] is False and green["title"] == "Greens"
    wide = zone("G4", limits=SimpleNamespace(wet_limit_mm=0.0, dry_limit_mm=10.6, taw_mm=40.0))
    (other,) = coming.moisture_bands(plan_of(own[0], wide))
    assert other["typical"] and other["next_dry"] == ""
    wet = zone("G5", limits=SimpleNamespace(wet_limit_mm=1.6, dry_limit_mm=10.0, taw_mm=40.0))
    assert coming.moisture_bands(plan_of(own[0], wet))[0]["typical"] is True  # of the wet limits alone, too
    assert coming._below_full(0.0, "metric") == "full"
    words = coming._band_words("Greens", np.array([-0.1, 0.25, 1.1]))
    assert words == "Greens: the median zone is now wetter than the wet limit, at the end drier than the dry limit."
    assert "25 % of the way" in coming._band_words("x", np.array([0.25]))


def test_coming_nights_and_the_season_s_water():
    night = SimpleNamespace(
        night=NIGHT, allowed=True, window=window(5), zones_running=3, volume_m3=10.0, cost=None,
        limits=[limit("p"), limit("q", binds=False)],
    )  # fmt: skip
    paid = SimpleNamespace(**{**vars(night), "cost": 5.0, "window": window(5, 6)})
    first, second = coming.coming_nights(plan_of(nights=[night, paid]))
    assert (first["window"], first["cost"], first["limits"], first["zones"]) == ("21:00–05:00", "", ["p is full"], "3")
    assert (second["window"], second["cost"]) == ("21:00–05:00, 21:00–06:00", "5.00 USD")
    season = SimpleNamespace(volume_m3=100.0, used_m3=25.0, left_m3=75.0, share_this_horizon_m3=30.0)
    told = coming.allocation(plan_of(nights=[night, paid], allocation=season))
    assert told["lines"] == [
        "Used before tonight: 25.0 m³ (25 % of 100.0 m³).", "Planned for the nights shown: 20.0 m³.",
        "Left before tonight: 75.0 m³.",
        "These nights may take 30.0 m³ of it, so that the season's demand can still be met.",
    ]  # fmt: skip
    assert 'width="89.0"' in told["drawing"] and 'width="71.2"' in told["drawing"]
    season.share_this_horizon_m3 = None
    assert len(coming.allocation(plan_of(allocation=season))["lines"]) == 3 and coming.allocation(plan_of()) is None


# -------------------------------------------------------------------------------------------------- the whole night


def nights(*allowed):
    return [SimpleNamespace(night=NIGHT + timedelta(days=i), allowed=a, window=[]) for i, a in enumerate(allowed)]


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (plan_of(status=Status.NOT_ALLOWED, nights=nights(False, False, True)),
         "No watering is allowed tonight: nothing runs. The next allowed night is Thu 16 Jul."),
        (plan_of(status=Status.NOT_ALLOWED, nights=nights(True, False)),
        "No watering is allowed tonight: nothing runs."),
        (plan_of(status=Status.NOT_NEEDED), "No zone needs water tonight: nothing runs."),
        (plan_of(zone(after=10.0), status=Status.NOT_NEEDED), "No zone needs water tonight: nothing runs."),
        (plan_of(zone(after=14.0), status=Status.NOT_NEEDED),
        "No zone has room for a run tonight: nothing runs. Some will need water by hand tomorrow."),
        (plan_of(zone(after=14.0), status=Status.NOT_AVAILABLE),
        "Zones need water, but the limits leave none for tonight: nothing runs."),
        (plan_of(status=Status.NOT_AVAILABLE),
        "Zones need water, but the limits leave none for tonight: nothing runs."),
        (plan_of(zone()), "1 of 1 zone runs tonight."),
        (plan_of(running("a")),
        "1 of 1 zones runs tonight, from 22:00; the last finishes at 23:05, 5 h 55 min before the "
         "window closes."),
        (plan_of(zone(cycles=(cycle(at(22), at(5, day=15)),))),
         "1 of 1 zones runs tonight, from 22:00; the last finishes at 05:00, as the window closes."),
        (plan_of(zone(cycles=(cycle(at(22), at(5, 2, day=15)),))),
         "1 of 1 zones runs tonight, from 22:00; the last finishes at 05:02, 2 min AFTER the window closes: do not "
         "run this "
         "plan."),
    ],
)  # fmt: skip
def test_the_night_in_one_sentence(plan, words):
    assert sections.status_sentence(plan) == words.replace("1 of 1 zone ", "1 of 1 zones ")


def test_totals_of_the_night():
    own = [running("a", volumes_m3={"well": 2.0, "lake": 5.0}), running("b", volumes_m3={"well": 1.0, "none": 0.0})]
    plan = plan_of(*own, allocation=SimpleNamespace(used_m3=25.0, volume_m3=100.0))
    plan.nights[0].energy_kwh, plan.nights[0].cost = 12.0, 3.5
    flows = {"p": (np.array([1260.0, 1270.0]), np.array([5.0, 9.0]), 1280.0),
             "q": (np.array([1260.0, 1270.0]), np.array([6.0, 0.0]), 1280.0)}  # fmt: skip
    found = {f["label"]: (f["value"], f["note"]) for f in sections.key_figures(plan, flows)}
    assert found == {
        "Water": ("10.0 m³", "lake 5.0 m³, well 3.0 m³"), "Finished": ("23:05", ""),
        "Run time, all zones": ("20 min", "4 cycles"), "Pump hours": ("30 min", "p 20 min, q 10 min"),
        "Pumps peak": ("21:00", "p 9.0 L/s at 21:10, q 6.0 L/s at 21:00"),
        "Season's water used": ("25 %", "25.0 m³ of 100.0 m³"), "Energy": ("12 kWh", ""),
        "Water and energy cost": ("3.50 USD", ""),
    }  # fmt: skip
    few = {f["label"]: f["note"] for f in sections.key_figures(plan_of(zone(volumes_m3={"well": 1.0})), {})}
    assert few == {"Water": "", "Run time, all zones": "0 cycles"}
    one = {f["label"]: f["note"] for f in sections.key_figures(plan, {"p": flows["p"]})}
    assert one["Pump hours"] == ""


def test_warnings_of_probes_stand_apart_and_the_rest_is_cut():
    probe, pump = (SimpleNamespace(kind=k, name=n) for k, n in ((Topic.PROBE, "p1"), (Topic.PUMP, "p")))
    nameless = SimpleNamespace(kind=Topic.PROBE, name="")
    doubtful, others = sections.split_warnings(plan_of(warnings=[probe, pump, nameless]))
    assert (doubtful, others) == ([probe], [pump, nameless])
    told = sections.attention(plan_of(inputs=SimpleNamespace(step_downs=())), [pump] * 62)
    assert (len(told["warnings"]), told["more"], told["step_downs"]) == (60, 2, [])


def inputs(**more):
    base = dict(
        weather=SimpleNamespace(days=9, newest=date(2026, 7, 13), routes={"told": 8, "estimated": 1}),
        forecast=SimpleNamespace(issued=at(17), days=1, members=20),
        probes=SimpleNamespace(used=3, read=5, doubtful=2, newest=at(18)),
        applied=SimpleNamespace(nights=1, newest=date(2026, 7, 12), nights_as_planned=2),
    )  # fmt: skip
    return SimpleNamespace(**(base | more))


def test_what_the_plan_stands_on():
    assert dict(sections.what_was_read(plan_of(inputs=inputs()))) == {
        "Weather": "9 days to Mon 13 Jul (told: 8 days; estimated: 1 day)",
        "Forecast": "issued Tue 14 Jul, 17:00, 1 day, 20 members",
        "Probes": "3 of 5 used, 2 doubtful; newest Tue 14 Jul, 18:00",
        "Applied log": "1 night to Sun 12 Jul; 2 nights taken as planned",
    }
    nothing = inputs(
        weather=SimpleNamespace(days=0, newest=None, routes={}), forecast=SimpleNamespace(issued=None, days=0,
        members=0),
        probes=SimpleNamespace(used=0, read=0, doubtful=0, newest=None),
        applied=SimpleNamespace(nights=0, newest=None, nights_as_planned=0),
    )  # fmt: skip
    assert [v for _, v in sections.what_was_read(plan_of(inputs=nothing))] == ["none"] * 4
    plain = inputs(
        weather=SimpleNamespace(days=1, newest=date(2026, 7, 13), routes={}),
        forecast=SimpleNamespace(issued=at(17), days=2, members=1),
        applied=SimpleNamespace(nights=3, newest=date(2026, 7, 12), nights_as_planned=0),
    )  # fmt: skip
    told = dict(sections.what_was_read(plan_of(inputs=plain)))
    assert (told["Weather"], told["Forecast"]) == ("1 day to Mon 13 Jul", "issued Tue 14 Jul, 17:00, 2 days")
    assert told["Applied log"] == "3 nights to Sun 12 Jul"


# ----------------------------------------------------------------------------------------------------------- salts


def flush(name="G1", on=(14,), by=15, **more):
    base = dict(
        zone=name, nights=tuple(date(2026, 7, d) for d in on), by=date(2026, 7, by), words="because.", depth_mm=9.0,
        drainage_mm=6.0, likely_dsm=None, layers_before_dsm=(), layers_after_dsm=(), again_by=None, lower_probe_cm=None,
    )  # fmt: skip
    return SimpleNamespace(**(base | more))


def salty(ece=3.0):
    return SimpleNamespace(depletion_mm=5.0, spread_mm=None, ece_dsm=ece)


@pytest.mark.parametrize(
    ("flushes", "held", "words"),
    [
        ([flush(), flush("G2", (15,)), flush("G3", (15,)), flush("G4", (16,)), flush("G5", ())], (),
         "1 zone tonight; next on Wed 15 Jul, G2, G3; 1 zone due and on no night of this plan."),
        ([flush("G2", (15,))], (14,), "none tonight; next on Wed 15 Jul, G2; tonight kept free for no water."),
        ([flush()], (14,), "1 zone tonight; no other due in these nights."),
        ([], (), "none tonight; no other due in these nights."),
    ],
)  # fmt: skip
def test_flushes_in_one_line(flushes, held, words):
    own = [zone(f"G{i}", before=5.0) for i in range(1, 6)]
    own[0].before = salty()
    given = plan_of(*own, flushes=flushes, events=[event("green", kind="no_water", flush=held)])
    assert night_salts.in_one_line(given) == words
    assert night_salts.in_one_line(plan_of(zone())) == ""


def test_a_flush_in_words():
    plan = plan_of(zone())
    assert night_salts._when(plan, flush()) == "tonight"
    assert night_salts._when(plan, flush(on=(14, 15))) == "tonight and Wed 15 Jul"
    assert night_salts._when(plan, flush(on=(16,))) == "Thu 16 Jul (due by Wed 15 Jul)"
    assert night_salts._when(plan, flush(on=())) == "due by Wed 15 Jul"
    assert night_salts._planned(flush(), "metric") == "9.0 mm of water, 6.0 mm of it through the roots"
    whole = flush(
        likely_dsm=(1.04, 2.0),
        layers_before_dsm=(2.0, 3.0, 4.0),
        layers_after_dsm=(1.0, 9.0, 2.5),
        again_by=date(2026, 7, 20),
    )
    assert night_salts._leaves(whole, "metric") == (
        "1.0 to 2.0 dS/m in four cases of five; upper half 2.0 → 1.0, lower half 4.0 → 2.5; due again by about Mon "
        "20 Jul."
    )
    assert night_salts._leaves(flush(), "metric") == ""
    told = night_salts.flushes(plan_of(zone(), flushes=[flush(likely_dsm=(1.0, 2.0)), flush(on=())]))
    assert [r["leaves"] for r in told["rows"]] == ["1.0 to 2.0 dS/m in four cases of five.", ""]
    assert (told["rows"][0]["words"], told["rows"][1]["planned"], told["folded"]) == ("Because", "", False)
    assert night_salts.flushes(plan_of(zone())) is None


def test_many_flushes_are_told_by_night():
    own = [zone(f"G{i}") for i in range(6)]
    many = [flush(f"G{i}", on, by, again_by=date(2026, 7, 20 + i)) for i, (on, by) in enumerate(
        [((14,), 15), ((14,), 13), ((15, 16), 15), ((15, 16), 15), ((), 15)])]  # fmt: skip
    told = night_salts.flushes(plan_of(*own, flushes=many))
    assert told["folded"] and told["lines"] == [
        {"when": "Tonight, 2 zones, 1 of them later than due", "names": "G0, G1"},
        {"when": "Wed 15 Jul and Thu 16 Jul, 2 zones, later than due", "names": "G2, G3"},
        {"when": "Due, but on no night of this plan, 1 zone", "names": "G4"},
    ]
    assert told["again"].startswith("4 zones, the first by about Mon 20 Jul, half of them by Tue 21 Jul, the last by")
    at_once = plan_of(*own, flushes=[flush("G1", again_by=date(2026, 7, 20))])
    assert night_salts._due_again(at_once) == "1 zone by about Mon 20 Jul"
    assert night_salts._due_again(plan_of(*own, flushes=[flush("G1")])) == ""


def test_lower_probes_to_look_at_in_the_morning():
    own = {f"G{i}": zone(f"G{i}") for i in range(4)}
    check = lambda *f: night_salts._to_check(plan_of(*own.values(), flushes=list(f)), own)  # noqa: E731
    assert check(
        flush("G1", lower_probe_cm=15.0), flush("G2", lower_probe_cm=15.0), flush("G3", (15,), lower_probe_cm=15.0)
    ) == ("G1, G2, at 15 cm")
    assert check(flush("G1", lower_probe_cm=15.0), flush("G2", lower_probe_cm=18.0)) == "G1 (15 cm), G2 (18 cm)"
    assert check(flush("G1")) == ""


def test_zones_that_leach_with_their_watering():
    assert night_salts.extra_depth(zone(net_depth_mm=6.0, depth_mm=8.0, before=4.5)) == pytest.approx(2.0)
    assert night_salts.extra_depth(zone(net_depth_mm=4.5, before=4.5)) == 0.0
    own = [
        zone(f"G{i}", net_depth_mm=6.0, depth_mm=8.0, before=b, volume_m3=4.0) for i, b in enumerate((4.5, 3.0, 5.95))
    ]
    little = [SimpleNamespace(zone=f"G{i}", nights=tuple(date(2026, 7, d) for d in n)) for i, n in
              enumerate(((14, 15), (14,), (14,)))]  # fmt: skip
    rows = [SimpleNamespace(surface="green", achieved=0.1, required=0.15)]
    leaching = SimpleNamespace(upkeep=little, surfaces=rows, since=date(2026, 7, 1))
    (green,) = night_salts.upkeep(plan_of(*own, leaching=leaching))
    assert green["title"] == "Greens, 2 zones" and green["names"] == "G0, G1"
    assert green["words"] == (
        "3.0 m³ (3.0 mm on average) more tonight than fills their roots, and again on up to 1 later night. Leached "
        "from Wed "
        "1 Jul to the end of this plan: 10 % of the water; required: 15 %."
    )
    rows[0].required = None
    leaching.upkeep = little[:1]
    (one,) = night_salts.upkeep(plan_of(*own, leaching=leaching))
    assert one["title"] == "Greens, G0" and one["names"] == ""
    assert one["words"].startswith("1.0 m³ (2.0 mm) more tonight than fills its roots, and again on 1 later night.")
    assert one["words"].endswith("required: more than this water can.")
    assert [night_salts._again(n) for n in ([0, 0], [2, 2], [1, 3], [0, 2])] == [
        "", ", and again on 2 later nights", ", and again on 1 to 3 later nights",
        ", and again on up to 2 later nights",
    ]  # fmt: skip
    rows[0].achieved = None
    assert night_salts._achieved(plan_of(leaching=leaching), "green") == "" == night_salts._achieved(plan_of(), "tee")


def test_salinity_by_surface_and_a_night_without_flushes():
    own = [zone("G1"), zone("G2"), zone("G3"), zone("T1", "tee")]
    own[0].before, own[1].before = salty(2.0), salty(5.0)
    (green,) = night_salts.salts(plan_of(*own))
    assert (green["title"], green["where"]) == ("Greens", "G2")
    assert (green["median"], green["highest"]) == ("3.5 dS/m", "5.0 dS/m")
    assert night_salts.nothing_tonight(plan_of(*own)).startswith("No zone with drains")
    for plan in (plan_of(*own, flushes=[flush()]), plan_of(own[3]),
                 plan_of(*own, leaching=SimpleNamespace(upkeep=[1], surfaces=[], since=NIGHT))):  # fmt: skip
        assert night_salts.nothing_tonight(plan) == ""


# ----------------------------------------------------------------------------------------------- the page of zones


def test_a_zone_in_lines():
    own = running("G1", reason="dry")
    assert zones._tonight(own, "metric") == "10 min tonight, 4.0 mm (22:00 for 5 min, 23:00 for 5 min): dry."
    assert zones._tonight(zone(), "metric") == "Does not run tonight: enough."
    assert zones._moisture(own, "metric") == (
        "Now 5.0 mm below full, give or take 1.0 mm; band 1.0 mm to 10.0 mm; tomorrow evening 6.0 mm."
    )
    own.before = salty(3.0)
    own.after = SimpleNamespace(depletion_mm=6.0, ece_dsm=2.5)
    assert zones._moisture(own, "metric").startswith("Now 5.0 mm below full; band")
    assert zones._salts(zone(), None, "metric") == ""
    assert zones._salts(own, None, "metric") == "Salinity 3.0 dS/m, tomorrow 2.5 dS/m; no flush due in these nights."
    assert zones._salts(own, flush(words="why"), "metric").endswith("; flush planned for Tue 14 Jul: why.")
    assert zones._salts(own, flush(on=(), words="why"), "metric").endswith("; flush due by Wed 15 Jul: why.")
    learned = [
        ("microclimate", 1.0, 1.2),
        ("field_capacity", 0.2, 0.25),
        ("colour", 1.0, 2.0),
        ("application_rate", 12.0, 9.0),
    ]
    assert zones._learned(learned, "metric") == (
        "Learned from its record and accepted: wants 1.20 times its turf's water, told as 1.00; holds 25 % when "
        "drained, "
        "told as 20 %; gets 9.0 mm/h, told as 12.0 mm/h."
    )
    assert zones._learned([], "metric") == ""


def test_a_zone_s_drawings_are_given_what_they_draw(monkeypatch):
    seen = {}
    monkeypatch.setattr(zones, "course_chart", lambda chart: seen.update(course=chart))
    monkeypatch.setattr(zones, "salt_chart", lambda chart: seen.update(salt=chart) or "drawn")
    count = zones.BACK + 4
    dates = tuple(NIGHT + timedelta(days=i - zones.BACK) for i in range(count))
    course = SimpleNamespace(
        dates=dates, read=np.full(count, NAN), estimate="e", spread="s", planned="p", water=np.array([NAN, 7.0]),
        rain=np.array([3.0]), ece=np.full(count, NAN), sampled=np.full(count, NAN),
    )  # fmt: skip
    course.read[2:5] = 1.0
    own = zone()
    zones._drawing(own, course, "metric", "Now dry.")
    chart = seen["course"]
    assert (chart.tonight, chart.wet, chart.dry, chart.most_text) == (zones.BACK, 1.0, 10.0, "7.0 mm")
    assert ": Now dry. Read" in chart.alt and chart.alt.endswith(
        f"Read by probes on 3 of {zones.BACK + 1} days. 3 days ahead."
    )
    assert [i for i, _ in chart.marks] == [i for i in range(0, count, 7) if i != zones.BACK] + [zones.BACK]
    assert zones._salt_drawing(own, course) is None
    own.before, own.after = salty(3.0), SimpleNamespace(ece_dsm=2.5)
    assert zones._salt_drawing(own, course) is None
    course.ece[0] = course.ece[zones.BACK] = 3.0
    assert zones._salt_drawing(own, course) == "drawn" and seen["salt"].text == "3.0, then 2.5 dS/m"
    assert "estimates of 1 earlier evenings" in seen["salt"].alt
    course.ece[0], course.sampled[0] = NAN, 2.0
    assert zones._salt_drawing(own, course) == "drawn"
