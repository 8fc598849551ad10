"""A night of a season ahead: its water, money and steps of the allocation, the soil as it is and as it is believed."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.whatif import ahead
from scheduler.whatif.ahead import _World
from tests.models.plan.plans import plan

NIGHT = date(2026, 7, 14)


def world(used=90.0, rule=None, **more):
    sources = (SimpleNamespace(name="well"), SimpleNamespace(name="lake"))
    found = _World.__new__(_World)
    found.site, found.used = SimpleNamespace(sources=sources, allocation=rule), used
    for name, value in more.items():
        setattr(found, name, value)
    return found


def arrays():
    """Two zones of a cubic metre a minute, over two tariff blocks and two waters."""
    return plan(
        zones=2, nights=2, blocks=2, supply_share=[[1.0, 0.0], [0.0, 1.0]], source_price=[0.2, 0.5], wet_limit=7.5,
        pump_of_zone=[0, -1], pump_capacity=[99.0], pump_energy=[0.4],
        block_length=np.array([[60.0, 400.0], [0.0, 0.0]]),
        energy_price=np.array([[0.3, 0.1]] * 2),
    )  # fmt: skip


def night(of, minutes=(8.0, 4.0), flushes=()):
    chosen = np.zeros((2, 2, 2, 2))
    chosen[0, 0, 0, 1], chosen[0, 0, 1, 1] = 2.0, 6.0  # a quarter in the dear hours, of the lake
    chosen[1, 0, 1, 0], chosen[1, 0, 1, 1] = 1.0, 3.0
    chosen[:, 1] = 9.0
    result = SimpleNamespace(run_times=lambda _: chosen, flushes=flushes)
    return of._row(SimpleNamespace(inputs=SimpleNamespace(plan=arrays())), NIGHT, np.array(minutes), result)


def test_a_night_s_water_energy_and_money_are_its_own():
    flushes = (SimpleNamespace(nights=(0, 1)), SimpleNamespace(nights=(1,)))
    of = world()
    row = night(of, flushes=flushes)
    assert (row["water_m3"], row["well_m3"], row["lake_m3"], row["zones_running"]) == (12.0, 1.0, 11.0, 2)
    assert row["energy_kwh"] == pytest.approx(8.0 * 0.4)  # the second zone has no pump
    assert row["cost"] == pytest.approx(8 * 0.5 + 0.2 + 3 * 0.5 + 3.2 * (0.25 * 0.3 + 0.75 * 0.1))
    assert (row["allowed"], row["left_m3"], row["flushes"], of.used) == (True, None, 1, 102.0)
    assert night(world(), (0.0, 4.0))["zones_running"] == 1


@pytest.mark.parametrize(
    ("used", "dates", "fine"),
    [
        (90.0, (1, 31), 2.0 * 1.0),  # 102 of a step at 100
        (195.0, (1, 31), 12.0 * 1.0 + 7.0 * 3.0),  # the second, at 200, adds its price to the first's
        (10.0, (1, 31), 0.0),
        (90.0, (15, 31), 0.0),  # the season begins tomorrow
        (90.0, (1, 14), 2.0),
    ],
)
def test_over_use_is_fined_by_the_night_that_takes_it(used, dates, fine):
    rule = SimpleNamespace(
        tiers=((0.4, 1.0), (0.8, 4.0)), volume=250.0, starts=date(2026, 7, dates[0]), ends=date(2026, 7, dates[1])
    )
    row = night(world(used, rule))
    assert row["cost"] - night(world())["cost"] == pytest.approx(fine)
    assert row["left_m3"] == 250.0 - used - 12.0


@pytest.mark.parametrize("mismatch", [False, True])
def test_the_soil_goes_on_as_it_is_and_is_believed_by_what_is_read(monkeypatch, mismatch):
    # 6 mm of ET, 2 mm of rain; 4 mm on the first zone. In truth zones take 1.5 times as much and get half.
    truth = SimpleNamespace(
        demand=np.full(2, 1.5), rate=np.full(2, 0.5), spread=np.array([0.0, 0.0]), read=np.array([True, False])
    )
    monkeypatch.setattr(ahead, "zone_etc", lambda site, day: np.full((2, 1), float(day["eto"].iloc[0])))
    monkeypatch.setattr(ahead, "zone_rain", lambda site, day: (np.full((2, 1), float(day["rain"].iloc[0])), None))
    seen = {}
    of = world(
        eto=np.array([9.0, 6.0]), rain=np.array([9.0, 2.0]), depletion=np.array([10.0, 12.0]),
        believed=np.array([11.0, 12.0]), rng=np.random.default_rng(1), dry_days=np.zeros(2), dry_mm=np.zeros(2),
        soft_days=np.zeros(2), salty=np.zeros(2), past=pd.DataFrame({"date": [pd.Timestamp(NIGHT)], "eto": [5.0]}),
        start=SimpleNamespace(
            night=NIGHT, truth=truth if mismatch else None, salt=SimpleNamespace(known=np.array([True, False]))
        ),
    )  # fmt: skip
    of.site.zones = SimpleNamespace(
        depletion_fraction=np.full(2, 0.5), surface=np.array(["green", "rough"]), ece_threshold=np.full(2, 3.0)
    )

    def salt(plan, net, etc, *_):
        seen.update(net=net, etc=etc)
        return np.array([[2.0, 5.0], [9.0, 9.0]])

    of._salt = salt
    limit = np.array([[8.0, 0.0], [15.7, 0.0]])
    inputs = SimpleNamespace(plan=arrays(), fresh_limit=limit, resolution=np.full(2, 1.0))
    row = {}
    of._follow(SimpleNamespace(inputs=inputs), 1, np.array([4.0, 0.0]), None, row)
    water, demand = (2.0, 9.0) if mismatch else (4.0, 6.0)
    real = np.array([10.0 - water, 12.0]) + demand - 2.0
    np.testing.assert_allclose(seen["net"], [water, 0.0])
    np.testing.assert_allclose(seen["etc"], [demand, demand])
    np.testing.assert_allclose(of.depletion, real)
    np.testing.assert_allclose(of.believed, [real[0], 12.0 + 6.0 - 2.0 if mismatch else real[1]])
    # Counted by how it really is: less than a step past the limit is not told apart, nor less than one short of firm.
    assert of.dry_mm.tolist() == [pytest.approx(real[0] - 8.0), pytest.approx(3.3) if mismatch else 0.0]
    assert (of.dry_days.tolist(), row["dry_zones"], row["rough_dry_zones"]) == (
        ([1.0, 1.0], 2, 1) if mismatch else ([1.0, 0.0], 1, 0)
    )
    assert of.soft_days.tolist() == [0.0 if mismatch else 1.0, 0.0]  # 8 or 6 mm after its water, where 7.5 are firm
    assert (of.salty.tolist(), row["green_ece"], row["rough_ece"]) == ([1.0, 0.0], 3.5, None)
    assert (row["eto_mm"], row["rain_mm"], of.past["date"].iloc[-1]) == (6.0, 2.0, pd.Timestamp(2026, 7, 16))
