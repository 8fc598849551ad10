"""Parts of what a plan is told, by hand: the band on firm nights, orders that begin tomorrow, evenings played again."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import BAND
from scheduler.plan import cautions, water
from scheduler.plan import inputs as plan_inputs

NIGHT = date(2026, 7, 14)


def test_a_night_that_must_be_firm_has_a_drier_wet_limit_and_a_margin_leaves_room_for_a_day(monkeypatch):
    # TAW 40 mm: moisture may stand at 0.9 of it, before an event at 0.7, so 4 and 12 mm are missing at least.
    rules = {"green": SimpleNamespace(firmness_limit=0.9, event_firmness_limit=0.7)}
    site = SimpleNamespace(zones=SimpleNamespace(surface=np.array(["green"])), surfaces=rules)
    events = SimpleNamespace(firm=np.array([[False, True, True]]))
    day = plan_inputs.Day(np.array([[3.0, 3.0, 6.0]]), np.full((1, 3), 0.5), events)
    state = SimpleNamespace(taw=np.array([40.0]), spread=np.array([4.0]), used=0)
    monkeypatch.setattr(plan_inputs, "dry_limit", lambda site, taw, raw, seen: raw)
    monkeypatch.setattr(plan_inputs, "eased_raw", lambda site, taw, raw, seen: raw + (0.0 if seen is None else seen))
    notes = []
    band = plan_inputs.moisture_band(site, state, None, day, 0.5, notes)
    assert band.limit.tolist() == band.fresh.tolist() == [[20.0] * 3] and not notes
    np.testing.assert_allclose(band.wet, [[4.0, 12.0, 12.0]])
    np.testing.assert_allclose(band.margin, [[2.0, 2.0, 2.0]])  # half of the spread; 20 - 12 - 6 leave just as much
    for eased, left in ((1.5, 0.5), (3.0, 0.0)):  # by as much less as the limit was eased
        np.testing.assert_allclose(plan_inputs.moisture_band(site, state, None, day, 0.5, [], eased).margin, left)
    followed = SimpleNamespace(**vars(state) | {"used": 3})
    np.testing.assert_allclose(
        plan_inputs.moisture_band(site, followed, None, day, 0.5, []).margin,
        np.full((1, 3), 2.0 * BAND.margin_followed),
    )
    rules["green"].event_firmness_limit = 0.4  # 24 mm, past the dry limit of 20
    crossed = plan_inputs.moisture_band(site, state, None, day, 0.5, notes)
    np.testing.assert_allclose(crossed.wet[0, 1:], 20.0 * (1.0 - BAND.least_band))
    assert "firmness limit lies under the dry limit in 1 zone:" in notes[0].text
    rules["green"].event_firmness_limit = 0.7
    unsure = SimpleNamespace(**vars(state) | {"spread": np.array([100.0])})
    day = plan_inputs.Day(np.zeros((1, 3)), day.fraction, SimpleNamespace(firm=np.zeros((1, 3), dtype=bool)))
    wide = plan_inputs.moisture_band(site, unsure, None, day, 1.0, []).margin
    np.testing.assert_allclose(wide, np.full((1, 3), min(BAND.widest_margin * 20.0, 16.0)))


def test_the_longest_cycle_is_of_whole_steps_and_one_at_least():
    zones = SimpleNamespace(
        application_rate=np.full(3, 12.0), infiltration=np.full(3, 10.0), slope=np.zeros(3),
        longest_cycle=np.array([30.0, 28.0, 5.0]),
    )  # fmt: skip
    found = plan_inputs.longest_single(SimpleNamespace(zones=zones), np.full(3, 7.0))
    assert found.tolist() == [28.0, 28.0, 7.0]


@pytest.mark.parametrize(
    ("cuts", "volumes"),
    [
        # Ten a night. All under the order: 6 for each of 7 nights, less the 36 that unlogged ones count as.
        ({d: 0.4 for d in range(1, 32)}, [6.0, 12.0]),
        # The order begins tomorrow: no limit tonight; the nights before, and tonight, count with all they need.
        ({15: 0.4}, [np.inf, 16.0]),
        ({14: 0.4}, [6.0, np.inf]),
    ],
)
def test_nights_without_an_order_count_whole_and_have_no_limit(monkeypatch, cuts, volumes):
    site = SimpleNamespace(zones=SimpleNamespace(surface=np.array(["green", "tee"])))
    past = pd.DataFrame({"date": pd.date_range("2026-07-01", "2026-07-14")})
    demand = SimpleNamespace(past=past)
    monkeypatch.setattr(water, "restriction_cut", lambda site, day: {"green": cuts[day.day]} if day.day in cuts else {})
    monkeypatch.setattr(water, "zone_etc", lambda site, days: np.ones((2, len(days))))
    monkeypatch.setattr(water, "gross_demand", lambda site, etc, net: 10.0 * etc)
    log = pd.DataFrame({"night": pd.to_datetime([])})
    monkeypatch.setattr(water, "runs_before", lambda site, night: log)
    dates = (NIGHT, date(2026, 7, 15))
    (found,) = water.drought_cuts(site, dates, demand, np.ones((2, 2)), None, (), notes := [])
    np.testing.assert_allclose(found.volume, volumes)
    assert found.zones.tolist() == [True, False] and "not logged" in notes[0].text


# ------------------------------------------------------------------------------------------- evenings played again


def told(*evenings, ahead=2):
    """Forecasts of some evenings, 5 mm of ETo a day and no rain."""
    count = len(evenings)
    return SimpleNamespace(
        evening=np.array(evenings, dtype="datetime64[D]"),
        eto=np.full((count, ahead), 5.0),
        rain=np.zeros((count, ahead)),
    )


def test_the_days_of_a_stretch_use_the_mean_eto_of_its_forecasts(monkeypatch):
    seen = []
    some = np.array([0.5, 0.8])
    zones = SimpleNamespace(
        depletion_fraction=np.full(2, 0.5),
        max_run=np.full(2, 60.0),
        gross_rate=np.full(2, 0.2),
        du_lq=np.full(2, 0.7),
        hydrologic_group=np.array(["B", "B"]),
    )

    class Zones(SimpleNamespace):
        def __len__(self):
            return 2

    site = SimpleNamespace(zones=Zones(**vars(zones)), net_share=np.full(2, 0.8), caution="even")
    band = SimpleNamespace(limit=np.full((2, 4), 9.0), margin=np.ones((2, 4)), wet=np.zeros((2, 4)))

    def moisture(site, state, salt, day, share, notes, watched=None):
        seen.append((site, day.etc, share, watched))
        return band

    monkeypatch.setattr(
        cautions,
        "zone_etc",
        lambda site, days: seen.append(days["date"].dt.day.tolist()) or np.outer(some, np.ones(len(days))),
    )
    monkeypatch.setattr(cautions, "event_nights", lambda site, dates: SimpleNamespace(dry=np.zeros((2, len(dates)))))
    monkeypatch.setattr(cautions, "moisture_band", moisture)
    monkeypatch.setattr(cautions, "watched", lambda site, demand, state: demand)
    monkeypatch.setattr(cautions, "margin_share", lambda site, several: 0.3)
    monkeypatch.setattr(cautions, "replace", lambda site, caution: f"as {caution}")
    monkeypatch.setattr(cautions, "followed", lambda site: np.ones(2, dtype=bool))
    monkeypatch.setattr(cautions, "usual_courses", lambda *given: "usual")
    state = SimpleNamespace(taw=np.full(2, 30.0))
    found = cautions._stretch(site, date(2026, 7, 1), NIGHT, told("2026-07-01", "2026-07-03"), state, "demand")
    assert seen[0] == [2, 3, 4, 5]  # the date after each of two days and the two ahead of the last
    np.testing.assert_allclose(seen[1][1], [[2.5] * 4, [4.0] * 4])  # 5 mm a day
    strict = (f"as {cautions.STRICTEST}", 0.0, None)  # dry days are counted by a limit that no probe eases
    assert [(s, share, by) for s, _, share, by in seen[1:]] == [(site, 0.3, "demand"), strict]
    np.testing.assert_allclose(found.longest, [12.0, 12.0])


def test_evenings_between_forecasts_do_without_and_each_forecast_is_of_its_own_date(monkeypatch):
    asked, laid = [], []
    stretch = SimpleNamespace(
        strict=np.full((1, 6), 10.0),
        served=np.full((2, 1), 0.8),
        catch=np.ones((3, 1)),
        some=np.array([0]),
        kc=np.full((1, 6), 1.0),
        fraction=np.array([0.5]),
        taw=np.array([40.0]),
        groups=None,
        followed=np.array([False]),
    )

    def run_of(s, site, forecasts, m, i, depletion):
        asked.append((m, i, depletion.round(6).tolist()))
        return np.array([5.0])

    class Zones(SimpleNamespace):
        def __len__(self):
            return 1

    site = SimpleNamespace(zones=Zones(area=np.array([1000.0])), caution="even")
    monkeypatch.setattr(cautions, "evening_demand", lambda site, night, ahead: ("demand", night, ahead))
    monkeypatch.setattr(cautions, "with_weighed_catch", lambda site, demand: (site, None))
    monkeypatch.setattr(cautions, "_stretch", lambda *given: laid.append(given[-1]) or stretch)
    monkeypatch.setattr(cautions, "_run_of", run_of)
    monkeypatch.setattr(cautions, "effective_rain", lambda rain, groups: np.array([rain]))
    found = cautions._played(site, date(2026, 7, 1), NIGHT, told("2026-07-01", "2026-07-04"), None)
    assert laid == [("demand", NIGHT, told("2026-07-01").eto.shape[1])]
    # From half of the limit: 5 mm, less 4 that reach, and 5 of ET: 6.
    assert asked == [(0, 0, [5.0]), (1, 3, [6.0])]
    # 10 mm ran, and 2 mm are missing in the end beyond the start, which take 2.5 more to put back.
    assert (found.runs, found.dry) == (2, 0) and found.water == pytest.approx(10.0 + 2.0 / 0.8)


@pytest.mark.parametrize(("evenings", "enough"), [(cautions.FEWEST - 1, False), (cautions.FEWEST, True)])
def test_so_many_evenings_with_a_forecast_are_enough(monkeypatch, evenings, enough):
    forecasts = SimpleNamespace(evening=np.datetime64("2026-05-01") + np.arange(evenings))
    monkeypatch.setattr(cautions, "past_forecasts", lambda *given: forecasts)
    for name in ("evening_demand", "starting_state", "net_rates"):
        monkeypatch.setattr(cautions, name, lambda *given: None)
    monkeypatch.setattr(cautions, "replace", lambda site, caution: caution)
    monkeypatch.setattr(cautions, "_played", lambda word, *given: word)
    site = SimpleNamespace(
        weather=pd.DataFrame({"date": [pd.Timestamp(NIGHT)]}),
        nights=7,
        window=SimpleNamespace(of=lambda night: (1260, 0)),
    )
    found = cautions.lived_by_caution(site)
    assert (found is not None) == enough
    if enough:
        assert found.words == tuple(cautions.CAUTION) and (found.first, found.evenings) == (date(2026, 5, 1), evenings)
