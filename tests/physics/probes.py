"""What a probe says: the water of a band of soil at one spot, with the faults single sensors have.

Gain and offset of single sensors are the systematic part that is far above the random one (SOIL 11, 2025, 435). Bulk EC
follows Hilhorst (2000, SSSAJ 64, 1922) with each spot's own permittivity offset, which he found between 1.9 and 7.6,
permittivity from moisture by Topp's polynomial turned round, and 2 % a degC for temperature.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.physics.columns import SUB, Columns

MIDDLE = 0.22  # m3/m3 about which the gain turns
NORMAL = 20.0  # degC at which moisture reads true
_THETA = np.linspace(0.0, 0.6, 601)


def _topp(theta: np.ndarray) -> np.ndarray:
    """Permittivity at a moisture: Topp, Davis & Annan (1980), theta = -5.3e-2 + 2.92e-2 e - 5.5e-4 e2 + 4.3e-6 e3."""
    e = np.linspace(1.0, 60.0, 2000)
    return np.interp(theta, -5.3e-2 + 2.92e-2 * e - 5.5e-4 * e**2 + 4.3e-6 * e**3, e)


_PERMITTIVITY = _topp(_THETA)


@dataclass
class Probes:
    """Sensors K, each at a spot of a zone; offsets and gains drawn once."""

    zone: np.ndarray  # (K,)
    depth: np.ndarray  # (K,) cm
    spot: np.ndarray  # (K,): sensors of one spot share it
    rng: np.random.Generator
    noise: float = 0.004  # m3/m3
    gain: np.ndarray = field(init=False)
    offset: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        """Draw each sensor's faults and each spot's place in the catch."""
        k, rng = self.zone.size, self.rng
        sub = rng.integers(0, SUB, self.spot.max(initial=0) + 1)
        self.sub = sub[self.spot]
        width = rng.uniform(5.0, 10.0, k)
        self.top, self.low = np.maximum(self.depth - width / 2.0, 0.0), self.depth + width / 2.0
        self.gain = np.exp(rng.normal(0.0, 0.10, k))
        self.offset = rng.normal(0.0, 0.020, k)
        self.by_temperature = rng.normal(0.0, 0.0004, k)  # m3/m3 a degC
        self.permittivity_offset = rng.normal(4.1, 0.8, k)
        self.ec_scale = np.exp(rng.normal(0.0, 0.05, k))
        self.out = np.zeros(k, dtype=int)  # days a sensor is still silent

    def read(self, columns: Columns, hours: np.ndarray, mean_temperature: float) -> dict[str, np.ndarray]:
        """Read the hours `hours` (R,) of clock that end the 24 of the last day: moisture, ec, temperature (K, 24)."""
        rng, k = self.rng, self.zone.size
        theta, ec = columns.band(self.zone, self.sub, self.top, self.low)
        swing = 5.0 * np.exp(-self.depth / 12.0)[:, None]
        warm = mean_temperature + swing * np.sin(
            2.0 * np.pi * (hours[None, :] - 9.0 - self.depth[:, None] / 6.0) / 24.0
        )
        moisture = MIDDLE + self.gain[:, None] * (theta - MIDDLE) + self.offset[:, None]
        moisture += self.by_temperature[:, None] * (warm - NORMAL) + rng.normal(0.0, self.noise, theta.shape)
        above = np.maximum(np.interp(theta, _THETA, _PERMITTIVITY) - self.permittivity_offset[:, None], 0.5)
        bulk = ec * above / (80.3 - 0.37 * (warm - 20.0)) * (1.0 + 0.02 * (warm - 25.0))
        bulk *= self.ec_scale[:, None] * np.exp(rng.normal(0.0, 0.03, theta.shape))
        self.out = np.where(self.out > 0, self.out - 1, np.where(rng.random(k) < 0.004, rng.integers(1, 8, k), 0))
        silent = (self.out > 0)[:, None] | (rng.random(theta.shape) < 0.02)
        moisture = np.where(silent, np.nan, np.clip(moisture, 0.005, 0.65))
        return {"moisture": moisture, "ec": np.where(silent, np.nan, bulk), "temperature": warm}
