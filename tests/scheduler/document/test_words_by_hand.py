"""Words of a plan, kind by kind: why a zone runs or waits, who gives way, the manager's word, uneven catch, flushes."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import TOLD
from scheduler.document import edits, published, salts, uneven, words
from scheduler.document.parts import Status, SurfaceName, Why
from scheduler.document.words import Going, _kinds, _next_run, _note, _sentence, first_dry_night, give_way_words
from scheduler.notes import Note, Topic
from tests.models.plan.plans import plan
from tests.scheduler.document.test_parts import evening

NIGHT = date(2026, 7, 14)
DATES = tuple(NIGHT + timedelta(days=n) for n in range(3))


# -------------------------------------------------------------------------------------------------- why it runs


@pytest.mark.parametrize(
    ("depletion", "rain", "with_rain", "without"),
    [(15.0, 0.0, 1, 1), (15.1, 0.0, 0, 0), (10.0, 0.0, 2, 2), (5.0, 0.0, words.NEVER, words.NEVER), (10.0, 1.7, 9, 2)],
)
def test_the_first_evening_on_which_a_zone_is_too_dry(depletion, rain, with_rain, without):
    # 5 mm a date, dry beyond 20.
    given = plan(nights=3, depletion=depletion, effective_rain=rain)
    with_rain = words.NEVER if with_rain == 9 else with_rain
    assert first_dry_night(given).tolist() == [with_rain]
    assert first_dry_night(given, with_rain=False).tolist() == [without]


def test_the_next_night_on_which_a_zone_runs():
    minutes = np.array([[9.0, 0.0, 0.5], [0.0, 0.5, 0.5], [9.0, 0.0, 0.0]])
    assert _next_run(minutes).tolist() == [2, 1, words.NEVER]
    assert _next_run(minutes[:, :1]).tolist() == [words.NEVER] * 3


ROWS = {  # minutes tonight, first dry night, next run, fits, may run, too hot, had room
    Why.DRY_TOMORROW: (0.5, 0, 9, True, True, False, False),
    Why.DRY_LATER: (0.5, 2, 9, True, True, False, False),
    Why.REFILL: (0.5, 9, 9, False, False, True, False),
    Why.TOO_LARGE: (0.0, 0, 9, False, False, True, False),
    Why.NOT_ALLOWED: (0.0, 0, 9, True, False, True, False),
    Why.FULL: (0.0, 0, 9, True, True, True, False),
    Why.GIVES_WAY: (0.0, 0, 9, True, True, True, True),
    Why.ENOUGH_FOR_NOW: (0.0, 1, 2, True, True, True, False),
    Why.GIVES_WAY_LATER: (0.0, 1, 9, True, True, False, False),
    Why.RAIN: (0.0, 9, 9, True, True, False, False),
    Why.ENOUGH: (0.0, 8, 9, True, True, False, False),  # 8: never, and without rain neither
}


def test_the_kind_of_a_reason_is_the_first_that_is_true(monkeypatch):
    minutes, dry, again, fits, may, hot, room = (np.array(c) for c in zip(*ROWS.values(), strict=True))
    never = np.where(dry >= 8, words.NEVER, dry)
    monkeypatch.setattr(words, "fits_alone", lambda site: fits)
    monkeypatch.setattr(
        words, "first_dry_night", lambda plan, with_rain: np.where(dry == 9, 1, never) if not with_rain else None
    )
    given = SimpleNamespace(
        site=None, run=SimpleNamespace(minutes=minutes),
        plan=SimpleNamespace(
            allowed=np.stack([may, ~may], axis=1)[:, None, :], block_length=np.array([[1.0, 0.0], [0.0, 1.0]])
        ),
        effects=SimpleNamespace(too_hot=np.stack([hot, ~hot], axis=1), short=np.stack([room, ~room], axis=1)),
    )  # fmt: skip
    assert _kinds(given, never, np.where(again == 9, words.NEVER, again)) == list(ROWS)


@pytest.mark.parametrize(
    ("why", "nights", "text"),
    [
        (Why.DRY_TOMORROW, 3, "without water too dry by tomorrow evening"),
        (Why.DRY_LATER, 3, "without water too dry by Wed; tonight suits the whole plan best"),
        (Why.GIVES_WAY, 3, "needs water but gives way tonight [p]"),
        (Why.ENOUGH_FOR_NOW, 3, "enough until Wed; next run Fri"),
        (Why.GIVES_WAY_LATER, 3, "enough until Wed; gives way after that [p]"),
        (Why.ENOUGH, 2, "enough for all 2 nights"),
        (Why.ENOUGH, 1, "enough until tomorrow evening"), (Why.RAIN, 3, "rain in the forecast is enough"),
    ],
)  # fmt: skip
def test_the_sentence_of_a_kind(why, nights, text):
    assert _sentence(why, "Wed", "Fri", " [p]", SimpleNamespace(nights=nights)) == text
    assert (_note(""), _note("wet")) == ("", " (wet)")


def test_reasons_name_evenings_and_nights_and_what_the_manager_said():
    found = evening()
    found.run.word.minutes = np.array([np.nan, 4.0, 0.0])
    found.run.word.asked = np.array([np.nan, 6.0, 0.0])
    found.run.word.notes = ("", "seeded", "")
    green, fairway, rough = (r.words for r in words.zone_reasons(found, ["", "", " (short of p)"]))
    # 10 + 5 - 1 + 6 of 17 mm by the second evening; 18 + 5 of the fairway's 18 by tomorrow, part of it left out.
    assert green == "without water too dry by Thu 16 Jul; tonight suits the whole plan best"
    assert fairway == (
        "without water too dry by tomorrow evening; held at 4 min by the manager (seeded); not all of it found a place "
        "tonight"
    )
    assert rough == "needs water but gives way tonight; not run by the manager"  # for nobody else's sake
    found.run.word.asked = np.array([np.nan, 6.0, 5.0])  # asked for, and no limit allows it
    rough = words.zone_reasons(found, ["", "", " (short of p)"])[2].words
    assert rough == "needs water but gives way tonight (short of p); held at 0 min by the manager"


def test_a_zone_that_runs_and_is_too_hot_all_the_same_is_told_so():
    found = evening()
    hot = np.array([[True, False], [True, False], [True, False]])
    dry = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 0.0]])
    found.__dict__["effects"] = SimpleNamespace(too_hot=hot, dry=dry, short=~hot)
    told = [words.BY_DAY in r.words for r in words.zone_reasons(found, [""] * 3)]
    assert told == [True, False, True]
    assert sum(words.BY_DAY in r.words for r in words.zone_reasons(found, [""] * 3)[:2]) == 1


@pytest.mark.parametrize(
    ("dry", "hot", "short", "names", "text"),
    [
        ([[1.0, 0.0], [0.0, 0.0]], [0, 0], [1, 0], [], "1 of 2 tee zones drier than their limit from Wed 15 Jul"),
        ([[1.0, 3.0], [0.0, 1.0]], [0, 0], [1, 1], ["p", "q"],
         "2 of 2 tee zones drier than their limit from Wed 15 Jul, most on Thu 16 Jul; short of: p, q"),
        ([[0.0, 3.0], [0.0, 1.0]], [0, 0], [1, 0], ["p"],
         "2 of 2 tee zones drier than their limit from Thu 16 Jul; 1 of them short of: p"),
        ([[0.0, 3.0], [0.0, 1.0]], [0, 0], [0, 0], ["p"], "2 of 2 tee zones drier than their limit from Thu 16 Jul"),
    ],
)  # fmt: skip
def test_a_surface_that_goes_drier_than_its_limit(dry, hot, short, names, text):
    going = Going(np.array(dry), np.array(hot, dtype=bool), np.array(short, dtype=bool))
    assert give_way_words("tee", going, DATES, names, "metric") == text


@pytest.mark.parametrize(("hot", "which"), [([True, False], " in 1 of them"), ([True, True], "")])
def test_zones_too_hot_for_any_watering_are_told_how_many(hot, which):
    going = Going(np.ones((2, 2)), np.array(hot), np.zeros(2, dtype=bool))
    assert f"; one day's ET takes more{which} than their roots hold" in give_way_words(
        "tee", going, DATES, [], "metric"
    )


# ------------------------------------------------------------------------------------------------- what was read


def test_warnings_are_notes_of_that_kind_with_the_zone_of_their_probe():
    notes = (
        Note("warning", "probes", "a", name="p1"),
        Note("info", "probes", "b"),
        Note("warning", "x", "c", name="p2"),
    )
    found = published.warnings_of(notes, {"p1": "G1"})
    assert [(w.text, w.zone, w.name, w.subject) for w in found] == [("a", "G1", "p1", "probes"), ("c", "", "p2", "x")]
    assert [w.zone for w in published.warnings_of(notes)] == ["", ""]


def test_a_probe_stands_where_it_is_tonight():
    frame = pd.DataFrame(
        {"probe": ["a", "b", "c", "d", "e"], "zone": ["G1", "G2", "G3", "G4", "G5"],
         "from": pd.to_datetime([None, "2026-07-14", "2026-07-15", None, None]),
         "until": pd.to_datetime([None, None, None, "2026-07-13", "2026-07-14"])}
    )  # fmt: skip
    found = evening()
    found.site.probe_sites = frame
    assert published._zone_of_probe(found) == {"a": "G1", "b": "G2", "e": "G5"}


def read(newest=None, issued=None, reading=None, applied=None):
    demand = SimpleNamespace(
        newest=newest, observed_days=9, routes={"told": 9}, issued=issued, forecast_days=3, members=2
    )
    state = SimpleNamespace(
        newest_reading=reading,
        readings=4,
        used=3,
        doubtful=1,
        newest_applied=applied,
        applied_nights=5,
        planned_nights=6,
    )
    notes = (Note("step_down", "probes", "why"), Note("info", "x", "no"))
    given = SimpleNamespace(night=NIGHT, opens=1260, demand=demand, state=state)
    return published._inputs_part(given, notes)


def test_ages_are_counted_from_the_evening_and_never_below_none():
    part = read(
        date(2026, 7, 12), pd.Timestamp("2026-07-13T23:00"), pd.Timestamp("2026-07-14T18:59:45"), date(2026, 7, 11)
    )
    assert (part.weather.age_days, part.forecast.age_days, part.probes.age_hours, part.applied.age_days) == (
        2, 1, pytest.approx(2.0), 3,
    )  # fmt: skip
    assert (part.weather.days, part.forecast.days, part.forecast.members, part.applied.nights) == (9, 3, 2, 5)
    assert (part.probes.read, part.probes.used, part.probes.doubtful, part.applied.nights_as_planned) == (4, 3, 1, 6)
    assert [(s.what, s.why) for s in part.step_downs] == [("probes", "why")]
    ahead = read(issued=pd.Timestamp("2026-07-15T01:00"), reading=pd.Timestamp("2026-07-14T22:00"))
    assert (ahead.forecast.age_days, ahead.probes.age_hours) == (0, 0.0)
    none = read()
    assert none.weather.age_days is none.forecast.age_days is none.probes.age_hours is none.applied.age_days is None


@pytest.mark.parametrize(
    ("minutes", "may", "depletion", "after", "status"),
    [
        (0.5, False, 10.0, 99.0, Status.PLANNED), (0.0, False, 10.0, 99.0, Status.NOT_ALLOWED),
        (0.0, True, 10.0, 22.1, Status.NOT_AVAILABLE), (0.0, True, 10.0, 22.0, Status.NOT_NEEDED),
        (0.0, True, 2.0, 99.0, Status.NOT_NEEDED),  # the smallest run would drain
        (0.0, True, 2.1, 99.0, Status.NOT_AVAILABLE),
    ],
)  # fmt: skip
def test_why_nothing_runs_tonight(monkeypatch, minutes, may, depletion, after, status):
    # A smallest run of 4 min is 2 mm; the limit is 20.
    monkeypatch.setattr(published, "_may_run", lambda planned: np.array([False, may]))
    given = SimpleNamespace(
        plan=SimpleNamespace(net_rate=np.full(2, 0.5), depletion=np.array([1.0, depletion])),
        inputs=SimpleNamespace(smallest_run=np.full(2, 4.0), limit=np.array([[20.0, 99.0]] * 2)),
        run=SimpleNamespace(minutes=np.array([0.0, minutes])),
        effects=SimpleNamespace(balance=SimpleNamespace(depletion=np.array([[99.0, 99.0], [after, 0.0]]))),
    )  # fmt: skip
    assert published._status(given) == status


def test_a_zone_may_run_by_its_hours_or_would_if_its_flow_were_less(monkeypatch):
    monkeypatch.setattr(published, "fits_alone", lambda site: np.array([True, True, False, False]))
    allowed = np.array([[[True, False]], [[False, True]], [[False, False]], [[False, False]]])
    window = SimpleNamespace(mask=lambda surface: np.array([[True], [True], [True], [False]]))
    given = SimpleNamespace(
        plan=SimpleNamespace(allowed=allowed, block_length=np.array([[60.0, 0.0]])),
        site=SimpleNamespace(zones=SimpleNamespace(surface=None)), inputs=SimpleNamespace(windows=(window,)),
    )  # fmt: skip
    assert published._may_run(given).tolist() == [True, False, True, False]


def test_what_the_timetable_says_is_a_warning_and_cycles_too_long_for_the_soil_too(monkeypatch):
    for name in ("edit_warnings", "controller_warnings"):
        monkeypatch.setattr(published, name, lambda planned, name=name: [name])
    monkeypatch.setattr(published, "left_out_warnings", lambda site, run: ["left out"])
    monkeypatch.setattr(published, "late_warnings", lambda site, inputs, run: ["late"])
    zones = SimpleNamespace(zone=np.array([f"Z{i}" for i in range(8)]))
    run = SimpleNamespace(
        timetable=SimpleNamespace(notes=("it is full",)), cycles=SimpleNamespace(over_longest=np.arange(8) > 0)
    )
    given = SimpleNamespace(site=SimpleNamespace(zones=zones), run=run, inputs=None)
    first, second, third, full, late, cycles = published._night_warnings(given)
    assert [first, second, third, late] == ["edit_warnings", "left out", "controller_warnings", "late"]
    assert (full.kind, full.text) == (Topic.TIMETABLE, "it is full")
    assert cycles.text.endswith("is long for Z1, Z2, Z3, Z4, Z5, Z6")
    run.cycles.over_longest[:] = False
    run.timetable = None
    assert len(published._night_warnings(given)) == 3
    run.cycles = None
    assert len(published._night_warnings(given)) == 3


# ---------------------------------------------------------------------------------------------- the manager's word


def said(minutes, asked, ran, free, drained=0.0, dry=(1.0, 1.0), unknown=(), tomorrow=(True, True)):
    """Two zones of 2 m3 a minute and 1,000 m2."""
    word = SimpleNamespace(
        minutes=np.array(minutes), asked=np.array(asked), said=~np.isnan(np.array(minutes)), unknown=unknown
    )
    run = SimpleNamespace(
        word=word, minutes=np.array(ran), free=np.array(free),
        balance=SimpleNamespace(drainage=np.array([[drained, 0.0], [drained, 0.0]])),
    )  # fmt: skip
    given = SimpleNamespace(
        run=run, site=SimpleNamespace(units="metric", zones=SimpleNamespace(zone=np.array(["A", "2"]),
                                                                            name=np.array(["", "B"]))),
        plan=SimpleNamespace(water_per_minute=np.full(2, 2.0), area=np.full(2, 1000.0)),
        effects=SimpleNamespace(dry=np.array([[d, 0.0] for d in dry])),
    )  # fmt: skip
    return given, np.array(tomorrow)


NO = np.nan


@pytest.mark.parametrize(
    ("given", "texts"),
    [
        (dict(minutes=[5.0, NO], asked=[5.0, NO], ran=[5.0, 3.0], free=[2.0, 3.0]),
         ["the manager's word is kept for 1 zone: A at 5 min (alone the plan has 2)",
          "it takes 6.0 m³ more in these zones than the plan alone"]),
        (dict(minutes=[5.0, 0.0], asked=[8.0, 0.0], ran=[5.0, 0.0], free=[2.0, 9.0]),
         ["the manager's word is kept for 2 zones: A at 5 min (alone the plan has 2), B at 0 min (alone the plan has "
          "9)",
          "limits do not allow all that was asked for: 8 min for A",
          "it takes 12.0 m³ less in these zones than the plan alone; drier than their limit tomorrow evening "
          "for it: B"]),
        (dict(minutes=[NO, 0.0], asked=[NO, 0.0], ran=[1.0, 0.0], free=[2.0, 9.0], dry=(1.0, 0.0)),
         ["the manager's word is kept for 1 zone: B at 0 min (alone the plan has 9)",
          "it takes 18.0 m³ less in these zones than the plan alone"]),
        (dict(minutes=[NO, 0.0], asked=[NO, 0.0], ran=[1.0, 0.0], free=[2.0, 9.0], tomorrow=(True, False)),
         ["the manager's word is kept for 1 zone: B at 0 min (alone the plan has 9)",
          "it takes 18.0 m³ less in these zones than the plan alone"]),
        (dict(minutes=[5.0, NO], asked=[5.0, NO], ran=[5.0, 3.0], free=[2.0, 3.0], drained=1.0, unknown=("A", "2")),
         ["no plan stands for tonight to hold A, B by: planned as ever",
          "the manager's word is kept for 1 zone: A at 5 min (alone the plan has 2)",
          "it takes 6.0 m³ more in these zones than the plan alone; 1.0 m³ passes their roots"]),
        (dict(minutes=[5.0, NO], asked=[5.0, NO], ran=[5.0, 3.0], free=[2.0, 3.0], drained=0.3),
         ["the manager's word is kept for 1 zone: A at 5 min (alone the plan has 2)",
          "it takes 6.0 m³ more in these zones than the plan alone"]),
        (dict(minutes=[1.0, NO], asked=[1.0, NO], ran=[1.0, 3.0], free=[2.0, 3.0], drained=1.0, dry=(0.0, 0.0)),
         ["the manager's word is kept for 1 zone: A at 1 min (alone the plan has 2)",
          "it takes 2.0 m³ less in these zones than the plan alone"]),
        (dict(minutes=[NO, NO], asked=[NO, NO], ran=[5.0, 3.0], free=[2.0, 3.0]), []),
    ],
)  # fmt: skip
def test_the_manager_s_word_is_told_with_what_it_costs(monkeypatch, given, texts):
    planned, tomorrow = said(**given)
    monkeypatch.setattr(edits, "dry_tomorrow", lambda plan: tomorrow)
    assert [w.text for w in edits.edit_warnings(planned)] == texts


def test_of_many_zones_twelve_are_named():
    assert edits._named([f"Z{i}" for i in range(12)]).endswith("Z10, Z11")
    assert edits._named([f"Z{i}" for i in range(14)]).endswith("Z10, Z11 and 2 more")


# ------------------------------------------------------------------------------------------------- uneven catch


def weighed(share=(0.8, 0.5, 1.0), extra=(0.75, 0.0), soft=2.0, leached=True, days=42):
    """Two greens of 100 and 300 m2 and a tee; courses without and with the extra."""
    course = SimpleNamespace(
        water=np.array([[10.0, 14.0], [20.0, 28.0], [5.0, 5.0]]),
        drained=np.array([[1.0, 3.0], [1.0, 7.0], [0.0, 0.0]]),
        met=np.array([[0.8, 0.9], [0.6, 1.2], [1.0, 1.0]]), soft=np.array([[1.0, 1.0 + soft], [0.0, soft], [3.0, 3.0]]),
    )  # fmt: skip
    found = SimpleNamespace(
        surfaces=("green", "tee"), zones=np.array([0, 2, 3]), days=days,
        weighed=SimpleNamespace(extra=np.array(extra), share=np.array(share), course=course),
        owed=np.array([0.2, 0.2, 0.0]) if leached else np.zeros(3),
    )  # fmt: skip
    zones = SimpleNamespace(
        surface=np.array(["green", "rough", "green", "tee"]), area=np.array([100.0, 999.0, 300.0, 500.0])
    )
    surfaces = {s: SimpleNamespace(priority=i) for i, s in enumerate(("green", "tee", "rough"))}
    return SimpleNamespace(uneven=found, site=SimpleNamespace(zones=zones, surfaces=surfaces, units="metric"))


def test_what_the_extra_for_uneven_catch_buys_and_costs_by_surface():
    green, tee = uneven.uneven_part(weighed()).surfaces
    assert (green.surface, green.extra) == (SurfaceName.GREEN, 0.75)
    assert green.longer == pytest.approx((0.25 * 100 + 1.0 * 300) / 400, abs=1e-3)
    assert (green.water_mm, green.drained_mm) == ((4 * 100 + 8 * 300) / 400, (2 * 100 + 6 * 300) / 400)
    # A fifth of 14 and of 28 mm has to drain; 1 mm of each did already: 1.8 of the 2 mm more, and 4.6 of the 6.
    assert green.leached_mm == pytest.approx((1.8 * 100 + 4.6 * 300) / 400)
    assert (green.met, green.met_without) == (1.0, 0.7)  # 1.05 is all of it
    assert (green.soft_nights, green.soft_nights_without) == (2.5, 0.5)
    assert (tee.longer, tee.water_mm, tee.soft_nights) == (0.0, 0.0, 3.0)
    assert uneven.uneven_part(SimpleNamespace(uneven=None)) is None


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "Runs are longer for uneven catch: 81 % on greens, not on tees. Over the last 42 days of weather that "
             "takes 7.0 mm of water (3.9 mm of it for leaching), leaves the wettest quarter soft on 2 more nights and "
             "gives the driest quarter 100 % of what it wants, not 70 %."),
        ({"soft": 0.5, "leached": False},
         "Runs are longer for uneven catch: 81 % on greens, not on tees. Over the last 42 days of weather that takes "
         "7.0 mm of water, leaves the wettest quarter soft on one more night and gives the driest quarter 100 % of "
         "what it wants, not 70 %."),
        ({"soft": 0.4, "leached": False, "share": (0.8, 0.5, 0.5)},
         "Runs are longer for uneven catch: 81 % on greens, 100 % on tees. Over the last 42 days of weather that takes "
         "3.1 mm of water and gives the driest quarter 100 % of what it wants, not 87 %."),
        ({"share": (1.0, 0.9968, 1.0), "days": 30},
         "Runs are not made longer for uneven catch: in weather as of the last 30 days it would not pay."),
    ],
)  # fmt: skip
def test_the_extra_in_a_sentence(changes, text):
    assert uneven.uneven_part(weighed(**changes)).words == text


# ------------------------------------------------------------------------------------------------------- flushes


@pytest.mark.parametrize(
    ("days", "again"), [(3.9, 3), (0.2, 1), (-5.0, 1), (TOLD.next_flush - 0.1, 13), (TOLD.next_flush, None)]
)
def test_about_when_the_next_flush_is_due(days, again):
    found = salts._again(days, NIGHT)
    assert found == (None if again is None else NIGHT + timedelta(days=again))


@pytest.mark.parametrize(("after", "short"), [(2.0, ""), (2.15, ""), (2.16, ", short of the 2.0 aimed at")])
def test_what_a_flush_brings(after, short):
    assert salts._brings(after, after, 2.0) == f"this flush brings it to {after:.1f}{short}"
    slow = f"this flush brings it to 2.8 by the next evening, {after:.1f} once it has drained{short}"
    assert salts._brings(2.8, after, 2.0) == slow
    assert "drained" not in salts._brings(after + 0.15, after, 2.0)


def test_what_a_flush_leaves_once_drained_is_reckoned_where_water_lingers_alone(monkeypatch):
    salts_seen = []
    monkeypatch.setattr(salts, "_forecast", lambda planned, salt: salts_seen.append(salt) or "drained")
    given = SimpleNamespace(salt=SimpleNamespace(lingers=None), effects=SimpleNamespace(ece=np.array([[3.0, 2.0]])))
    assert salts._once_drained(given).tolist() == [[2.0]] and not salts_seen
    given.salt = Salt(np.ones((1, 2)), np.ones(1), np.ones(1), np.array([0.4]))
    assert salts._once_drained(given) == "drained" and salts_seen[0].lingers is None


def test_a_flush_after_the_day_it_is_due_is_late():
    given = SimpleNamespace(
        flushes=SimpleNamespace(by=(NIGHT + timedelta(days=1),)), inputs=SimpleNamespace(dates=DATES),
        site=SimpleNamespace(units="metric"),
    )  # fmt: skip
    assert salts._late(given, 0, [0, 1]) == ""
    assert salts._late(given, 0, [0, 2]) == "; later than by Wed 15 Jul, when it is due: no night before had room"


def test_the_lowest_probe_of_the_lower_half_of_the_roots_is_looked_at():
    rows = pd.DataFrame(
        [
            ("a", "G1", 18.0),
            ("b", "G1", 22.0),
            ("c", "G1", 5.0),
            ("d", "G2", 9.9),
            ("e", "G3", 10.0),
            ("f", "gone", 40.0),
        ],
        columns=["probe", "zone", "depth"],
    )
    zones = SimpleNamespace(zone=["G1", "G2", "G3"], root_depth=np.full(3, 0.2))
    found = salts._lower_probes(SimpleNamespace(site=SimpleNamespace(zones=zones), standing_probes=rows))
    assert found == {
        0: {"lower_probe": "b", "lower_probe_cm": 22.0}, 2: {"lower_probe": "e", "lower_probe_cm": 10.0},
    }  # fmt: skip


@dataclass(frozen=True)
class Salt:
    ece: np.ndarray
    spread: np.ndarray
    mean: np.ndarray
    lingers: np.ndarray | None = None


def test_only_zones_to_be_flushed_are_reckoned_saltier_by_what_is_not_known(monkeypatch):
    seen = []

    def forecast(salt, *rest):
        seen.append(salt.ece)
        return SimpleNamespace(mean="mean")

    monkeypatch.setattr(salts, "forecast_salt", forecast)
    salt = Salt(np.array([[2.0, 4.0], [2.0, 4.0], [2.0, 4.0]]), np.array([0.3, 9.0, 0.3]), np.array([3.0, 3.0, 3.0]))
    given = SimpleNamespace(
        salt=salt, plan=SimpleNamespace(zones=3, etc=None, effective_rain=None),
        effects=SimpleNamespace(net=None, water_ec=None), inputs=SimpleNamespace(depletion_fraction=None),
        run=SimpleNamespace(result=SimpleNamespace(flushes=[SimpleNamespace(zone=0), SimpleNamespace(zone=1)])),
    )  # fmt: skip
    assert salts._if_saltier(given) == "mean"
    np.testing.assert_allclose(seen[0], [[2.2, 4.4], [2.6, 5.2], [np.nan, np.nan]])  # a tenth; three tenths at most
    given.salt = replace(salt, mean=np.array([0.0, 3.0, 3.0]))
    salts._if_saltier(given)
    assert seen[1][0].tolist() == pytest.approx([2.6, 5.2])
