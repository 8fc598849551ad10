"""Pump curves, friction of branches and finishing times in site.toml: units, defaults, one clear error a fault."""

import math

import numpy as np
import pytest

from scheduler.plan.stations import typical_energy
from scheduler.site.works import EFFICIENCY, ROUGHNESS
from tests.scheduler.site_folders import TOML, lines, site

PUMP = "[[pump]]\nname = 'a'\n"  # lines 8 and 9 of the file
LOOP = PUMP + "capacity = 20\n[[branch]]\nname = 'loop'\n"  # branch on lines 11 and 12


def test_a_curve_in_us_units_gives_capacity_head_and_efficiency(tmp_path):
    toml = 'curve = [\n  ["0 gal/min", "100 psi", "20 %"],\n  ["400 gal/min", "90 psi", "74 %"],\n]\n'
    pump = site(tmp_path, TOML + PUMP + toml).pumps[0]
    # 1 gal/min = 0.0630902 L/s and 1 psi = 0.70307 m of water, by definition of the units
    np.testing.assert_allclose(pump.curve, [(0.0, 70.307, 0.2), (25.23608, 63.2763, 0.74)], rtol=1e-5)
    assert pump.capacity == pytest.approx(25.23608, rel=1e-5)
    assert pump.head == 0.0
    assert not any("head" in n.text for n in site(tmp_path, TOML + PUMP + toml).notes)


def test_efficiency_of_a_curve_without_one(tmp_path):
    read = site(tmp_path, TOML + PUMP + "efficiency = 0.6\ncurve = [[0, 60], [20, 50]]\n")
    assert [e for _, _, e in read.pumps[0].curve] == [0.6, 0.6]
    read = site(tmp_path, TOML + PUMP + "capacity = 15\ncurve = [[0, 60], [20, 50]]\n")
    assert read.pumps[0].capacity == 15.0
    assert [e for _, _, e in read.pumps[0].curve] == [EFFICIENCY] * 2
    assert any("efficiency is not given; 0.70 is taken" in n.text for n in read.notes)
    read = site(tmp_path, TOML + PUMP + "efficiency = 0.6\ncurve = [[0, 60, 0.5], [20, 50, 0.7]]\n")
    assert any("the efficiency of its curve is taken" in n.text for n in read.notes)


def test_friction_of_a_branch_by_its_pipe_or_at_its_capacity(tmp_path):
    # 620 m of 154.2 mm, C = 140: 4.5096 m at 20 L/s by a network solver (tests/published/test_hydraulics.py)
    read = site(tmp_path, TOML + LOOP + 'length = 620\ndiameter = "154.2 mm"\nroughness = 140\n')
    assert read.branches[0].resistance * 20**1.852 == pytest.approx(4.5096, rel=1.5e-3)
    read = site(tmp_path, TOML + LOOP + 'length = 620\ndiameter = "6.0709 in"\n')
    assert read.branches[0].resistance * 20**1.852 == pytest.approx(4.5096, rel=1.5e-3)
    assert any(f"roughness is not given; {ROUGHNESS:g} is taken" in n.text for n in read.notes)
    read = site(tmp_path, TOML + LOOP + 'capacity = 12\nfriction = "10 ft"\n')
    assert read.branches[0].resistance * 12**1.852 == pytest.approx(3.048)
    assert site(tmp_path, TOML + LOOP).branches[0].resistance == 0.0


def test_times_to_be_done_by(tmp_path):
    read = site(tmp_path, TOML + '[surface.green]\nfinish_by = "05:00"\n[surface.tee]\nevent_finish_by = "04:30"\n')
    assert (read.surfaces["green"].finish_by, read.surfaces["green"].event_finish_by) == (300, 300)
    assert (read.surfaces["tee"].finish_by, read.surfaces["tee"].event_finish_by) == (None, 270)
    assert (read.surfaces["rough"].finish_by, read.surfaces["rough"].event_finish_by) == (None, None)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        (PUMP, 'line 8, key "pump[1].capacity": this key is missing; it is needed where no curve is given'),
        (PUMP + "curve = [[0, 60]]\n", 'line 10, key "pump[1].curve": read "[[0, 60]]"; a list of two points or more'),
        (PUMP + "curve = 60\n", 'read "60"; a list of two points or more'),
        (PUMP + "curve = [[0, 60], [9]]\n", "point 2: a list of two points or more"),
        (PUMP + "curve = [[0, 60], [9, 40, 0.5, 1]]\n", "point 2: a list of two points or more"),
        (PUMP + "curve = [[0, 60], ['9 gal', 40]]\n", 'point 2: read the unit "gal"; L/s, m3/h, gal/min or ft3/s'),
        (PUMP + "curve = [[0, 60], [9, '40 kg']]\n", 'point 2: read the unit "kg"; m, ft, kPa or psi is allowed'),
        (PUMP + "curve = [[0, 60], [9, true]]\n", "point 2: a number, or a text of a number and its unit"),
        (PUMP + "curve = [[0, 60], [nan, 40]]\n", "point 2: a finite number is allowed"),
        (PUMP + "curve = [[-1, 60], [9, 40]]\n", "point 1: a flow from 0 to 20000 L/s"),
        (PUMP + "curve = [[0, 60], [9, -4]]\n", "point 2: a flow from 0 to 20000 L/s and a head from 0 to 1000 m"),
        (PUMP + "curve = [[5, 60], [5, 40]]\n", "point 2: its flow must be above that of the point before"),
        (PUMP + "curve = [[5, 60], [9, 61]]\n", "point 2: its head must not be above that of the point before"),
        (PUMP + "curve = [[0, 60, 0.4], [9, 40, 70]]\n", "point 2: an efficiency above 0, at most 1, is allowed"),
        (
            PUMP + "curve = [[1, 60, 0], [9, 40, 0.7]]\n",
            "point 1: an efficiency above 0, at most 1, is allowed (0 only",
        ),
        (PUMP + "curve = [[0, 60, 0.4], [9, 40]]\n", "the efficiency is needed at every point or at none"),
        (
            PUMP + "capacity = 12\ncurve = [[0, 60], [9, 40]]\n",
            'line 10, key "pump[1].capacity": read "12 L/s"; the last flow of its curve, 9 L/s, or less is allowed',
        ),
        (PUMP + "head = 61\ncurve = [[0, 60], [9, 40]]\n", 'read "61 m"; its curve gives 60 m at most'),
        (PUMP + "smallest_flow = 10\ncurve = [[0, 60], [9, 40]]\n", "the smallest flow is above the capacity"),
        (LOOP + "length = 100\n", 'key "branch[1].diameter": this key is missing; "length" is given'),
        (LOOP + "diameter = 100\n", 'key "branch[1].length": this key is missing; "diameter" is given'),
        (LOOP + "roughness = 140\n", 'key "branch[1].length": this key is missing; "roughness" is given'),
        (LOOP + "roughness = 14\nlength = 9\ndiameter = 90\n", "a number from 20 to 200 is allowed"),
        (LOOP + "length = 0\ndiameter = 90\n", "a number above 0 is allowed"),
        (LOOP + "friction = 3\n", 'key "branch[1].capacity": friction is the head lost at the capacity of the branch'),
        (LOOP + "capacity = 9\nfriction = 3\nlength = 9\n", "friction is given too; one of the two is needed"),
        (LOOP + "capacity = 9\nfriction = -3\n", "a number from 0 to 1000 is allowed"),
        ('[surface.green]\nfinish_by = "5"\n', 'key "surface.green.finish_by": read "5"; a time like 21:30 is allowed'),
        ('[surface.green]\nfinish_buy = "05:00"\n', 'this key is not known (did you mean "finish_by"?)'),
    ],
)
def test_faults_of_hydraulics_are_located(tmp_path, toml, words):
    found = lines(tmp_path, TOML + toml)
    assert len(found) == 1
    assert words in found[0]


