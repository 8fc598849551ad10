"""Sprinkler and pump arithmetic against published tables; the status mark of each number is beside it."""

import numpy as np
import pytest

from models import hydraulics as h


def test_gross_rate_unit_identities():
    # in/h = 96.25 gal/min / ft2 and mm/h = 60 L/min / m2: computed, exact; 1 US gal = 3.785412 L, 1 in = 25.4 mm.
    gallons, square_feet = 3.785412, 0.3048**2
    assert h.gross_rate(10.0 * gallons / 60.0, 962.5 * square_feet) == pytest.approx(25.4, rel=1e-6)
    assert h.gross_rate([30.0 / 60.0, 1.0], [120.0, 100.0]).tolist() == pytest.approx([60.0 * 30.0 / 120.0, 36.0])


def test_lower_half_and_lower_quarter():
    # Means of the lower half and quarter of a normal catch are 1 - 0.798 CV and 1 - 1.271 CV. Mark: computed, so DU_LH
    # = 0.372 + 0.628 DU_LQ. IA: DU_LH = 0.386 + 0.614 DU_LQ (memory). The trade's form is within 0.015 of both.
    catches = np.sort(np.random.default_rng(3).normal(1.0, 0.2, 400_000))
    quarter = catches[:100_000].mean() / catches.mean()
    half = catches[:200_000].mean() / catches.mean()
    assert half == pytest.approx(0.372 + 0.628 * quarter, abs=2e-3)
    assert float(h.served_share(quarter)) == pytest.approx(half, abs=0.015)
    assert float(h.served_share(quarter, True)) == pytest.approx(quarter)
    du = np.linspace(0.4, 1.0, 13)
    np.testing.assert_allclose(h.served_share(du), 0.386 + 0.614 * du, atol=0.0101)
    assert np.all(h.served_share(du, True) <= h.served_share(du))  # the quarter asks for more water, never for less
    assert h.served_share([0.7, 0.7], [False, True]).tolist() == pytest.approx([0.82, 0.7])


def test_run_time_multiplier_table():
    # 1 / (0.4 + 0.6 DU_LQ): formula of the Irrigation Association, memory; the table is computed from it.
    printed = {0.40: 1.562, 0.50: 1.429, 0.60: 1.316, 0.70: 1.220, 0.80: 1.136, 0.90: 1.064}
    factor = h.served_share(list(printed))
    # 1.5625 was cut, not rounded, to 1.562, hence the hair over half the last digit
    np.testing.assert_allclose(1.0 / factor, list(printed.values()), atol=5.01e-4, rtol=0)


def test_pump_energy_per_cubic_metre():
    # 0.002725 H / eta; 60 m at 0.65 is 0.2515 kWh/m3: computed.
    assert h.pump_energy(1.0, 60.0, 0.65) == pytest.approx(0.2515, abs=5e-5)
    assert h.pump_energy(1.0, 1.0, 1.0) == pytest.approx(0.002725, abs=5e-7)
    assert h.pump_energy([0.0, 2.0], 60.0, 0.65).tolist() == pytest.approx([0.0, 0.50308], abs=1e-5)


