"""Everything one plan needs, as arrays in SI units, checked once on construction.

Time order of night `n`: the state at opening time, then the night's water, then ET and rain of the following
date. Depletion `D[n]` is the one at the end of that date, so `D[-1]` is the state at tonight's opening.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from models.choices import PRICES
from models.hydraulics import M3_OF_LPS_MINUTE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SMALLEST_WEIGHT = 1e-3  # of the main weather beside its members [-]


@dataclass(frozen=True)
class Cut:
    """A drought order that limits the water of some zones: a share of their ET demand, or a volume.

    Parameters
    ----------
    name : str              What the order is called where it binds.
    zones : ndarray (Z,)    True for the zones under the order.
    volume : ndarray (N,)   Most water from night `since` up to and including night n [m3], inf = no limit there.
    since : int             First night that counts, tonight if not given.
    base : ndarray (N,), optional    What the share is taken of, up to each night [m3]; for the record only.
    spent : ndarray (N,), optional   Used of it before tonight [m3]; for the record only.
    """

    name: str
    zones: Bools
    volume: Floats
    since: int = 0
    base: Floats | None = None
    spent: Floats | None = None


@dataclass(frozen=True)
class Tier:
    """Water beyond a step of the allocation, at a price.

    Parameters
    ----------
    above : float   Volume over the horizon at which the tier begins [m3].
    price : float   Added price of each further cubic metre [per m3].
    """

    above: float
    price: float


@dataclass(frozen=True)
class Members:
    """Other weathers that may come beside the main one, S of them; tonight is the same in all.

    Parameters
    ----------
    weight : ndarray (S,)               Probability of each [-]; what they leave of 1 is that of the main weather.
    etc : ndarray (S, Z, N)             Unstressed ET of the date after night n [mm].
    effective_rain : ndarray (S, Z, N)  Rain of that date that enters the soil [mm].
    """

    weight: Floats
    etc: Floats
    effective_rain: Floats


@dataclass(frozen=True)
class RunColumns:
    """The run times that may be chosen: one entry for each zone, night, block and supply that is allowed.

    All arrays have shape (X,) and are ordered by zone, then night, then block, then supply. `first` (Z N + 1,) gives
    the span of each zone-night: its entries are `first[c]` to `first[c + 1] - 1` with `c = z N + n`. `weather` (X,) is
    the weather a run is chosen for, -1 where it is the same in all. `twin` and `twin_run` name zone-nights that are
    watered by runs of another root zone, that of the same zone in the main weather, and these.
    """

    zone: Ints
    night: Ints
    block: Ints
    supply: Ints
    first: Ints
    weather: Ints
    twin: Ints
    twin_run: Ints

    @property
    def cell(self) -> Ints:
        """Zone-night index c = z N + n of each entry, shape (X,)."""
        return np.repeat(np.arange(self.first.size - 1), np.diff(self.first))


@dataclass(frozen=True)
class PlanInputs:
    """Arrays of one plan over Z zones, N nights, B tariff blocks, K supplies and W sources.

    Parameters
    ----------
    etc : ndarray (Z, N)              Unstressed ET of the date after night n [mm].
    effective_rain : ndarray (Z, N)   Rain of that date that enters the soil [mm].
    taw : ndarray (Z,)                Total available water [mm].
    raw : ndarray (Z, N)              Readily available water [mm], 0 < RAW < TAW.
    dry_limit : ndarray (Z, N)        Depletion above which the turf counts as dry [mm], 0 < limit < TAW.
    wet_limit : ndarray (Z, N)        Depletion below which the surface is too soft after watering [mm], < dry limit.
    depletion : ndarray (Z,)          Depletion at tonight's opening [mm], 0 to TAW.
    net_rate : ndarray (Z,)           Depth reaching the part of the zone it is watered for [mm/min].
    flow : ndarray (Z,)               Flow of a running zone [L/s].
    area : ndarray (Z,)               Watered area [m2].
    max_run : ndarray (Z,)            Longest run in one night [min].
    priority : ndarray (Z,)           Rank, 1 is served first [-].
    wet_weight : ndarray (Z, N)       Weight of softness, 1 is ordinary, more around events [-].
    block_length : ndarray (N, B)     Length of each tariff block [min], 0 = not there.
    energy_price : ndarray (N, B)     Price of energy in the block [per kWh].
    allowed : ndarray (Z, N, B)       Whether the zone may run in the block.
    pump_of_zone : ndarray (Z,)       Pump of each zone, -1 = none.
    pump_capacity : ndarray (P,)      [L/s].
    pump_energy : ndarray (P,)        Energy for one cubic metre [kWh/m3].
    branch_of_zone : ndarray (Z,)     Branch of each zone, -1 = none.
    branch_capacity : ndarray (R,)    [L/s].
    controller_of_zone : ndarray (Z,) Controller of each zone, -1 = none.
    stations_at_once : ndarray (C,)   Stations a controller can run at once, inf = no limit [-].
    zone_supply : ndarray (Z, K)      Supplies open to each zone; a supply is a source or a fixed blend.
    supply_share : ndarray (K, W)     Share of each source in each supply [-], rows sum to 1.
    source_price : ndarray (W,)       Price of water [per m3].
    source_daily : ndarray (W,)       Most water of a source in one night [m3], inf = no limit.
    source_monthly : ndarray (W, M)   Water left to a source in each calendar month of the horizon [m3].
    month_of_night : ndarray (N,)     Column of `source_monthly` each night belongs to.
    allocation : float                Most water over the horizon [m3], inf = no limit; hard.
    tiers : tuple of Tier             Steps of the allocation beyond which water costs more, rising.
    cuts : tuple of Cut               Drought orders that limit water.
    pump_share : ndarray (P, N), optional    Share of each pump's capacity there is on each night [-]; all if not given.
    source_open : ndarray (W, N), optional   Whether each source is there on each night; always if not given.
    price_of_a_run : float            What one run less is worth in water [mm].
    caution : float                   Worth of turf in weathers that only may come, against the ordinary [-].
    standing : ndarray (Z,), optional Run time tonight that stands in a controller a person keys in [min], 0 = none;
                                      nowhere if not given.
    price_of_change : float           Running a millimetre more or less than what stands, in water [mm].
    tail : ndarray (Z,), optional     Weight of the driest fifth of weathers in each zone's dryness [-]; 0 if not given.
    members : Members, optional       Other weathers; the arrays above are then those of the main one.
    weather : ndarray (Z,), optional  Only of root zones spread over weathers: the weather of each, 0 the main one, -1
                                      where the zone is planned for the main one alone.
    tonight_of : ndarray (Z,), optional   The same: root zone whose run times tonight each has.

    Raises
    ------
    ValueError
        A shape, a sign, an order or a finiteness the text above promises does not hold; the message names the argument.
    """

    etc: Floats
    effective_rain: Floats
    taw: Floats
    raw: Floats
    dry_limit: Floats
    wet_limit: Floats
    depletion: Floats
    net_rate: Floats
    flow: Floats
    area: Floats
    max_run: Floats
    priority: Ints
    wet_weight: Floats
    block_length: Floats
    energy_price: Floats
    allowed: Bools
    pump_of_zone: Ints
    pump_capacity: Floats
    pump_energy: Floats
    branch_of_zone: Ints
    branch_capacity: Floats
    controller_of_zone: Ints
    stations_at_once: Floats
    zone_supply: Bools
    supply_share: Floats
    source_price: Floats
    source_daily: Floats
    source_monthly: Floats
    month_of_night: Ints
    allocation: float = np.inf
    tiers: tuple[Tier, ...] = field(default=())
    cuts: tuple[Cut, ...] = field(default=())
    pump_share: Floats | None = None
    source_open: Bools | None = None
    price_of_a_run: float = 1.0
    caution: float = 1.0
    standing: Floats | None = None
    price_of_change: float = 0.0
    tail: Floats | None = None
    members: Members | None = None
    weather: Ints | None = None
    tonight_of: Ints | None = None

    def __post_init__(self) -> None:
        """Check shapes, finiteness and ranges."""
        _check_shapes(self)
        _check_ranges(self)

    @property
    def zones(self) -> int:
        """Number of zones Z."""
        return int(self.etc.shape[0])

    @property
    def nights(self) -> int:
        """Number of nights N."""
        return int(self.etc.shape[1])

    @property
    def blocks(self) -> int:
        """Number of tariff blocks B."""
        return int(self.block_length.shape[1])

    @cached_property
    def runs(self) -> RunColumns:
        """The run times that may be chosen."""
        open_blocks = self.allowed & (self.block_length[None] > 0)
        choice = open_blocks[:, :, :, None] & self.zone_supply[:, None, None, :]
        own = np.arange(self.zones)
        tonight_of = own if self.tonight_of is None else self.tonight_of
        twins = np.flatnonzero(tonight_of != own)
        choice[twins, 0] = False
        zone, night, block, supply = np.nonzero(choice)
        counts = choice.reshape(self.zones * self.nights, -1).sum(axis=1)
        first = np.concatenate(([0], np.cumsum(counts)))
        begins, ends = first[tonight_of[twins] * self.nights], first[tonight_of[twins] * self.nights + 1]
        length = ends - begins
        within = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length, length)
        weather = np.full(zone.size, -1) if self.weather is None else np.where(night == 0, -1, self.weather[zone])
        return RunColumns(
            zone,
            night,
            block,
            supply,
            first,
            weather,
            np.repeat(twins * self.nights, length),
            np.repeat(begins, length) + within,
        )

    @cached_property
    def pump_nightly(self) -> Floats:
        """Capacity of each pump on each night, shape (P, N) [L/s]."""
        every = np.repeat(self.pump_capacity[:, None], self.nights, axis=1)
        if self.pump_share is None:
            return every
        return np.multiply(every, self.pump_share, where=self.pump_share > 0, out=np.zeros(every.shape))

    @cached_property
    def source_nightly(self) -> Floats:
        """Most water of each source on each night, shape (W, N) [m3], inf = no limit."""
        daily = np.repeat(self.source_daily[:, None], self.nights, axis=1)
        return daily if self.source_open is None else np.where(self.source_open, daily, 0.0)

    @cached_property
    def water_per_minute(self) -> Floats:
        """Gross water of a running zone, shape (Z,) [m3/min]."""
        return self.flow * M3_OF_LPS_MINUTE

    @cached_property
    def net_share(self) -> Floats:
        """Share of the gross depth that reaches the part it is watered for, shape (Z,) [-]."""
        gross_rate = self.water_per_minute / self.area * 1000.0
        return np.asarray(self.net_rate / gross_rate, dtype=np.float64)


def _check_shapes(inputs: PlanInputs) -> None:
    """Raise ValueError naming the first argument whose shape is not the promised one."""
    if inputs.etc.ndim != 2 or 0 in inputs.etc.shape:
        raise ValueError(f"etc: shape {inputs.etc.shape}; (Z, N) with at least one zone and one night is needed")
    z, n = inputs.etc.shape
    b = inputs.block_length.shape[1] if inputs.block_length.ndim == 2 else -1
    k, w = inputs.supply_share.shape if inputs.supply_share.ndim == 2 else (-1, -1)
    months = inputs.source_monthly.shape[1] if inputs.source_monthly.ndim == 2 else -1
    expected: dict[str, tuple[int, ...]] = {
        **dict.fromkeys(("effective_rain", "raw", "dry_limit", "wet_limit", "wet_weight"), (z, n)),
        **dict.fromkeys(("taw", "depletion", "net_rate", "flow", "area", "max_run", "priority"), (z,)),
        **dict.fromkeys(("pump_of_zone", "branch_of_zone", "controller_of_zone"), (z,)),
        **dict.fromkeys(("block_length", "energy_price"), (n, b)),
        "allowed": (z, n, b),
        "pump_energy": inputs.pump_capacity.shape,
        "zone_supply": (z, k),
        **dict.fromkeys(("source_price", "source_daily"), (w,)),
        "source_monthly": (w, months),
        "month_of_night": (n,),
    }
    for name, shape in expected.items():
        found = getattr(inputs, name).shape
        if found != shape:
            raise ValueError(f"{name}: shape {found}; {shape} is needed")
    for name, value, rows in (
        ("pump_share", inputs.pump_share, inputs.pump_capacity.size),
        ("source_open", inputs.source_open, w),
    ):
        if value is not None and value.shape != (rows, n):
            raise ValueError(f"{name}: shape {value.shape}; {(rows, n)} is needed")
    for name, by_zone in (("tail", inputs.tail), ("standing", inputs.standing)):
        if by_zone is not None and by_zone.shape != (z,):
            raise ValueError(f"{name}: shape {by_zone.shape}; {(z,)} is needed")
    if inputs.members is not None:
        members = inputs.members
        for name in ("etc", "effective_rain"):
            if getattr(members, name).shape != (members.weight.size, z, n):
                raise ValueError(f"members: {name}: shape (S, Z, N) = {(members.weight.size, z, n)} is needed")
    for cut in inputs.cuts:
        if cut.zones.shape != (z,) or cut.volume.shape != (n,):
            raise ValueError(f"cuts: {cut.name!r} needs zones of shape {(z,)} and volume of shape {(n,)}")
        if not 0 <= cut.since < n:
            raise ValueError(f"cuts: {cut.name!r}: since must be a night, 0 to {n - 1}")


_FINITE = (
    "etc effective_rain taw raw dry_limit wet_limit depletion net_rate flow area max_run wet_weight "
    "block_length energy_price pump_energy supply_share source_price"
).split()
_NOT_NEGATIVE = (
    "etc effective_rain wet_limit depletion max_run wet_weight block_length pump_capacity pump_energy "
    "branch_capacity stations_at_once source_daily source_monthly supply_share source_price"
).split()
_POSITIVE = ("taw", "raw", "dry_limit", "net_rate", "flow", "area")


def _check_ranges(inputs: PlanInputs) -> None:
    """Raise ValueError naming the first argument with a value outside its promised range."""
    for name in _FINITE:
        if not np.isfinite(getattr(inputs, name)).all():
            raise ValueError(f"{name}: every value must be finite")
    for name in _NOT_NEGATIVE:
        if not (getattr(inputs, name) >= 0).all():
            raise ValueError(f"{name}: every value must be 0 or above")
    for name in _POSITIVE:
        if not (getattr(inputs, name) > 0).all():
            raise ValueError(f"{name}: every value must be above 0")
    if inputs.members is not None:
        members = inputs.members
        for name in ("weight", "etc", "effective_rain"):
            value = getattr(members, name)
            if not (np.isfinite(value).all() and (value >= 0).all()):
                raise ValueError(f"members: {name}: every value must be finite and 0 or above")
        if not (members.weight > 0).all() or members.weight.sum() > 1.0 - SMALLEST_WEIGHT:
            raise ValueError("members: weights must be above 0 and leave some to the main weather")
    taw = inputs.taw[:, None]
    rules = {
        "raw: must be below TAW": (inputs.raw < taw).all(),
        "dry_limit: must be below TAW": (inputs.dry_limit < taw).all(),
        "wet_limit: must be below the dry limit": (inputs.wet_limit < inputs.dry_limit).all(),
        "depletion: must not pass TAW": (inputs.depletion <= inputs.taw + 1e-9).all(),
        "priority: ranks begin at 1": (inputs.priority >= 1).all(),
        "supply_share: each row must sum to 1": np.allclose(inputs.supply_share.sum(axis=1), 1.0, atol=1e-9),
        "allocation: must be 0 or above": inputs.allocation >= 0,
        "price_of_a_run: must be 0 or above": inputs.price_of_a_run >= 0,
        "caution: must be above 0": inputs.caution > 0,
        "price_of_change: must be 0 or above, below dryness": 0 <= inputs.price_of_change < PRICES.turf,
        "standing: 0 or above is allowed": inputs.standing is None
        or bool((np.isfinite(inputs.standing) & (inputs.standing >= 0)).all()),
        "tail: 0 or above is allowed": inputs.tail is None or bool((inputs.tail >= 0).all()),
        "tiers: must rise in volume and price": _rising(inputs.tiers),
        "pump_share: 0 or above is allowed": inputs.pump_share is None or (inputs.pump_share >= 0).all(),
        "cuts: every volume must be 0 or above": all((cut.volume >= 0).all() for cut in inputs.cuts),
    }
    for message, holds in rules.items():
        if not holds:
            raise ValueError(message)
    for name, index, size in (
        ("pump_of_zone", inputs.pump_of_zone, inputs.pump_capacity.size),
        ("branch_of_zone", inputs.branch_of_zone, inputs.branch_capacity.size),
        ("controller_of_zone", inputs.controller_of_zone, inputs.stations_at_once.size),
        ("month_of_night", inputs.month_of_night, inputs.source_monthly.shape[1]),
    ):
        lowest = 0 if name == "month_of_night" else -1
        if ((index < lowest) | (index >= size)).any():
            raise ValueError(f"{name}: every index must be {lowest} to {size - 1}")


def _rising(tiers: tuple[Tier, ...]) -> bool:
    """Whether the tiers begin later and cost more one after another, so that their sum is convex."""
    above = [t.above for t in tiers]
    price = [t.price for t in tiers]
    known = all(np.isfinite(v) and v >= 0 for v in (*above, *price))
    return known and above == sorted(above) and price == sorted(price)
