"""Leaching with the watering: on which nights, how much, what it holds; and how the plan document tells of leaching."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest

from models.choices import SALT
from models.layers import state_from_ece
from models.plan.results import PlannedUpkeep, PlanResult
from scheduler.document.rules import plan_faults
from scheduler.document.salts import leaching_part
from scheduler.document.schema import made_schema
from scheduler.evening import plan_tonight
from scheduler.salinity import upkeep
from scheduler.salinity.upkeep import ece_with_upkeep, upkeep_depths
from tests.models.plan.plans import plan
from tests.scheduler import salty_sites as s

EACH = (1.4 / 17.1) / (1.0 - 1.4 / 17.1)  # FAO-29 Eq. 9, 1.4 / (5 * 3.7 - 1.4), for each millimetre that refills


@pytest.mark.parametrize(
    ("open_nights", "refilled"),
    [
        ([1, 1, 1, 1, 1], [0, 9, 0, 10, 0]),  # 4, then 9: another date would pass the limit of 12; then 5, 10
        ([1, 0, 1, 1, 1], [4, 0, 10, 0, 10]),  # the next night is shut: 4 + 10 would pass it
        ([0, 0, 0, 0, 0], [0, 0, 0, 0, 0]),
    ],
)
def test_a_zone_leaches_on_the_nights_it_is_watered_anyway(open_nights, refilled):
    inputs = plan(1, 5, depletion=4.0, dry_limit=12.0)
    allowed = np.array([open_nights], dtype=bool)
    found = upkeep_depths(inputs, np.array([0]), allowed, np.array([3.7]), np.array([1.4]))
    assert found[0] == pytest.approx(EACH * np.array(refilled))


def test_rain_puts_off_the_night_that_leaches():
    # 4, 9 (watered: 14 would pass 12), then 5, 5 as rain makes up for the day, 10, and 15 would pass it
    inputs = plan(1, 5, depletion=4.0, dry_limit=12.0, effective_rain=[[0.0, 0.0, 5.0, 0.0, 0.0]])
    found = upkeep_depths(inputs, np.array([0]), np.ones((1, 5), dtype=bool), np.array([3.7]), np.array([1.4]))
    assert found[0] == pytest.approx(EACH * np.array([0, 9, 0, 0, 10]))


def test_no_upkeep_with_water_that_cannot_hold_the_limit():
    found = upkeep_depths(
        plan(1, 3, depletion=19.0), np.array([0]), np.ones((1, 3), bool), np.array([1.0]), np.array([6.0])
    )
    assert not found.any()


def test_what_it_holds_lies_under_what_et_alone_brings(tmp_path):
    place = s.salty(tmp_path / "a")
    _, _, salt, inputs = s.evening(place)
    zones, n = np.arange(3), inputs.plan.nights
    soil = salt.layers, state_from_ece(salt.layers, salt.depletion, np.full((3, 2), 3.6))
    leach = upkeep_depths(inputs.plan, zones, np.ones((3, n), bool), np.full(3, 3.7), salt.source_ec)
    p = inputs.depletion_fraction
    kept, plain = (
        ece_with_upkeep(inputs.plan, zones, soil, depth, salt.source_ec, p, SALT.slow, 7)
        for depth in (leach, 0.0 * leach)
    )
    assert kept.shape == (3, n + 7)
    assert (leach.sum(axis=1) > 1.0).all()
    assert (kept[:, -1] < plain[:, -1]).all()
    # without leaching all the salt that comes in stays: ET of each date at 1.4 dS/m over the paste's 61 mm
    et = inputs.plan.etc[:, 1:].sum(axis=1)
    assert plain[:, n - 1] - plain[:, 0] == pytest.approx(et * 1.4 / (200.0 * s.PASTE), rel=0.2)


def test_after_the_horizon_a_zone_goes_on_as_on_the_mean_of_it(monkeypatch):
    seen = []

    def day(layers, state, water, ec, etc, rain, share, slow):
        seen.append((water[0], etc[0], rain[0], share[0], slow))
        return SimpleNamespace(state=state)

    monkeypatch.setattr(upkeep, "layered_day", day)
    monkeypatch.setattr(upkeep, "root_zone_ece", lambda layers, ece: np.array([float(len(seen))]))
    monkeypatch.setattr(upkeep, "ece_of", lambda layers, state: None)
    inputs = plan(1, 2, etc=np.array([[4.0, 6.0]]), effective_rain=np.array([[1.0, 0.0]]))
    state = SimpleNamespace(total_depletion=np.array([7.0]))
    path = ece_with_upkeep(
        inputs,
        np.array([0]),
        ("layers", state),
        np.array([[0.0, 3.0]]),
        np.array([1.4]),
        np.array([[0.5, 0.4]]),
        0.2,
        1,
    )
    # ET less rain, then what is short, what leaches and a fifth of the date's ET; after that the mean of both nights
    np.testing.assert_allclose(
        seen, [(3.0, 4.0, 1.0, 0.5, 0.2), (7.0 + 3.0 + 1.2, 6.0, 0.0, 0.4, 0.2), (7.0 + 1.5 + 1.0, 5.0, 0.0, 0.4, 0.2)]
    )
    assert path.tolist() == [[1.0, 2.0, 3.0]]


def test_the_document_tells_achieved_against_required(tmp_path):
    nights = [s.NIGHT - timedelta(days=d) for d in range(12, 0, -1)]
    applied = "night,zone,minutes\n" + "".join(f"{n},{z},40\n" for n in nights for z in ("G1", "G2", "G3"))
    place = s.salty(tmp_path / "a", applied=applied, weather=s.weather_csv(13))
    planned = plan_tonight(place, s.NIGHT, datetime(2026, 7, 14, 18, tzinfo=place.time_zone))
    assert plan_faults(planned) == []
    document = planned.plain()
    jsonschema.Draft202012Validator(made_schema()).validate(document)
    (row,) = document["leaching"]["surfaces"]
    assert date.fromisoformat(document["leaching"]["since"]) < s.NIGHT
    planned = sum(step["depth_mm"] for step in document["zones"][0]["path"])  # DU 1: gross is net
    assert row["entered_mm"] == pytest.approx(12 * 8.0 + planned, abs=0.01)
    assert row["achieved"] == pytest.approx(row["drained_mm"] / row["entered_mm"], abs=1e-4)
    assert row["required"] == pytest.approx(1.4 / 17.1, abs=1e-4)


def test_upkeep_of_the_plan_is_told_by_zone(tmp_path):
    place = s.salty(tmp_path / "a")
    _, _, salt, inputs = s.evening(place)
    shape = inputs.plan.etc.shape
    zeros = np.zeros(shape)
    chosen = PlanResult(
        np.zeros(0), zeros, zeros, zeros, zeros, zeros, zeros, (), 0.0, upkeep=(PlannedUpkeep(1, (0, 2), (1.5, 1.6)),)
    )
    net, leached = np.full(shape, 6.0), np.full(shape, 0.8)
    ece = np.linspace(3.0, 3.3, shape[1] + 1)[None, :].repeat(3, axis=0)
    planned = SimpleNamespace(
        site=place, inputs=inputs, plan=inputs.plan, salt=salt, run=SimpleNamespace(result=chosen),
        effects=SimpleNamespace(
            net=net, gross=net, leached=leached, ece=ece, balance=SimpleNamespace(drainage=leached + 0.1)
        ),
    )  # fmt: skip
    (row,) = leaching_part(planned).upkeep
    assert row.zone == "G2"
    assert row.nights == (inputs.dates[0], inputs.dates[2])
    assert (row.depth_mm, row.drainage_mm, row.leached_mm) == (12.0, 1.8, 1.6)
    assert (row.ece_before_dsm, row.ece_after_dsm) == (3.0, 3.3)
