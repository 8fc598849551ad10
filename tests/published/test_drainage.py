"""Drainage of a filled root zone against unit-gradient flow with Campbell's conductivity, integrated numerically.

Campbell (1974), Soil Science 117, 311-314: K = Ks (theta / theta_s)^(2 b + 3); b and Ks of Clapp & Hornberger (1978),
Table 2 (memory). Under unit gradient Zr d theta / dt = -K (Sisson, Ferguson & van Genuchten 1980). The product's law
has K fall exponentially around field capacity instead, which is what makes it one line.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.drainage import HELD, RETENTION_EXPONENT, drainage_scale, drained
from models.soil import TEXTURES

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
