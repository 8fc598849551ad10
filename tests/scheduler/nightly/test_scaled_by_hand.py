"""The last plan scaled, by hand: what it meant for tonight, and run times cut to every limit rank by rank."""

from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.plan.inputs import Cut
from scheduler.document.rung import Rung
from scheduler.errors import NoPlan
from scheduler.nightly import scaled
from scheduler.nightly.scaled import FixedPlan, Meant, _last_plan, _state, last_meant, plan_scaled, scaled_minutes
from tests.models.plan.plans import FLOW, plan

NIGHT = date(2026, 7, 14)
DAY = timedelta(days=1)
NAN = np.nan


class Path_(SimpleNamespace):
    def model_dump(self):
        return dict(vars(self))


def path(night, minutes, etc=5.0, ks=1.0, rain=1.0, held=0.5, depletion=10.0):
    return Path_(
        night=night, minutes=minutes, etc_mm=etc, ks=ks, effective_rain_mm=rain, held_mm=held, depletion_mm=depletion
    )


def zone(name, *nights, before=7.0):
    return SimpleNamespace(id=name, path=nights, before=SimpleNamespace(depletion_mm=before))


def meant(monkeypatch, zones, night=NIGHT, own=NIGHT - DAY, nights=2, site=("A", "B")):
    document = SimpleNamespace(zones=zones, night=own, nights=range(nights))
    monkeypatch.setattr(scaled, "_last_plan", lambda folder, night: document)
    return last_meant(SimpleNamespace(folder=None, zones=SimpleNamespace(zone=site)), night)


def test_what_the_last_plan_meant_for_tonight(monkeypatch):
    # Yesterday's plan reckoned with stressed ET of 4 mm at a Ks of .8, 2 mm of rain and .5 held from before.
    two = zone("A", path(NIGHT - DAY, 3.0, depletion=9.0), path(NIGHT, 6.0, etc=4.0, ks=0.8, rain=2.0))
    found = meant(monkeypatch, [two, zone("gone", path(NIGHT, 1.0))])
    np.testing.assert_allclose(found.minutes, [6.0, NAN])
    np.testing.assert_allclose(found.etc, [5.0, NAN])
    np.testing.assert_allclose(found.rain, [2.5, NAN])
    np.testing.assert_allclose(found.depletion, [9.0, NAN])  # at the end of the date before
    assert (found.night, found.past) == (NIGHT - DAY, False)
    tonight = meant(monkeypatch, [zone("A", path(NIGHT, 6.0, ks=0.0), path(NIGHT + DAY, 1.0))], own=NIGHT)
    assert (tonight.depletion[0], tonight.etc[0]) == (7.0, 5.0)  # at its own opening; no Ks, no more than was told


def test_past_its_nights_a_plan_s_mean_night_counts_and_where_its_soil_ended(monkeypatch):
    nights = [
        path(NIGHT - 3 * DAY, 3.0, etc=4.0, ks=0.5, rain=0.0, held=0.0),
        path(NIGHT - 2 * DAY, 6.0, depletion=12.0),
    ]
    found = meant(monkeypatch, [zone("A", *nights), zone("B")], own=NIGHT - 3 * DAY)
    np.testing.assert_allclose(
        [found.minutes[0], found.etc[0], found.rain[0], found.depletion[0]], [4.5, 6.5, 0.75, 12.0]
    )
    assert np.isnan(found.minutes[1]) and found.past
    assert not meant(monkeypatch, [zone("A", *nights)], own=NIGHT - DAY, nights=2).past
    assert meant(monkeypatch, [zone("A", *nights)], own=NIGHT - DAY, nights=1).past


def written(folder, monkeypatch, plans):
    """Plans of nights: a rung, no zones, or a file that cannot be read."""
    for name in plans:
        (folder / "out" / name).mkdir(parents=True)
        (folder / "out" / name / "plan.json").write_text(name)

    def read(file):
        kind = plans[file.parent.name]
        if kind == "broken":
            raise ValueError
        return SimpleNamespace(zones=() if kind == "empty" else ("z",), rung=kind, name=file.parent.name)

    monkeypatch.setattr(scaled, "read_plan", read)


def test_the_newest_full_plan_of_two_weeks_is_scaled(tmp_path, monkeypatch):
    written(tmp_path, monkeypatch, {
        "2026-07-15": Rung.FULL, "2026-07-14": Rung.SCALED, "2026-07-13": "broken", "2026-07-12": "empty",
        "2026-07-11": Rung.FULL, "2026-07-10": Rung.FULL, "copy": Rung.FULL,
    })  # fmt: skip
    assert _last_plan(tmp_path, NIGHT).name == "2026-07-11"
    assert _last_plan(tmp_path, NIGHT + DAY).name == "2026-07-15"
    assert _last_plan(tmp_path, date(2026, 7, 10)).name == "2026-07-10"
    with pytest.raises(NoPlan, match="no full plan of the last 14 days"):
        _last_plan(tmp_path, date(2026, 7, 9))


