"""Kin: zones of which one tells something of another, and how what is unknown about them is shared.

To the filter all zones of a surface are kin, whatever their soil: one gauge, one ET and one make of sprinkler are wrong
alike for them; those of one exposure share more of their demand. Learning also tells grounds apart (surface, soil and
exposure).

A member is a zone's mean or one spot of a zone where a probe stands. What is unknown of a member is the sum of a kin
effect, an effect of its own zone, and, for a spot, an effect of the spot: a probe sees the water its spot catches,
which is not the zone's mean.

Blocks are what makes 2,400 zones cheap: zones that are not kin are independent, so each block holds a dense covariance.
Kin too many for one block are dealt out over several, the probed ones evenly; nothing passes between those.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.uneven_catch import place_catch

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LARGEST_BLOCK = 75  # [zones] of one dense covariance; with probes dealt evenly more would add little (no source)
ROOT_QUARTERS = (1.6, 1.2, 0.8, 0.4)  # [-] uptake by quarter of the root depth / mean; FAO-29's 40-30-20-10 (memory)
LAYER_CONTRAST = 0.5  # [-] of that contrast left in moisture at evening: water moves between layers (no source)
BUCKET = 1e-6  # [-] of TAW: a scale of drainage at which what passes field capacity is gone at once
QUARTER_CV = 1.27  # [-] DU_LQ = 1 - 1.27 CV of a normal catch: the mean of its lowest quarter. Computed


@dataclass(frozen=True)
class EstimationZones:
    """What the estimate must know of every zone, arrays (Z,).

    Attributes
    ----------
    kin : ndarray of int                         Group of kin, from `kin_groups`.
    taw, field_capacity, root_depth : ndarray    TAW [mm], above 0; FC [m3/m3]; root depth [m], above 0.
    du_lq : ndarray                              Distribution uniformity [-], above 0, to 1.
    drainage : ndarray, optional                 Scale of drainage L [mm], above 0; without it, what passes field
                                                 capacity drains at once.
    exposure : ndarray of int, optional          Number of its exposure: kin of one exposure share more of their
                                                 demand. All kin have one, if not given.
    ground : ndarray of int, optional            Number of its soil as told: what it holds and how it swings at a depth
                                                 is wrong alike at all sensors of one. None share that, if not given.
    """

    kin: IntArray
    taw: FloatArray
    field_capacity: FloatArray
    root_depth: FloatArray
    du_lq: FloatArray
    drainage: FloatArray | None = None
    exposure: IntArray | None = None
    ground: IntArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        shape = np.shape(self.kin)
        if len(shape) != 1:
            raise ValueError(f"kin must have shape (Z,); got {shape}")
        for name in ("exposure", "ground"):
            if getattr(self, name) is not None and np.shape(getattr(self, name)) != shape:
                raise ValueError(f"{name} must have shape {shape}; got {np.shape(getattr(self, name))}")
        for name in ("taw", "field_capacity", "root_depth", "du_lq", "drainage"):
            if name == "drainage" and self.drainage is None:
                continue
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != shape:
                raise ValueError(f"{name} must have shape {shape}; got {value.shape}")
            if not np.all(np.isfinite(value)) or np.any(value <= 0):
                raise ValueError(f"{name} must be finite and above 0")
        if np.any(np.asarray(self.du_lq) > 1):
            raise ValueError("du_lq must be at most 1")


@dataclass(frozen=True)
class EstimationProbes:
    """Where the sensors stand, arrays (K,); several at one spot are those of one probe with several depths.

    Attributes
    ----------
    zone : ndarray of int                        Row of the zone.
    depth : ndarray                              Depth [m]; NaN = the reading is the root-zone mean already.
    spot : ndarray of int                        Label of the spot within the zone; same zone and label, same spot.
    joined : ndarray, optional                   Sensors whose mean the reading is [-], 1 if not given: their biases and
                                                 noise even out as those of independent ones.
    """

    zone: IntArray
    depth: FloatArray
    spot: IntArray
    joined: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        shape = np.shape(self.zone)
        if len(shape) != 1 or np.shape(self.depth) != shape or np.shape(self.spot) != shape:
            raise ValueError("zone, depth and spot must have one shape (K,)")
        if np.any(np.asarray(self.depth) < 0) or np.any(np.isinf(self.depth)):
            raise ValueError("depth must not be negative; NaN for a root-zone mean")
        if self.joined is not None and (np.shape(self.joined) != shape or np.any(np.asarray(self.joined) < 1)):
            raise ValueError("joined must have shape (K,) and be 1 or more")

    @property
    def evened(self) -> FloatArray:
        """Share of one sensor's variance that is left in each reading [-], (K,)."""
        return np.ones(np.shape(self.zone)) if self.joined is None else 1.0 / np.asarray(self.joined, dtype=float)


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of what is not known: no source; set on the simulated course of the tests (seeds 1 to 12).

    `bias`, `layer_gain` and `level` are those of soils that are no buckets: set on tests/physics, soils for tuning.

    Factors are natural logarithms [-], per day errors are shares of the day's amount [-].
    """

    microclimate_kin: float = 0.12
    microclimate_exposure: float = 0.06
    microclimate_own: float = 0.08
    rate_kin: float = 0.06
    rate_own: float = 0.09
    spot_catch: float = 0.9  # of the catch's CV left at a spot of the root zone's size
    spot_microclimate: float = 0.02
    demand_kin: float = 0.06
    demand_own: float = 0.04
    rain_kin: float = 0.12
    rain_own: float = 0.08
    night: float = 0.05
    undrained: float = 0.15  # of the day's drainage, still in the root zone at evening
    balance: float = 0.015  # of TAW a day without water: mass is kept, little is missed
    wetted: float = 0.04  # of TAW a day with water or on its way down: some spots drain before others are full
    stress: float = 0.2  # of the day's demand, where stress cuts it: no stress curve is sure
    patchy: float = 0.4  # of the catch's CV, of TAW: how far spots of a zone differ in depletion
    patchy_spot: float = 0.03  # of TAW: the same within a probe's spot
    field_capacity: float = 0.007  # [m3/m3] of zones of one soil around their mean
    bias: float = 0.05  # [m3/m3] a sensor's level over FC as told: its own offset, and what its profile holds
    bias_drift: float = 0.002  # [m3/m3 per square root of a day]
    layer_gain: float = 0.35  # log of a layer's swing over what the roots' pattern gives: layers, perched water
    alike: float = 0.5  # [-] of the variances of `bias` and `layer_gain`, shared by all sensors of one ground
    joined_gain: float = 0.2  # log of the same of the mean of two layers: what lies near the top swings more
    unsure: float = 1.8  # of the filter's own spread of depletion: errors last longer than its steps take them to
    level: float = 0.05  # of TAW: how far the level of depletion is unsure, since no profile holds just what was told
    drains_on: float = 0.8  # of the scale of drainage L: soils that are never filled go on draining for weeks
    uneven: float = 0.4  # of how far apart the places of a zone stand: its DU is told to a fifth of what it lacks of 1
    reading: float = 0.010  # [m3/m3] noise of an evening reading with what a layer strays
    factor_drift: float = 0.01  # a day, of the spread a factor began with

    def __post_init__(self) -> None:
        """Refuse what is no standard deviation."""
        for name, value in vars(self).items():
            if not np.isfinite(value) or value < 0:
                raise ValueError(f"{name} must be finite and not negative")
        if self.reading <= 0:
            raise ValueError("reading must be above 0")


@dataclass(frozen=True)
class Block:
    """Members and sensors whose errors hang together, with their priors; n members, k sensors.

    Attributes
    ----------
    member, sensor : ndarray of int              Rows of members (n,), of sensors (k,).
    same_zone : ndarray                          1 where two members belong to one zone, (n, n).
    microclimate, rate : ndarray                 Prior covariance of the log factors, (n, n).
    bias, gain : ndarray                         Prior covariance of the sensors' levels and log layer gains, (k, k).
    at : ndarray of int                          Position in the block of each sensor's spot, (k,).
    """

    member: IntArray
    sensor: IntArray
    same_zone: FloatArray
    microclimate: FloatArray
    rate: FloatArray
    bias: FloatArray
    gain: FloatArray
    at: IntArray


@dataclass(frozen=True)
class Setup:
    """Everything about a course that does not change from day to day.

    Members are the Z zones followed by the spots, M in all. `member_zone` (M,) gives their zone, `sensor_member` (K,)
    the spot of each sensor, `gain` (K,) the swing of a sensor's layer over that of the root zone [-], `patchiness` (M,)
    the standard deviation of depletion within a member [mm].
    """

    zones: EstimationZones
    probes: EstimationProbes
    spreads: Spreads
    member_zone: IntArray
    sensor_member: IntArray
    gain: FloatArray
    patchiness: FloatArray
    blocks: tuple[Block, ...] = field(repr=False)

    @cached_property
    def drainage(self) -> FloatArray:
        """Scale of drainage of each member (M,) [mm]; next to nothing where water stops at field capacity."""
        scale = BUCKET * self.zones.taw if self.zones.drainage is None else self.zones.drainage
        return np.asarray(scale, dtype=np.float64)[self.member_zone]

    @cached_property
    def catch(self) -> FloatArray:
        """What the places of each member catch over its mean, less 1 (M, 3) [-]: of zones DU_LQ, 1 and 2 - DU_LQ."""
        du_lq = np.asarray(self.zones.du_lq, dtype=np.float64)[self.member_zone]
        du_lq[self.zone_count :] = 1.0  # a spot is one place
        return place_catch(du_lq) - 1.0

    @property
    def zone_count(self) -> int:
        """Z."""
        return int(np.size(self.zones.kin))

    @property
    def sensor_count(self) -> int:
        """K."""
        return int(np.size(self.probes.zone))


def kin_groups(surface: Sequence[str], soil: Sequence[str], exposure: Sequence[str]) -> IntArray:
    """Number the groups of zones with the same surface, soil and exposure.

    Parameters
    ----------
    surface, soil, exposure : sequence of str, shape (Z,)

    Returns
    -------
    ndarray of int, shape (Z,)                   Group of each zone, 0 up in order of first appearance.

    Raises
    ------
    ValueError                                   Lengths differ.
    """
    if not len(surface) == len(soil) == len(exposure):
        raise ValueError("surface, soil and exposure must have one length")
    seen: dict[tuple[str, str, str], int] = {}
    return np.array([seen.setdefault(key, len(seen)) for key in zip(surface, soil, exposure, strict=True)], dtype=int)


def layer_gain(depth: FloatArray, root_depth: FloatArray) -> FloatArray:
    """Swing of a layer's moisture over that of the root zone's mean, from the pattern of root uptake.

    Parameters
    ----------
    depth : ndarray, shape (K,)                  Depth of the sensor [m]; NaN = root-zone mean; below the roots counts
                                                 as their lower end.
    root_depth : ndarray, shape (K,)             Root depth at the sensor [m].

    Returns
    -------
    ndarray, shape (K,)                          Gain [-], 1 for a root-zone mean. Source: FAO-29's 40-30-20-10 pattern
                                                 (memory), half of its contrast (no source).
    """
    centre = np.interp(depth / root_depth, [0.125, 0.375, 0.625, 0.875], ROOT_QUARTERS)
    return np.asarray(np.where(np.isnan(depth), 1.0, 1 + LAYER_CONTRAST * (centre - 1)))


def prepare(zones: EstimationZones, probes: EstimationProbes, spreads: Spreads | None = None) -> Setup:
    """Lay out members and blocks.

    Parameters
    ----------
    zones : EstimationZones
    probes : EstimationProbes                    May be empty.
    spreads : Spreads, optional

    Returns
    -------
    Setup

    Raises
    ------
    ValueError                                   A probe in a zone that does not exist.
    """
    spreads = spreads or Spreads()
    count = int(np.size(zones.kin))
    if np.any(probes.zone < 0) or np.any(probes.zone >= count):
        raise ValueError(f"zone of a probe must lie in 0 to {count - 1}")
    places, which = np.unique(np.column_stack([probes.zone, probes.spot]).astype(int), axis=0, return_inverse=True)
    member_zone = np.concatenate([np.arange(count), places[:, 0]]).astype(int)
    sensor_member = (count + which.ravel()).astype(int)
    parts = _parts(np.asarray(zones.kin), np.bincount(probes.zone, minlength=count) > 0)
    part_of_member = parts[member_zone]
    blocks = tuple(
        _block(np.flatnonzero(part_of_member == part), zones, probes, spreads, member_zone, sensor_member)
        for part in range(int(parts.max(initial=-1)) + 1)
    )
    gain = layer_gain(np.asarray(probes.depth, dtype=float), np.asarray(zones.root_depth)[probes.zone])
    share = np.full(member_zone.size, spreads.patchy_spot)
    share[:count] = spreads.patchy * (1 - np.asarray(zones.du_lq)) / QUARTER_CV
    patchiness = share * np.asarray(zones.taw)[member_zone]
    return Setup(zones, probes, spreads, member_zone, sensor_member, gain, patchiness, blocks)


def _parts(kin: IntArray, probed: NDArray[np.bool_]) -> IntArray:
    """Number the blocks of zones, (Z,): a group of kin, or an even deal of one that is too large."""
    part, next_part = np.empty(kin.size, dtype=int), 0
    for group in np.unique(kin):
        rows = np.flatnonzero(kin == group)
        pieces = -(-rows.size // LARGEST_BLOCK)
        rows = rows[np.argsort(~probed[rows], kind="stable")]
        part[rows] = next_part + np.arange(rows.size) % pieces
        next_part += pieces
    return part


def _block(
    member: IntArray,
    zones: EstimationZones,
    probes: EstimationProbes,
    spreads: Spreads,
    member_zone: IntArray,
    sensor_member: IntArray,
) -> Block:
    zone = member_zone[member]
    is_spot = member >= np.size(zones.kin)
    same_zone = (zone[:, None] == zone[None, :]).astype(float)
    uneven = spreads.spot_catch * (1 - np.asarray(zones.du_lq)[zone]) / QUARTER_CV
    exposure = np.zeros(zone.size) if zones.exposure is None else np.asarray(zones.exposure)[zone]
    alike = (exposure[:, None] == exposure[None, :]).astype(float)
    microclimate = spreads.microclimate_kin**2 + spreads.microclimate_exposure**2 * alike
    microclimate = microclimate + spreads.microclimate_own**2 * same_zone
    microclimate = microclimate + np.diag(np.where(is_spot, spreads.spot_microclimate**2, 0.0))
    rate = spreads.rate_kin**2 + spreads.rate_own**2 * same_zone + np.diag(np.where(is_spot, uneven**2, 0.0))
    sensor = np.flatnonzero(np.isin(sensor_member, member))
    at = np.searchsorted(member, sensor_member[sensor])
    gain = np.eye(sensor.size)
    relative = np.asarray(probes.depth)[sensor] / np.asarray(zones.root_depth)[probes.zone[sensor]]
    for place in np.unique(at):
        here = np.flatnonzero(at == place)
        if (
            here.size > 1 and np.ptp(relative[here]) > 0.3
        ):  # layers of one root zone: one swings more where one does less
            gain[np.ix_(here, here)] -= 0.8 / here.size
    bias = np.diag(probes.evened[sensor])
    if zones.ground is not None:
        ground = np.asarray(zones.ground)[probes.zone[sensor]]
        shared = spreads.alike * (ground[:, None] == ground[None, :])
        bias, gain = ((1.0 - spreads.alike) * own + shared for own in (bias, gain))
    swings = np.where(np.isnan(relative), np.where(probes.evened[sensor] < 1.0, spreads.joined_gain, 0.0),
                      spreads.layer_gain)  # fmt: skip
    gain = gain * swings[:, None] * swings[None, :]
    return Block(member, sensor, same_zone, microclimate, rate, spreads.bias**2 * bias, gain, at)