def test_infiltration_falls_with_slope():
    # Steps 0, 20, 40, 60, 75 % to 5, 8, 12, 20 % and above: memory, so besides the steps the law is checked.
    slopes = np.array([0.0, 5.0, 5.1, 8.0, 12.0, 20.0, 20.1, 80.0])
    rate = h.infiltration_rate(np.full(slopes.shape, 20.0), slopes)
    assert rate.tolist() == pytest.approx([20.0, 20.0, 16.0, 16.0, 12.0, 8.0, 5.0, 5.0])
    assert np.all(np.diff(rate) <= 0)
    assert np.all(rate > 0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: h.gross_rate([1.0], [0.0]), "area_m2 must be above 0"),
        (lambda: h.gross_rate([-1.0], [1.0]), "flow_lps must not be negative"),
        (lambda: h.gross_rate([1.0, 2.0], [1.0]), "same shape"),
        (lambda: h.gross_rate([np.nan], [1.0]), "flow_lps must be finite"),
        (lambda: h.served_share([0.0]), "du_lq must be above 0"),
        (lambda: h.served_share([1.2]), "at most 1"),
        (lambda: h.pump_energy([1.0], 10.0, 0.0), "efficiency must be above 0"),
        (lambda: h.pump_energy([-1.0], 10.0, 0.5), "must not be negative"),
        (lambda: h.pump_energy([1.0, 2.0], [10.0], 0.5), "same shape"),
        (lambda: h.infiltration_rate([0.0], [1.0]), "texture_infiltration must be above 0"),
        (lambda: h.infiltration_rate([1.0], [-1.0]), "slope_percent must not be negative"),
        # one wrong number among right ones
        (lambda: h.gross_rate([1.0, 1.0], [1.0, 0.0]), "area_m2 must be above 0"),
        (lambda: h.gross_rate([1.0, -1.0], [1.0, 1.0]), "flow_lps must not be negative"),
        (lambda: h.gross_rate([1.0, np.inf], [1.0, 1.0]), "flow_lps must be finite"),
        (lambda: h.served_share([0.5, 0.0]), "du_lq must be above 0"),
        (lambda: h.served_share([0.5, 1.2]), "at most 1"),
        (lambda: h.pump_energy([1.0, -1.0], 10.0, 0.5), "must not be negative"),
        (lambda: h.pump_energy([1.0, 1.0], [10.0, -1.0], 0.5), "must not be negative"),
        (lambda: h.pump_energy([1.0, 1.0], 10.0, [0.5, 0.0]), "efficiency must be above 0"),
        (lambda: h.pump_energy([1.0, 1.0], 10.0, [0.5, 1.1]), "at most 1"),
        (lambda: h.pump_energy([1.0, 2.0], 10.0, [0.5]), "same shape"),
        (lambda: h.infiltration_rate([1.0, 0.0], [1.0, 1.0]), "texture_infiltration must be above 0"),
        (lambda: h.infiltration_rate([1.0, 1.0], [1.0, -1.0]), "slope_percent must not be negative"),
        (lambda: h.infiltration_rate([1.0], [1.0, 1.0]), "same shape"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_friction_against_the_printed_forms_of_hazen_and_williams():
    # Forms the trade prints, all status memory (handbooks and an encyclopaedia, none read here); each is turned into
    # head [m] and must agree with ours to 0.5 %, which is what their rounded constants differ by; b), whose exponent of
    # the diameter is another, drifts from a) and c) by up to 1.2 % over these diameters.
    # a) US, hf [ft] = 4.727 L Q^1.852 / (C^1.852 d^4.871), Q in ft3/s, L and d in ft
    # b) US, hf [ft] = 10.44 L Q^1.852 / (C^1.852 d^4.8655), L in ft, Q in gal/min, d in in
    # c) US, [psi/ft] = 4.52 Q^1.852 / (C^1.852 d^4.8704), Q in gal/min, d in in; 1 psi = 2.3067 ft
    # d) SI, v = 0.849 C (d/4)^0.63 S^0.54, v in m/s
    foot, gallon = 0.3048, 3.785411784
    for flow, length, diameter, c in (
        (5.0, 100.0, 0.08, 150.0),
        (20.0, 620.0, 0.1542, 140.0),
        (70.0, 900.0, 0.3, 100.0),
    ):
        ours = float(h.friction_head(flow, h.pipe_resistance(length, diameter, c)))
        cfs, gpm, inches = flow / 1000 / foot**3, flow * 60 / gallon, diameter / 0.0254
        a = 4.727 * length * cfs**1.852 / (c**1.852 * (diameter / foot) ** 4.871)
        b = 10.44 * length * gpm**1.852 / (c**1.852 * inches**4.8655)
        psi = 4.52 * gpm**1.852 / (c**1.852 * inches**4.8704) * length / foot
        speed = flow / 1000 / (np.pi * diameter**2 / 4)
        d = length * (speed / (0.849 * c * (diameter / 4) ** 0.63)) ** (1 / 0.54)
        assert [a, psi * 2.3067 * foot, d] == pytest.approx([ours] * 3, rel=5e-3)
        assert b == pytest.approx(ours, rel=1.5e-2)


# A pump on a curve of four points with an efficiency curve, and two branches: 620 m of 154.2 mm with C = 140 to demand
# a, 380 m of 108.7 mm with C = 120 to demand b, both level with the reservoir; demands of four hours. Solved once with
# EPANET 2.2 (US EPA, public domain; its toolkit, units LPS, headloss H-W, accuracy 1e-7) on exactly this network. Its
# pump curves are straight lines between points too. Its results: head at the pump, power, loss a, loss b.
EPANET = {
    (12.0, 0.0): (64.4000, 12.97130, 1.750968, 0.0),
    (20.0, 6.0): (50.2000, 18.70466, 4.509643, 2.171865),
    (8.0, 9.0): (60.4000, 15.04488, 0.826337, 4.602077),
    (0.0, 4.0): (68.4000, 8.469209, 0.0, 1.024972),
}


def test_a_pump_and_two_branches_against_a_network_solver():
    # Heads to its printed single precision; losses to 0.15 % and power to 0.1 %, as its constants in US units (4.727,
    # 8.814 ft3/s ft a horsepower) are rounded differently from ours (10.67, 9.81).
    points = np.array([0.0, 1.0, 10.0, 20.0, 30.0])
    curve = h.PumpCurve(points, np.array([70.0, 69.6, 66.0, 58.0, 45.0]), np.array([0.2, 0.2, 0.55, 0.72, 0.66]))
    resistance = h.pipe_resistance([620.0, 380.0], [0.1542, 0.1087], [140.0, 120.0])
    for branches, (head, power, *losses) in EPANET.items():
        flow = np.array([sum(branches)])
        assert curve.head_given(flow)[0] == pytest.approx(head, abs=1e-4)
        assert curve.power(flow)[0] == pytest.approx(power, rel=1e-3)
        assert h.friction_head(branches, resistance).tolist() == pytest.approx(losses, rel=1.5e-3, abs=1e-9)


def test_laws_of_a_station():
    points = np.array([0.0, 10.0, 30.0])
    curve = h.PumpCurve(points, np.array([70.0, 66.0, 46.0]), np.array([0.0, 0.6, 0.7]), held=50.0)
    flow = np.linspace(0.0, 30.0, 61)
    for friction in (0.0, 3.0):
        given = curve.head_given(flow, friction)
        assert (given + curve.head_missing(flow, friction)).tolist() == pytest.approx([50.0 + friction] * 61)
        assert (given <= np.interp(flow, points, curve.head) + 1e-12).all()
    assert (curve.power(flow, 3.0) >= curve.power(flow)).all()
    assert curve.power(np.zeros(2)).tolist() == [0.0, 0.0]
    # the station at full speed never uses less than the same one holding a head
    full = h.PumpCurve(curve.flow, curve.head, curve.efficiency)
    assert (full.power(flow) >= curve.power(flow, 3.0) - 1e-12).all()
    constant = h.PumpCurve(np.zeros(1), np.array([np.inf]), np.array([0.65]), held=60.0)
    assert constant.power(np.array([1000.0 / 3600]))[0] == pytest.approx(float(h.pump_energy(1.0, 60.0, 0.65)))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: h.pipe_resistance(-1.0, 0.1, 140.0), "length_m must not be negative"),
        (lambda: h.pipe_resistance(1.0, 0.0, 140.0), "diameter_m and roughness must be above 0"),
        (lambda: h.pipe_resistance([1.0], [0.1, 0.2], [140.0]), "same shape"),
        (lambda: h.friction_head(-1.0, 1.0), "must not be negative"),
        (lambda: _curve([0, 0], [5, 4], [0.5, 0.5]), "flow: must rise"),
        (lambda: _curve([0, 5], [4, 5], [0.5, 0.5]), "head: must be 0 or more and not rise"),
        (lambda: _curve([0, 5], [5, 4], [0.5, 0.0]), "efficiency: must lie in 0 to 1"),
        (lambda: _curve([0, 5], [5, 4], [0.5, 1.5]), "efficiency: must lie in 0 to 1"),
        (lambda: _curve([0, 5], [5, 4], [0.5, 0.5], 0.0), "held: must be above 0"),
        (lambda: _curve([0], [np.inf], [0.5]), "held: must be above 0, and finite"),
        (lambda: h.pipe_resistance([1.0, -1.0], [0.1, 0.1], [140.0, 140.0]), "length_m must not be negative"),
        (lambda: h.pipe_resistance([1.0, 1.0], [0.1, 0.0], [140.0, 140.0]), "must be above 0"),
        (lambda: h.pipe_resistance([1.0, 1.0], [0.1, 0.1], [140.0, 0.0]), "must be above 0"),
        (lambda: h.pipe_resistance([1.0, 1.0], [0.1, 0.1], [140.0]), "same shape"),
        (lambda: h.friction_head([1.0, -1.0], 1.0), "must not be negative"),
        (lambda: h.friction_head([1.0, 1.0], [1.0, -1.0]), "must not be negative"),
        (lambda: h.friction_head([1.0, 1.0], [1.0]), "same shape"),
        (lambda: _curve([-1, 5], [5, 4], [0.5, 0.5]), "flow: must rise from point to point, from 0"),
        (lambda: _curve([0, 5, 5], [5, 4, 3], [0.5, 0.5, 0.5]), "flow: must rise"),
        (lambda: _curve([0, 5], [5, -4], [0.5, 0.5]), "head: must be 0 or more"),
        (lambda: _curve([0, 5, 9], [5, 4, 4.5], [0.5, 0.5, 0.5]), "and not rise"),
        (lambda: _curve([0, 5], [5, 4], [-0.1, 0.5]), "efficiency: must lie in 0 to 1"),
        (lambda: _curve([0], [5], [0.0]), "efficiency: must lie in 0 to 1"),
        (lambda: _curve([0, 5], [5, 4], [0.5]), "expected one shape"),
        (lambda: _curve([0, 5], [5], [0.5, 0.5]), "expected one shape"),
        (lambda: _curve([], [], []), "n >= 1"),
        (lambda: _curve([[0, 5]], [[5, 4]], [[0.5, 0.5]]), "n >= 1"),
    ],
)
def test_pipes_and_curves_refuse(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_what_lies_on_the_edge_is_allowed():
    assert h.gross_rate([0.0], [2.0]).tolist() == [0.0]
    assert h.served_share([1.0, 1.0], [True, False]).tolist() == [1.0, 1.0]
    assert h.pump_energy([0.0, 1.0], [1.0, 0.0], 1.0).tolist() == [0.0, 0.0]
    assert h.infiltration_rate([0.5], [0.0]).tolist() == [0.5]
    assert h.friction_head([0.0, 2.0], [1.0, 0.0]).tolist() == [0.0, 0.0]
    assert h.pipe_resistance(0.0, 0.05, 0.5) == 0.0
    assert _curve([0, 5], [np.inf, np.inf], [0.5, 0.5], 40.0).head_given(np.array([3.0])).tolist() == [40.0]
    flat = _curve([0, 5, 9], [5, 5, 0], [0.0, 1.0, 1.0], 0.5)  # a head may stay, and end at none
    assert flat.head_given(np.array([2.0, 9.0])).tolist() == [0.5, 0.0]
    assert flat.head_missing(np.array([2.0, 9.0]), np.array([0.25, 0.25])).tolist() == [0.0, 0.75]
    assert _curve([0, 5], [5, 4], [0.5, 0.5]).head_missing(np.array([1.0, 2.0])).tolist() == [0.0, 0.0]
    assert flat.head_missing(np.array([2.0, 9.0])).tolist() == flat.head_missing(np.array([2.0, 9.0]), 0.0).tolist()
    assert flat.head_missing(np.array([2.0, 9.0]))[1] < 0.75


def _curve(flow, head, efficiency, held=np.inf):
    return h.PumpCurve(*(np.array(a, dtype=float) for a in (flow, head, efficiency)), held)