# --------------------------------------------------------------------------------------------------- run times


def of_tonight(**given):
    base = dict(
        minutes=np.full(3, 30.0), etc=np.full(3, 5.0), rain=np.array([1.0, NAN, 1.0]), depletion=np.zeros(3),
        night=NIGHT - DAY, past=False,
    )  # fmt: skip
    return Meant(**(base | given))


def minutes_of(monkeypatch, meant, past_rain=(0.0, 0.0), observed=9, left_out=(), etc=5.0, rain=0.0, rate=1.0):
    arrays = plan(zones=3, etc=etc, effective_rain=rain, net_rate=rate)
    days = pd.DataFrame({"date": pd.to_datetime([NIGHT - DAY, NIGHT]), "rain": past_rain})
    monkeypatch.setattr(
        scaled, "zone_rain", lambda site, rows: (np.repeat(rows["rain"].to_numpy()[None], 3, axis=0), None)
    )
    demand = SimpleNamespace(observed_days=observed, past=days)
    return scaled_minutes(SimpleNamespace(left_out=left_out), SimpleNamespace(plan=arrays), demand, meant).tolist()


def test_rain_since_the_plan_was_made_and_rain_to_come_are_taken_off(monkeypatch):
    # 9 mm of the day of the plan were known; 3 fell today and 4 come: 6 more than reckoned, 7 where nothing was.
    assert minutes_of(monkeypatch, of_tonight(), (9.0, 3.0), rain=4.0) == [24.0, 23.0, 24.0]
    assert minutes_of(monkeypatch, of_tonight(), (9.0, 3.0), rain=4.0, rate=0.5) == [18.0, 16.0, 18.0]
    assert minutes_of(monkeypatch, of_tonight(night=NIGHT), (9.0, 3.0), rain=4.0) == [27.0, 26.0, 27.0]
    assert minutes_of(monkeypatch, of_tonight(), (9.0, 0.0), rain=0.5) == [
        30.0,
        29.5,
        30.0,
    ]  # less came: not more water
    assert minutes_of(monkeypatch, of_tonight(minutes=np.full(3, 2.0)), (0.0, 9.0)) == [0.0] * 3


@pytest.mark.parametrize(
    ("was", "now", "factor"),
    [
        (5.0, 6.0, 1.2), (5.0, 4.0, 0.8), (5.0, 50.0, "most"), (5.0, 0.1, "least"), (0.1, 9.0, 1.0), (NAN, 9.0, 1.0),
        (0.2, 0.22, 1.1),
    ],
)  # fmt: skip
def test_minutes_follow_demand_within_bounds(monkeypatch, was, now, factor):
    bounds = {"most": scaled.UNATTENDED.most_ratio, "least": scaled.UNATTENDED.least_ratio}
    found = minutes_of(monkeypatch, of_tonight(etc=np.full(3, was), rain=np.full(3, 9.0)), etc=now)
    assert found == pytest.approx([30.0 * bounds.get(factor, factor)] * 3)


@pytest.mark.parametrize("given", [{"observed": 0}, {"left_out": ("weather",)}])
def test_without_weather_the_last_plan_stands_as_it_was_meant(monkeypatch, given):
    known = of_tonight(minutes=np.array([30.0, NAN, 12.0]))
    assert minutes_of(monkeypatch, known, (0.0, 99.0), etc=9.0, **given) == [30.0, 0.0, 12.0]


@dataclass(frozen=True)
class State:
    depletion: np.ndarray
    taw: np.ndarray
    used: bool
    logged: bool


@pytest.mark.parametrize(
    ("observed", "used", "logged", "reckoned"),
    [(1, True, False, False), (1, False, True, False), (1, False, False, True), (0, True, True, True)],
)
def test_where_nothing_is_known_zones_stand_as_the_last_plan_reckoned(monkeypatch, observed, used, logged, reckoned):
    state = State(np.array([1.0, 2.0, 3.0]), np.array([40.0, 5.0, 40.0]), used, logged)
    asked = []
    monkeypatch.setattr(scaled, "evening_state", lambda *given: asked.append(given) or state)
    monkeypatch.setattr(scaled, "net_rates", lambda site: f"rates of {site}")
    told, demand = of_tonight(depletion=np.array([10.0, 9.0, NAN])), SimpleNamespace(observed_days=observed)
    found = _state("site", NIGHT, 1260, demand, told, "flags")
    assert asked == [("site", NIGHT, 1260, demand, "rates of site", "flags")]
    assert found.depletion.tolist() == ([10.0, 5.0, 3.0] if reckoned else [1.0, 2.0, 3.0])