def test_a_pump_without_curve_or_ramp_is_as_before(tmp_path):
    pump = site(tmp_path, TOML + PUMP + "capacity = 20\nhead = 60\n").pumps[0]
    assert (pump.capacity, pump.ramp, pump.head, pump.curve) == (20.0, math.inf, 60.0, ())


def test_a_cubic_metre_is_priced_at_three_quarters_of_the_capacity(tmp_path):
    # 0.002725 H / eta kWh/m3 (tests/published): held 60 m at 0.65: 0.25154. A curve from (0, 70 m) to (20, 50 m) at
    # full speed: 15 L/s, 55 m, 0.6 + 0.75 * 0.1 = 0.675: 0.22204. Held 40 m with 3 m of friction at the branch's
    # capacity, at three quarters of it 3 * 0.75^1.852 = 1.76087 m: 41.76087 m at 0.675: 0.16859. Worked by hand.
    def typical(pump: str, more: str = "") -> float:
        return float(typical_energy(site(tmp_path, TOML + PUMP + pump + more))[0])

    curve = "curve = [[0, 70, 0.6], [20, 50, 0.7]]\n"
    branch = "[[branch]]\nname = 'loop'\ncapacity = 12\nfriction = 3\n"
    assert typical("capacity = 20\nhead = 60\nefficiency = 0.65\n") == pytest.approx(0.25154, abs=5e-6)
    assert typical(curve) == pytest.approx(0.22204, abs=5e-6)
    assert typical(curve, branch) == pytest.approx(0.22204, abs=5e-6)  # friction is not of a pump at full speed
    assert typical(curve + "head = 40\n", branch) == pytest.approx(0.16859, abs=5e-6)
    assert typical("capacity = 20\n") == 0.0


def test_energy_is_priced_at_three_quarters_of_pump_and_branches(tmp_path):
    # 9.81 H / (3600 eta) kWh/m3. 20 L/s at 60 m and 0.7; its branches: one that could carry more than the pump, one of
    # 4 L/s, and one of the other pump, whose friction is none of this one's.
    toml = "[[pump]]\nname = 'a'\ncapacity = 20\nhead = 60\nefficiency = 0.7\n[[pump]]\nname = 'b'\ncapacity = 5\n"
    toml += "".join(
        f"[[branch]]\nname = '{n}'\npump = '{p}'\ncapacity = {q}\nfriction = {f}\n"
        for n, p, q, f in (("wide", "a", 50, 30), ("narrow", "a", 4, 3), ("other", "b", 5, 40))
    )
    found = typical_energy(site(tmp_path / "a", TOML + toml))
    lost = 30.0 * (0.75 * 20.0 / 50.0) ** 1.852  # of the wide one, at three quarters of what the pump gives
    np.testing.assert_allclose(found, [9.80665 * (60.0 + lost) / 3600.0 / 0.7, 0.0], rtol=2e-3)
    # Branches that name no capacity carry the pump's flow evenly: 10 L/s each.
    even = toml.replace("capacity = 50\nfriction = 30", "length = 620\ndiameter = '154.2 mm'\nroughness = 140")
    lost = 4.5096 * (0.75 * 10.0 / 20.0) ** 1.852
    found = typical_energy(site(tmp_path / "b", TOML + even.replace("capacity = 4\nfriction = 3\n", "")))
    np.testing.assert_allclose(found[0], 9.80665 * (60.0 + lost) / 3600.0 / 0.7, rtol=2e-3)
