"""What a cubic metre costs the pumps, worked out by hand from head, efficiency and friction."""

import numpy as np
import pytest

from scheduler.plan.stations import pump_curve, resistances, typical_energy
from tests.scheduler.site_folders import TOML, site

HELD = '[[pump]]\nname = "a"\ncapacity = 20\nhead = 60\nefficiency = 0.6\n'
CURVE = '[[pump]]\nname = "a"\ncapacity = 20\ncurve = [[0, 80, 0.0], [10, 70, 0.6], [20, 50, 0.7]]\n'


def test_a_head_that_is_held_costs_the_same_at_every_flow(tmp_path):
    place = site(tmp_path, TOML + HELD)
    # E = g H / (3600 eta) per m3: 9.81 * 60 / (3600 * 0.6) kWh
    assert typical_energy(place)[0] == pytest.approx(9.81 * 60 / (3600 * 0.6), rel=1e-6)
    curve = pump_curve(place.pumps[0])
    np.testing.assert_allclose(
        curve.power(np.array([5.0, 10.0])), 9.81 * np.array([5.0, 10.0]) * 60 / 0.6 / 1000, rtol=1e-6
    )


def test_a_curve_is_read_at_three_quarters_of_the_capacity(tmp_path):
    # At 15 L/s: head half way between 70 and 50, efficiency between 0.6 and 0.7.
    assert typical_energy(site(tmp_path, TOML + CURVE))[0] == pytest.approx(9.81 * 60 / (3600 * 0.65), rel=1e-6)


def test_the_worst_branch_lies_on_top_of_a_head_that_is_held(tmp_path):
    # Hazen-Williams: h = 10.67 L Q^1.852 / (C^1.852 d^4.8704), Q in m3/s; each branch at three quarters of its own.
    pipes = '[[branch]]\nname = "b"\npump = "a"\ncapacity = 8\nlength = 300\ndiameter = 100\nroughness = 140\n'
    short = '[[branch]]\nname = "c"\npump = "a"\ncapacity = 8\nlength = 30\ndiameter = 100\nroughness = 140\n'
    place = site(tmp_path, TOML + HELD + pipes + short)
    lost = 10.67 * 300 * 0.006**1.852 / (140**1.852 * 0.1**4.8704)
    assert lost > 1.0
    assert typical_energy(place)[0] == pytest.approx(9.81 * (60 + lost) / (3600 * 0.6), rel=1e-3)
    assert resistances(place)[0] == pytest.approx(10 * resistances(place)[1])


def test_without_a_head_nothing_is_known_of_energy(tmp_path):
    place = site(tmp_path, TOML + '[[pump]]\nname = "a"\ncapacity = 20\n')
    assert pump_curve(place.pumps[0]) is None
    assert typical_energy(place).tolist() == [0.0]
