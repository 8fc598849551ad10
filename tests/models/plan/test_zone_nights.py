"""The words of the equations: what stands behind each, and what a copy's weight scales."""

import numpy as np
import pyomo.environ as pyo
import pytest

from models.plan.balance import add_root_zone, largest_shortfall
from models.plan.build import build_plan
from models.plan.zone_nights import Sums, ZoneNights
from tests.models.plan.plans import drawn_plan, plan


def words_of(inputs, weight_of=()):
    """Words of a plan whose root zones have values; some are copies with a weight of 0.25."""
    m = pyo.ConcreteModel()
    add_root_zone(m, inputs, largest_shortfall(inputs))
    if weight_of:
        m.chosen = pyo.Var(list(weight_of), initialize=0.25)
        m.flushed = pyo.Var([])
    rng = np.random.default_rng(0)
    for variable in (m.run_time, m.in_band, m.dry, m.very_dry, m.soft, m.drainage, m.shortfall):
        for entry in variable.values():
            entry.value = float(rng.uniform(0.0, 5.0))
    return m, ZoneNights(m, inputs)


def left_minus_right(rows):
    """How far each row lies beyond its limit, at the values of the variables."""
    left = np.zeros(rows.upper.size)
    np.add.at(left, rows.row, rows.factor * np.array([pyo.value(v) for v in rows.column]))
    return left - np.where(np.isfinite(rows.upper), rows.upper, rows.lower)


def depths(m, inputs):
    """Depletion of every zone-night at the values of the variables, (Z, N)."""
    parts = [np.array([pyo.value(v) for v in part.values()]) for part in (m.in_band, m.dry, m.very_dry)]
    return sum(parts).reshape(inputs.zones, inputs.nights)


def test_the_night_before_the_first_is_tonights_opening():
    inputs = plan(2, 3, depletion=[4.0, 9.0])
    m, words = words_of(inputs)
    before = left_minus_right(words.rows(words.previous(words.depletion) == 0.0)).reshape(2, 3)
    assert before[:, 0] == pytest.approx([4.0, 9.0])
    assert before[:, 1:] == pytest.approx(depths(m, inputs)[:, :-1])


def test_a_row_says_what_its_equation_says():
    inputs = drawn_plan(np.random.default_rng(3), 6, 5)
    m, words = words_of(inputs)
    runs = inputs.runs
    minutes = np.zeros(30)
    np.add.at(minutes, runs.cell, np.array([v.value for v in m.run_time.values()]))
    water = inputs.net_rate[:, None] * minutes.reshape(6, 5)
    k = np.linspace(1.0, 2.0, 30)
    said = left_minus_right(words.rows(k * (words.depletion - words.water) - 2.0 >= words.soft + 1.5))
    soft = np.array([v.value for v in m.soft.values()])
    assert said == pytest.approx(k * (depths(m, inputs) - water).ravel() - 2.0 - soft - 1.5)


def test_only_the_numbers_of_a_copy_are_scaled_by_its_weight():
    # D <= 7: of the zone as written, of the copy D - 7 weight <= 0, here 7 * 0.25
    inputs = plan(2, 2)
    m, words = words_of(inputs, weight_of=(1,))
    plain = depths(m, inputs).ravel() - 7.0
    scaled = left_minus_right(words.rows(words.depletion <= 7.0))
    assert scaled[:2] == pytest.approx(plain[:2])
    assert scaled[2:] == pytest.approx(depths(m, inputs)[1] - 7.0 * 0.25)
    assert left_minus_right(words.rows(words.depletion <= 7.0, scaled=False)) == pytest.approx(plain)


def test_sums_over_zones():
    inputs = plan(2, 3)
    m, words = words_of(inputs)
    last = left_minus_right(words.rows(words.on_night(words.depletion, 2) >= np.array([1.0, 2.0])))
    assert last == pytest.approx(depths(m, inputs)[:, -1] - [1.0, 2.0])
    assert left_minus_right(words.rows(words.over_nights(words.depletion) == 0.0)) == pytest.approx(
        depths(m, inputs).sum(axis=1)
    )


def test_rows_asked_for_come_in_their_order():
    inputs = plan(1, 4)
    _, words = words_of(inputs)
    every = left_minus_right(words.rows(words.depletion <= np.arange(4.0)))
    assert left_minus_right(words.rows(words.depletion <= np.arange(4.0), np.array([1, 3]))) == pytest.approx(
        every[[1, 3]]
    )


def test_numbers_of_another_shape_are_refused():
    with pytest.raises(ValueError, match="broadcast"):
        Sums(np.zeros(4)) + np.zeros(3)


def test_no_builder_changes_a_bound_another_set():
    # bounds after the whole build are those of the root zones alone
    inputs = drawn_plan(np.random.default_rng(5), 4, 4)
    alone, _ = words_of(inputs)
    whole = build_plan(inputs)
    for name in ("run_time", "in_band", "dry", "very_dry", "soft", "drainage", "shortfall"):
        bounds = [[v.bounds for v in m.component(name).values()] for m in (alone, whole)]
        assert bounds[0] == bounds[1]
