"""A simulated course with hidden true factors, for tests of the estimate and of the learning.

Its soil is not the filter's: nine spots a zone that catch unequal water, two layers stepped every four hours, drainage
over one to two days, stress that sets in layer by layer, rain that differs from the gauge, a crew that waters by habit.
The tests see only what a site sees: the gauge, reference demand, the log and the probes' evening readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEPS = 6  # a day, of 4 h each, from opening time (20:00)
ET_SHARES = np.array([0.0, 0.0, 0.05, 0.30, 0.45, 0.20])  # [-] of the day's ET in 20-24, 0-4, 4-8, 8-12, 12-16, 16-20 h
ROOTS = (0.65, 0.35)  # [-] pull of the upper and the lower half of the root zone
SPOTS = 9
EVERY = 2  # [nights] between runs


@dataclass(frozen=True)
class SimulatedCourse:
    """What a site knows (first part) and what is hidden (second part)."""

    kin: NDArray[np.int64]  # (Z,)
    field_capacity: Floats  # (Z,) [m3/m3] as the soil table says
    wilting_point: Floats  # (Z,) [m3/m3]
    root_depth: Floats  # (Z,) [m]
    du_lq: Floats  # (Z,) [-]
    irrigation: Floats  # (Z, N) [mm] logged minutes times the nominal rate
    etc: Floats  # (Z, N) [mm/d] demand at microclimate factor 1
    rain: Floats  # (Z, N) [mm/d] at the gauge
    sensor_zone: NDArray[np.int64]  # (K,)
    sensor_depth: Floats  # (K,) [m]
    moisture: Floats  # (K, N) [m3/m3] evening readings, NaN = none or flagged

    microclimate: Floats  # (Z,) [-] hidden
    rate: Floats  # (Z,) [-] hidden true application rate / nominal
    true_field_capacity: Floats  # (Z,) [m3/m3] hidden
    truth: Floats  # (Z, N) [m3/m3] hidden root-zone moisture, mean of the zone, each evening
    bias: Floats  # (K,) [m3/m3] hidden

    @property
    def taw(self) -> Floats:
        """Total available water [mm], (Z,)."""
        return 1000 * (self.field_capacity - self.wilting_point) * self.root_depth

    @property
    def probed(self) -> NDArray[np.bool_]:
        """Zones that hold a probe, (Z,)."""
        return np.isin(np.arange(self.kin.size), self.sensor_zone)


def simulate_course(
    seed: int,
    groups: int = 8,
    size: int = 10,
    probed_share: float = 0.3,
    days: int = 60,
    kin_spread: float = 0.15,
    own_spread: float = 0.06,
    flagged: float = 0.85,
    faults: bool = True,
    table_off: float = 0.0,
    crew: bool = True,
    rate_shared: bool = False,
    noise: float = 0.006,
    bias_spread: float = 0.012,
    spikes: float = 0.012,
    stuck: float = 0.15,
) -> SimulatedCourse:
    """Draw a course and run it for some days.

    `kin_spread` and `own_spread` are the standard deviations of the log microclimate factor between and within kin;
    factors are kept in 0.75 to 1.3. `flagged` is the share of bad readings that quality control has taken out.
    `table_off` is that by which the soil table misses a group's field capacity [m3/m3]. With `crew` off nobody corrects
    what the nominal balance asks for. `rate_shared`: the true rate is off alike for all of a kin (one kind of nozzle).
    `noise` and `bias_spread` are those of the probes [m3/m3], `spikes` the share of readings, `stuck` that of probes.
    """
    rng = np.random.default_rng(seed)
    zones = groups * size
    kin = np.repeat(np.arange(groups), size)
    soils = np.array([[0.20, 0.06, 0.18], [0.23, 0.11, 0.25], [0.25, 0.12, 0.30], [0.29, 0.15, 0.30]])
    table = soils[rng.integers(0, len(soils), groups)][kin]
    fc, wp, root = table[:, 0], table[:, 1], table[:, 2]
    microclimate = np.clip(np.exp(rng.normal(0, kin_spread, groups)[kin] + rng.normal(0, own_spread, zones)), 0.75, 1.3)
    rate = rng.uniform(0.85, 1.15, zones)
    if rate_shared:
        rate = rate[kin * size]
    fc_true = fc + rng.normal(0, 0.006, zones)
    if table_off:
        fc_true = fc_true + rng.normal(0, table_off, groups)[kin]
    du = rng.uniform(0.65, 0.85, zones)
    catch = np.exp(rng.normal(0, 1, (zones, SPOTS)) * (0.6 * (1 - du) / 1.27)[:, None])  # soil evens out some of it
    catch[:, 1:] *= ((SPOTS - catch[:, :1]) / catch[:, 1:].sum(axis=1, keepdims=True)).clip(0.5)  # the mean is the rate

    kc = rng.uniform(0.75, 0.95, groups)[kin]
    eto = np.clip(5.5 + 1.2 * np.sin(np.arange(days) / 9 + rng.uniform(0, 6)) + rng.normal(0, 0.9, days), 1.5, 9)
    fell = np.where(rng.random(days) < 0.12, rng.exponential(8, days), 0.0)
    etc, gauge = kc[:, None] * eto, np.tile(fell, (zones, 1))
    et_day = np.exp(rng.normal(0, 0.06, days)[None, :] + rng.normal(0, 0.03, (zones, days)))
    rain_true = gauge * np.exp(rng.normal(0, 0.10, (groups, days))[kin] + rng.normal(0, 0.05, (zones, days)))
    soil = _Soil(fc_true, wp, root)
    taw = 1000 * (fc - wp) * root

    offset, refill = rng.integers(0, EVERY, zones), rng.uniform(0.85, 1.05, zones)
    since, logged, truth = np.zeros(zones), np.zeros((zones, days)), np.empty((zones, days))
    upper, lower = np.empty((zones, days)), np.empty((zones, days))
    for day in range(days):
        if crew and day % 7 == 6:  # a look round: what is dry gets more at its next turns
            left = (soil.mean() - wp) / (fc_true - wp)
            refill = np.clip(refill * np.exp(np.clip(0.4 * (0.72 - left), -0.12, 0.12)), 0.6, 1.6)
        due = (day + offset) % EVERY == 0
        dose = np.where(due & (since > 2), np.minimum(since * refill, 0.5 * taw), 0.0)
        logged[:, day] = dose
        since = np.maximum(np.where(dose > 0, 0.0, since) + etc[:, day] - 0.8 * gauge[:, day], -3)
        fall = rng.integers(0, STEPS)
        caught = (dose * rate * np.exp(rng.normal(0, 0.04, zones)))[:, None] * catch
        for step in range(STEPS):
            water = (caught / 2 if step < 2 else 0.0) + (rain_true[:, day, None] if step == fall else 0.0)
            soil.step(water, (etc[:, day] * microclimate * et_day[:, day])[:, None] * ET_SHARES[step])
        truth[:, day] = soil.mean()
        upper[:, day], lower[:, day] = soil.moisture[:, 0, 0], soil.moisture[:, 0, 1]

    per_group = max(1, round(probed_share * size)) if probed_share > 0 else 0
    probed = np.concatenate([rng.choice(np.flatnonzero(kin == g), per_group, replace=False) for g in range(groups)])
    sensor_zone = np.repeat(np.sort(probed), 2).astype(np.int64)
    share = np.tile([0.25, 0.75], per_group * groups)
    bias = rng.normal(0, bias_spread, sensor_zone.size)
    seen = np.where((share < 0.5)[:, None], upper[sensor_zone], lower[sensor_zone]) + bias[:, None]
    readings = seen + rng.normal(0, noise, seen.shape)
    if faults:
        readings = _spoil(readings, flagged, spikes, stuck, rng)
    return SimulatedCourse(
        kin, fc, wp, root, du, logged, etc, gauge, sensor_zone, share * root[sensor_zone], readings,
        microclimate, rate, fc_true, truth, bias,
    )  # fmt: skip


def _spoil(readings: Floats, flagged: float, spikes: float, stuck: float, rng: np.random.Generator) -> Floats:
    """Spikes, stuck spells and gaps; most bad readings have been flagged, so are missing."""
    count, days = readings.shape
    out, bad = readings.copy(), np.zeros(readings.shape, dtype=bool)
    spike = rng.random(out.shape) < spikes
    out = np.where(spike, out + rng.choice([-1, 1], out.shape) * rng.uniform(0.05, 0.15, out.shape), out)
    bad |= spike
    for k in np.flatnonzero(rng.random(count) < stuck):
        start, length = rng.integers(0, days - 5), rng.integers(5, 15)
        out[k, start : start + length] = out[k, start]
        bad[k, start + 1 : start + length] = True
    out[(bad & (rng.random(out.shape) < flagged)) | (rng.random(out.shape) < 0.03)] = np.nan
    return out


class _Soil:
    """Two layers of every spot, (Z, spots, 2) [mm] above wilting point."""

    def __init__(self, fc: Floats, wp: Floats, root: Floats) -> None:
        self.thick = (1000 * root / 2)[:, None, None]
        self.full, self.wp = (fc - wp)[:, None, None] * self.thick, wp[:, None, None]
        self.store = np.repeat(np.repeat(0.85 * self.full, SPOTS, axis=1), 2, axis=2)

    @property
    def moisture(self) -> Floats:
        return self.store / self.thick + self.wp

    def mean(self) -> Floats:
        """Root-zone moisture of the zone, the mean of its spots [m3/m3]."""
        return self.moisture.mean(axis=(1, 2))

    def step(self, water: Floats, demand: Floats) -> None:
        """Four hours: water in at the top, excess down with a time constant of 12 h, roots pull from both layers."""
        full = self.full[:, :, 0]
        up, low = self.store[:, :, 0] + water, self.store[:, :, 1]
        down = np.maximum(up - full, 0) * (1 - np.exp(-4 / 4.0))  # the upper layer passes water on faster
        up, low = up - down, low + down
        low = low - np.maximum(low - full, 0) * (1 - np.exp(-4 / 12.0))
        level = 0.03 * (up - low)  # slow evening out between the layers
        up, low = up - level, low + level
        ease = [np.clip(store / full / 0.5, 0, 1) ** 0.8 for store in (up, low)]
        pull = [ROOTS[0] * ease[0], ROOTS[1] * ease[1]]
        met = np.minimum(1.0, 1.15 * (pull[0] + pull[1]))  # wet layers make up in part for dry ones
        for store, share in ((up, pull[0]), (low, pull[1])):
            store -= np.minimum(demand * met * share / np.maximum(pull[0] + pull[1], 1e-9), store)
        self.store = np.stack([up, low], axis=2)
