"""What the packer is given: `NightJob`.

The night is packed on a grid of whole seconds. The grid step is the largest that divides a minute and every
controller resolution, but never below 6 s (0.1 min): a finer step changes no turf and makes the search long.
Controllers with a finer resolution are given run times in multiples of `planning_resolution`. Controllers that count
in minutes also start on whole minutes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import gcd

import numpy as np
from numpy.typing import NDArray

FINEST_GRID_S = 6  # [s] 0.1 min
NANO = 1_000_000  # [-] flows are packed as whole 1e-6 L/s, so adding and taking away leaves no round-off

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def planning_resolution(resolution_s: FloatArray) -> FloatArray:
    """Step of run times to plan with, for controllers of the given resolution.

    Parameters
    ----------
    resolution_s : ndarray, shape (Z,)   Controller resolution [s], whole seconds > 0.

    Returns
    -------
    ndarray, shape (Z,)                  Step [min]: the resolution; where it is finer than a minute and does not divide
                                         evenly, its smallest multiple in whole 6 s steps.

    Raises
    ------
    ValueError                           A resolution is not a whole number of seconds above 0.

    Examples
    --------
    >>> planning_resolution(np.array([1.0, 15.0, 30.0, 60.0, 120.0])).tolist()
    [0.1, 0.25, 0.5, 1.0, 2.0]
    """
    seconds = np.rint(resolution_s).astype(np.int64)
    if np.any(seconds <= 0) or np.any(np.abs(seconds - resolution_s) > 1e-9):
        raise ValueError("resolution_s: must be whole seconds > 0")
    divides = (seconds >= FINEST_GRID_S) & (np.gcd(seconds, 60) >= FINEST_GRID_S)
    return np.where(divides, seconds, np.lcm(seconds, FINEST_GRID_S)) / 60.0


@dataclass(frozen=True)
class Standing:
    """Runs that stand before the others are packed, as those of programmes do: J runs, Z zones.

    Attributes
    ----------
    zone : ndarray of int, shape (J,)   Zone of each run; none of them has cycles to be packed.
    start, end : ndarray, shape (J,)    Minutes after 00:00 of the evening's date, on the grid of the night.
    left : ndarray, shape (Z,)          Minutes of such zones that found no place [min].
    reserved : tuple of Reserved        Capacity kept free whole: of what draws on it no run is counted twice.
    unsure : frozenset of int           Zones whose runs are only one way their controller may take; what they draw is
                                        in `reserved`.
    """

    zone: IntArray
    start: FloatArray
    end: FloatArray
    left: FloatArray
    reserved: tuple["Reserved", ...] = ()
    unsure: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Reserved:
    """Flow kept free from `start` to `end` [min] for what may run at any moment of it [L/s].

    Attributes
    ----------
    start, end : float             Minutes after 00:00 of the evening's date.
    pump : ndarray, shape (P,)     [L/s].
    branch : ndarray, shape (R,)   [L/s].
    """

    start: float
    end: float
    pump: FloatArray
    branch: FloatArray


@dataclass(frozen=True)
class NightJob:
    """One night to pack. K cycles, Z zones, P pumps, R branches, C controllers, W window pieces, B tariff blocks.

    Attributes
    ----------
    cycle_zone : ndarray of int, shape (K,)     Zone of each cycle; the cycles of a zone stand in the order they run.
    cycle_minutes : ndarray, shape (K,)         Length [min], > 0, whole steps of the zone's resolution.
    soak : ndarray, shape (Z,)                  Rest between two cycles of the zone [min], >= 0.
    smallest_cycle : ndarray, shape (Z,)        Smallest useful cycle [min], >= 0; a run is split no finer than this.
    resolution : ndarray, shape (Z,)            Step of run times [min], from `planning_resolution`.
    flow : ndarray, shape (Z,)                  Flow of the zone while it runs [L/s], >= 0.
    pump, branch, controller : ndarray of int, shape (Z,)   Index, -1 where there is none.
    pump_capacity : ndarray, shape (P,)         [L/s], inf = no limit.
    pump_ramp : ndarray, shape (P,)             Largest change of flow within one minute [L/s], inf = no limit.
    pump_smallest : ndarray, shape (P,)         Smallest flow while running [L/s], 0 = none. Soft: kept where it can be.
    branch_capacity : ndarray, shape (R,)       [L/s], inf = no limit.
    stations_at_once : ndarray, shape (C,)      [-], inf = no limit.
    pieces : ndarray, shape (W, 2)              Start and end of the window's pieces [min], in order, not overlapping.
    blocks : ndarray, shape (B, 2)              Start and end of the tariff blocks [min]; together they cover the
                                                pieces.
    allowed : ndarray of bool, shape (Z, B), optional       Blocks in which the zone may run; None = all.
    finish_rank : ndarray of int, shape (Z,), optional      0 finishes last, nearest to the close; then 1, 2 ... Soft.
                                                What finds no place is of the highest numbers.
    finish_by : ndarray, shape (Z,), optional   Time to be done by, as before mowing [min], NaN = none. Soft.
    minutes_by_block : ndarray, shape (Z, B), optional      Run time the plan would have in each block [min]. Soft.
    block_price : ndarray, shape (B,), optional Energy price; blocks of equal price count as one for `minutes_by_block`.
    smallest_run : ndarray, shape (Z,), optional   Smallest run worth making [min]: with less the zone does not run.
    hold_finish : bool                          `finish_by` is held like the window; the packer tries that first.
    standing : Standing, optional               Runs that stand already: nothing moves them, the timetable holds them.
    held_starts : mapping of int to ndarray, optional   Starts that the cycles of a zone have in its controller already,
                                                in order [min after 00:00 of the evening's date]. Soft.
    step_s : int                                Whole seconds the grid step divides, as the pause between two stations.

    Raises
    ------
    ValueError                                  Naming the field, for a wrong shape, index or value.
    """

    cycle_zone: IntArray
    cycle_minutes: FloatArray
    soak: FloatArray
    smallest_cycle: FloatArray
    resolution: FloatArray
    flow: FloatArray
    pump: IntArray
    branch: IntArray
    controller: IntArray
    pump_capacity: FloatArray
    pump_ramp: FloatArray
    pump_smallest: FloatArray
    branch_capacity: FloatArray
    stations_at_once: FloatArray
    pieces: FloatArray
    blocks: FloatArray
    allowed: BoolArray | None = None
    finish_rank: IntArray | None = None
    finish_by: FloatArray | None = None
    minutes_by_block: FloatArray | None = None
    block_price: FloatArray | None = None
    smallest_run: FloatArray | None = None
    hold_finish: bool = False
    standing: Standing | None = None
    held_starts: Mapping[int, FloatArray] | None = None
    step_s: int = 60

    def __post_init__(self) -> None:
        """Check shapes, indices and ranges once."""
        _check_zones(self)
        _check_cycles(self)
        _check_limits(self)
        _check_times(self)

    @property
    def zones(self) -> int:
        """Number of zones Z [-]."""
        return int(self.flow.size)

    @cached_property
    def grid_s(self) -> int:
        """Grid step [s]: the largest that divides a minute and every resolution in use."""
        zones = np.unique(self.cycle_zone if self.standing is None else np.append(self.cycle_zone, self.standing.zone))
        used = np.unique(np.rint(self.resolution[zones] * 60.0)).astype(np.int64)
        return gcd(60, self.step_s, *(int(seconds) for seconds in used))

    @property
    def grid_min(self) -> float:
        """Grid step [min]."""
        return self.grid_s / 60.0

    def to_grid(self, minutes: FloatArray, rounding: str = "nearest") -> IntArray:
        """Minutes as grid steps, `rounding` "nearest", "up" or "down" (with a millionth of a step of grace)."""
        steps = np.asarray(minutes, dtype=np.float64) * 60.0 / self.grid_s
        if rounding == "up":
            return np.ceil(steps - 1e-6).astype(np.int64)
        if rounding == "down":
            return np.floor(steps + 1e-6).astype(np.int64)
        return np.rint(steps).astype(np.int64)

    def to_minutes(self, steps: IntArray) -> FloatArray:
        """Grid steps as minutes."""
        return np.asarray(steps, dtype=np.float64) * self.grid_s / 60.0

    @cached_property
    def whole_pieces(self) -> IntArray:
        """Window pieces in grid steps, shrunk inwards to the grid, touching ones joined, shape (W', 2)."""
        joined: list[list[int]] = []
        opens, closes = self.to_grid(self.pieces[:, 0], "up"), self.to_grid(self.pieces[:, 1], "down")
        for opening, closing in zip(opens.tolist(), closes.tolist(), strict=True):
            if closing <= opening:
                continue
            if joined and joined[-1][1] == opening:
                joined[-1][1] = closing
            else:
                joined.append([opening, closing])
        return np.array(joined, dtype=np.int64).reshape(-1, 2)

    @cached_property
    def hours(self) -> tuple[IntArray, IntArray]:
        """Kinds of hours and the kind of each zone (Z,): a row is 1 a block allowed, then the step it must end by."""
        allowed = np.ones((self.zones, self.blocks.shape[0]), dtype=bool) if self.allowed is None else self.allowed
        done = np.full((self.zones, 1), np.iinfo(np.int32).max, dtype=np.int64)
        if self.hold_finish and self.finish_by is not None:
            given = np.flatnonzero(~np.isnan(self.finish_by))
            done[given, 0] = self.to_grid(self.finish_by[given], "down")
        kinds, of_zone = np.unique(np.hstack([allowed, done]), axis=0, return_inverse=True)
        return kinds, of_zone.ravel()

    @property
    def window_minutes(self) -> float:
        """Minutes of all window pieces on the grid [min]."""
        return float(np.diff(self.whole_pieces, axis=1).sum()) * self.grid_min

    @cached_property
    def asked_minutes(self) -> FloatArray:
        """Run time asked of each zone [min], shape (Z,)."""
        return np.bincount(self.cycle_zone, weights=self.cycle_minutes, minlength=self.zones).astype(np.float64)

    @cached_property
    def standing_minutes(self) -> FloatArray:
        """Run time of each zone that stands already [min], shape (Z,)."""
        if self.standing is None:
            return np.zeros(self.zones)
        length = self.standing.end - self.standing.start
        return np.bincount(self.standing.zone, weights=length, minlength=self.zones).astype(np.float64)


def _need(condition: bool | np.bool_, name: str, text: str) -> None:
    if not condition:
        raise ValueError(f"{name}: {text}")


def _check_zones(job: NightJob) -> None:
    shape = (job.zones,)
    for name in ("soak", "smallest_cycle", "resolution", "flow", "pump", "branch", "controller"):
        array = getattr(job, name)
        _need(array.shape == shape, name, f"expected shape {shape}, got {array.shape}")
    for name in ("soak", "smallest_cycle", "flow"):
        array = getattr(job, name)
        _need(np.all(np.isfinite(array)) and np.all(array >= 0), name, "must be finite and >= 0")
    seconds = job.resolution * 60.0
    _need(np.all(np.isfinite(seconds)) and np.all(seconds > 0), "resolution", "must be finite and > 0")
    whole = np.rint(seconds).astype(np.int64)
    _need(np.all(np.abs(whole - seconds) < 1e-6), "resolution", "must be whole seconds")
    _need(
        np.all(np.gcd(whole, 60) >= FINEST_GRID_S),
        "resolution",
        f"must share a step of {FINEST_GRID_S} s or more with a minute; see planning_resolution",
    )
    for name, optional in (
        ("finish_rank", job.finish_rank),
        ("finish_by", job.finish_by),
        ("smallest_run", job.smallest_run),
    ):
        _need(optional is None or optional.shape == shape, name, f"expected shape {shape}")


def _check_cycles(job: NightJob) -> None:
    _need(job.cycle_zone.ndim == 1, "cycle_zone", f"expected shape (K,), got {job.cycle_zone.shape}")
    _need(job.cycle_minutes.shape == job.cycle_zone.shape, "cycle_minutes", f"expected shape {job.cycle_zone.shape}")
    _need(np.issubdtype(job.cycle_zone.dtype, np.integer), "cycle_zone", "must be integers")
    inside = (job.cycle_zone >= 0) & (job.cycle_zone < job.zones)
    _need(np.all(inside), "cycle_zone", f"must lie in 0..{job.zones - 1}")
    _need(np.all(np.isfinite(job.cycle_minutes)) and np.all(job.cycle_minutes > 0), "cycle_minutes", "must be > 0")
    steps = job.cycle_minutes / job.resolution[job.cycle_zone]
    _need(np.all(np.abs(steps - np.rint(steps)) < 1e-6), "cycle_minutes", "must be whole steps of the resolution")


def _check_limits(job: NightJob) -> None:
    pumps = job.pump_capacity.shape
    for name in ("pump_capacity", "pump_ramp", "pump_smallest", "branch_capacity", "stations_at_once"):
        array = getattr(job, name)
        _need(array.ndim == 1, name, f"expected one dimension, got {array.shape}")
        _need(not np.any(np.isnan(array)) and np.all(array >= 0), name, "must be >= 0")
    _need(job.pump_ramp.shape == pumps, "pump_ramp", f"expected shape {pumps}")
    _need(
        job.pump_smallest.shape == pumps and np.all(np.isfinite(job.pump_smallest)), "pump_smallest", f"finite, {pumps}"
    )
    sizes = {
        "pump": job.pump_capacity.size,
        "branch": job.branch_capacity.size,
        "controller": job.stations_at_once.size,
    }
    for name, size in sizes.items():
        index = getattr(job, name)
        _need(np.issubdtype(index.dtype, np.integer), name, "must be integers")
        _need(np.all((index >= -1) & (index < size)), name, f"must lie in -1..{size - 1}")


def _check_times(job: NightJob) -> None:
    for name in ("pieces", "blocks"):
        spans = getattr(job, name)
        _need(spans.ndim == 2 and spans.shape[1] == 2, name, f"expected shape (n, 2), got {spans.shape}")
        _need(np.all(np.isfinite(spans)) and np.all(spans[:, 1] >= spans[:, 0]), name, "each must end after it starts")
        _need(np.all(spans[1:, 0] >= spans[:-1, 1] - 1e-9), name, "must be in order and not overlap")
    count = job.blocks.shape[0]
    overlap = np.minimum(job.pieces[:, None, 1], job.blocks[None, :, 1]) - np.maximum(
        job.pieces[:, None, 0], job.blocks[None, :, 0]
    )
    covered = np.clip(overlap, 0.0, None).sum(axis=1) if count else np.zeros(job.pieces.shape[0])
    _need(
        np.all(np.abs(covered - np.diff(job.pieces, axis=1).ravel()) < 1e-6), "blocks", "must cover the window pieces"
    )
    both = (job.zones, count)
    for name, optional in (("allowed", job.allowed), ("minutes_by_block", job.minutes_by_block)):
        _need(optional is None or optional.shape == both, name, f"expected shape {both}")
    if job.minutes_by_block is not None:
        good = np.all(np.isfinite(job.minutes_by_block)) and np.all(job.minutes_by_block >= 0)
        _need(good, "minutes_by_block", "must be finite and >= 0")
    _need(job.block_price is None or job.block_price.shape == (count,), "block_price", f"expected shape ({count},)")