def cut_to(wanted, share=None, longest=None, **given):
    fixed = FixedPlan(plan(zones=3, **given), np.array(wanted, dtype=float))
    for name, factors in (share or {}).items():
        fixed.scale_capacity(name, np.array(factors))
    if longest is not None:
        fixed.limit_runs(*longest)
    return fixed._within_limits().tolist()


GREEN_FIRST = {"priority": [1, 2, 2]}


@pytest.mark.parametrize(
    ("given", "ran"),
    [
        ({}, [60.0, 60.0, 60.0]),
        ({"max_run": [50.0, 600.0, 600.0]}, [50.0, 60.0, 60.0]),
        ({"block_length": 40.0}, [40.0] * 3),
        ({"allowed": np.array([[[False]], [[True]], [[True]]])}, [0.0, 60.0, 60.0]),
        ({"longest": ([1, 2], [30.0, 70.0])}, [60.0, 30.0, 60.0]),
        # 100 m3: 60 of them for those served first, 20 each for the others.
        ({"allocation": 100.0}, [60.0, 20.0, 20.0]),
        ({"allocation": 50.0}, [50.0, 0.0, 0.0]),
        ({"source_daily": 100.0}, [60.0, 20.0, 20.0]), ({"source_monthly": 100.0}, [60.0, 20.0, 20.0]),
        ({"cuts": (Cut("c", np.array([True, True, False]), np.array([90.0])),)}, [60.0, 30.0, 60.0]),
        ({"cuts": (Cut("c", np.array([True, True, False]), np.array([np.inf])),)}, [60.0] * 3),
        # A pump of a quarter of a zone's flow over 480 min gives 120 zone minutes, and at half of it 60.
        ({"pump_of_zone": [0, 0, -1], "pump_capacity": [FLOW * 0.1875]}, [60.0, 30.0, 60.0]),
        ({"pump_of_zone": [0, 0, -1], "pump_capacity": [FLOW * 0.375], "share": {"pump": [0.5]}}, [60.0, 30.0, 60.0]),
        ({"pump_of_zone": [0, 0, -1], "pump_capacity": [FLOW * 0.375], "share": {"pump": [[0.5, 9.0]]}},
         [60.0, 30.0, 60.0]),
        ({"branch_of_zone": [-1, 0, 0], "branch_capacity": [FLOW * 0.125]}, [60.0, 30.0, 30.0]),
        ({"controller_of_zone": [-1, 0, 0], "stations_at_once": [0.125], "flow": [FLOW, FLOW, 3 * FLOW]},
         [60.0, 30.0, 30.0]),
    ],
)  # fmt: skip
def test_run_times_are_cut_to_every_limit_and_those_served_last_first(given, ran):
    assert cut_to([60.0] * 3, **(GREEN_FIRST | given)) == pytest.approx(ran)


def test_runs_are_held_by_the_shortest_that_was_asked():
    fixed = FixedPlan(plan(zones=2), np.full(2, 60.0))
    fixed.limit_runs(np.array([0]), np.array([20.0]))
    fixed.limit_runs(np.array([0, 1]), np.array([30.0, 10.0]))
    assert fixed._within_limits().tolist() == [20.0, 10.0]
    assert fixed.prices.dry.shape == (2,)
    assert fixed.solve_later(np.zeros(2)) is None


def test_what_runs_is_spread_over_the_open_hours_and_played_through_the_soil():
    # Two blocks of 300 and 100 min; the second zone only in the second. Its first supply is the second one.
    allowed = np.array([[[True, True]], [[False, True]]])
    given = plan(
        zones=2, blocks=2, block_length=np.array([[300.0, 100.0]]), allowed=allowed, depletion=[10.0, 18.0],
        supply_share=np.eye(2), source_price=[0.0, 0.0], zone_supply=[[True, True], [False, True]], net_rate=0.5,
    )  # fmt: skip
    result = FixedPlan(given, np.array([8.0, 4.0])).solve()
    run = result.run_times(given)
    assert run[0, 0, :, 0].tolist() == [6.0, 2.0] and run[0, 0, :, 1].sum() == 0.0
    assert run[1, 0, :, 1].tolist() == [0.0, 4.0]
    # 10 - 4 + 5 and 18 - 2 + 5 mm, the latter 1 past its limit of 20 and RAW of 20: a hair of stress.
    assert result.depletion[0].tolist() == [11.0]
    assert result.depletion[1, 0] == pytest.approx(21.0, abs=0.2)
    np.testing.assert_allclose(result.dry, [[0.0], [result.depletion[1, 0] - 20.0]])
    assert (result.limits, result.objective) == ((), 0.0)


def test_a_plan_without_a_calendar_is_not_scaled():
    with pytest.raises(NoPlan, match="calendar.csv cannot be read"):
        plan_scaled(SimpleNamespace(left_out=("calendar",)), NIGHT, None)
