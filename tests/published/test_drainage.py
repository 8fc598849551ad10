"""Drainage of a filled root zone against unit-gradient flow with Campbell's conductivity, integrated numerically.

Campbell (1974), Soil Science 117, 311-314: K = Ks (theta / theta_s)^(2 b + 3); b and Ks of Clapp & Hornberger (1978),
Table 2 (memory). Under unit gradient Zr d theta / dt = -K (Sisson, Ferguson & van Genuchten 1980). The product's law
has K fall exponentially around field capacity instead, which is what makes it one line.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.drainage import HELD, RETENTION_EXPONENT, drainage_scale, drained, fed_depth, settled
from models.textures import TEXTURES

ROOT = 0.25  # m
# Ks [mm/d]: Clapp & Hornberger 1978, Table 2, cm/min times 14,400 (memory)
KS = {"sandy_loam": 0.208 * 14400, "loam": 0.0417 * 14400, "silt_loam": 0.0432 * 14400, "clay_loam": 0.0147 * 14400}


def held(soil, days):
    """Water of the root zone [mm] after draining from saturation under unit gradient."""
    table, power = TEXTURES[soil], 2.0 * RETENTION_EXPONENT[soil] + 3.0

    def flux(_, water):
        return -KS[soil] * (np.maximum(water, 0.0) / (1000.0 * ROOT * table.saturation)) ** power

    full = 1000.0 * ROOT * table.saturation
    found = solve_ivp(flux, (0.0, max(days)), [full], t_eval=days, method="LSODA", rtol=1e-8, atol=1e-8)
    return found.y[0]


def test_retention_exponents_as_printed():
    # Clapp & Hornberger 1978, Table 2. Mark: memory. Silt and the sand of greens have no row: as their neighbours.
    printed = {
        "sand": 4.05, "loamy_sand": 4.38, "sandy_loam": 4.90, "silt_loam": 5.30, "loam": 5.39,
        "sandy_clay_loam": 7.12, "silty_clay_loam": 7.75, "clay_loam": 8.52, "sandy_clay": 10.4, "silty_clay": 10.4,
        "clay": 11.4,
    }  # fmt: skip
    assert dict(RETENTION_EXPONENT) == printed | {"silt": 5.30, "sand_rootzone": 4.05}
    assert set(RETENTION_EXPONENT) == set(TEXTURES)


def test_scale_by_hand():
    # L = 1000 Zr FC / (2 b + 3): 0.25 m of loam at 0.25 is 62.5 / 13.78 = 4.536 mm; over gravel next to nothing
    scale = drainage_scale(["loam", "sand_rootzone"], [0.25, 0.20], [0.25, 0.30], [False, True])
    assert scale[0] == pytest.approx(4.536, abs=5e-4)
    assert 0.0 < scale[1] < 0.06
    after_half_a_day = drained(np.array([-30.0]), scale[1:])  # within 0.1 mm three hours after a filling
    assert abs(after_half_a_day[0]) < 0.1


@pytest.mark.parametrize(
    ("soil", "capacity", "depth", "words"),
    [
        (["loam", "moss"], [0.2, 0.2], [0.2, 0.2], "'moss'"),
        (["loam", "loam"], [0.2], [0.2, 0.2], "must have shape"),
        (["loam", "loam"], [0.2, 0.2], [0.2], "must have shape"),
        (["loam", "loam"], [0.2, 0.0], [0.2, 0.2], "must be above 0"),
        (["loam", "loam"], [0.2, 0.2], [0.2, 0.0], "must be above 0"),
    ],
)
def test_what_has_no_scale_is_refused(soil, capacity, depth, words):
    with pytest.raises(ValueError, match=words):
        drainage_scale(soil, capacity, depth)


def test_greens_over_gravel_are_fed_from_all_their_sand():
    # USGA 2018: 300 mm of root-zone mix. Mark: memory. Roots deeper than that keep their own depth.
    assert fed_depth([0.15, 0.15, 0.40], [True, False, True]).tolist() == [0.30, 0.15, 0.40]


def test_below_field_capacity_only_the_whole_law_drains():
    level, scale = np.array([-3.0, 0.0, 2.0, 5.0 * 20.0]), np.full(4, 5.0)
    assert settled(level, scale).tolist()[1:] == [0.0, 2.0, 100.0]
    law = drained(level, scale, HELD)
    # exp(D / L) grows by 1 in two days: from field capacity to L ln 2
    assert law.tolist() == pytest.approx(
        [5 * np.log(np.exp(-0.6) + 1), 5 * np.log(2), 5 * np.log(np.exp(0.4) + 1), 100]
    )
    just_above = settled(np.array([-0.01]), np.array([5.0]))
    assert just_above.tolist() == [0.0]  # and not below it


@pytest.mark.parametrize("soil", sorted(KS))
def test_a_filled_root_zone_drains_as_under_unit_gradient(soil):
    days = [0.5, 1.0, HELD, 4.0]
    campbell = held(soil, days)
    capacity = campbell[2] / (1000.0 * ROOT)  # what it holds after two days
    scale = drainage_scale([soil], [capacity], [ROOT])
    law = np.array([drained(np.array([-1e3]), scale, t)[0] for t in days])
    # 0.6 mm of 66 to 93 from a day on; half a day after it was full, where it matters less, 1.1 mm
    assert -law[0] == pytest.approx(campbell[0] - campbell[2], abs=1.1)
    np.testing.assert_allclose(-law[1:], campbell[1:] - campbell[2], atol=0.6)
