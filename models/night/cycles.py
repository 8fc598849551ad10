"""Cycle and soak: runs split where the sprinklers outrun the soil.

While water falls faster than the soil takes it in, the difference is held on the surface, in the canopy and the
thatch. With the application rate r and the infiltration i in mm/h and room for S mm on the surface, a cycle of t
minutes stores

    (r - i) t / 60   mm,   so runoff starts at   t = 60 S / (r - i)   where r > i, and never where r <= i.

The stored water is gone when the soil has taken it in,

    soak = 60 * stored / i = t (r / i - 1)   min.

Source: water balance of the surface with a constant infiltration rate (derived here, mark: computed).

These are the fewest cycles a soil of the class needs. What soils of one class take differs several times over, places
under a sprinkler get more than the mean, and what runs off is not seen at night, while a rest costs nothing but time:
so where the hours leave room, runs are cut finer (`Gentle`), by the slowest soil of the class and the wettest quarter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

# Allowable surface accumulation by slope, loam row: 0.30, 0.25, 0.21, 0.17 in for 0-3, 4-6, 7-12 and 13 % or more, as
# used by landscape irrigation auditors. Mark: memory (no document at hand when written).
STORAGE_SLOPE = np.array([3.0, 6.0, 12.0])  # [%] upper ends of the first three classes
STORAGE_DEPTH = np.array([7.6, 6.4, 5.3, 4.3])  # [mm]
LONGEST_SOAK = (
    60.0  # [min] common practice, no source: a longer soak would not leave room for a second cycle in a night
)
LEAST_REST = 30.0  # [min] common practice, no source: a shorter one takes in little
# [-] cycles that a run is cut into at most beyond what its soil must have: they are keyed in somewhere, and more saves
# little (20 mm at 10 mm/h on the clay loam of tests/physics: 46 % run off in one, 7 % in six, 4 % in eight)
MOST_FINER = 6
# Depth that stands on turf before it runs off: lower end of what manuals of storm drainage give for lawns, 0.1 to 0.3
# in. Mark: memory.
LEAST_STORAGE = 2.5  # [mm]
STEP_ROUNDOFF = 1e-9  # [-] share of a controller step


@dataclass(frozen=True)
class Cycles:
    """Cycles of one night, as flat arrays over all cycles K, those of a zone together and in order.

    Attributes
    ----------
    zone : ndarray, shape (K,)           Zone of the cycle.
    order : ndarray, shape (K,)          0 for the first cycle of its zone, then 1, 2 ...
    length : ndarray, shape (K,)         Length [min], whole controller steps.
    count : ndarray, shape (Z,)          Cycles per zone.
    soak : ndarray, shape (Z,)           Rest between two cycles of the zone [min]; 0 with a single cycle.
    over_longest : ndarray, shape (Z,)   Some cycle is longer than the soil takes without runoff, because no shorter
                                         one is useful.
    soak_capped : ndarray, shape (Z,)    The soak was cut to the longest one: some stored water will still stand.
    finer : ndarray, shape (Z,)          Cut finer than the soil must have it (`Gentle`).
    """

    zone: IntArray
    order: IntArray
    length: FloatArray
    count: IntArray
    soak: FloatArray
    over_longest: BoolArray
    soak_capped: BoolArray
    finer: BoolArray


@dataclass(frozen=True)
class Gentle:
    """What finer cycles go by, where there is time for them; each of shape (Z,).

    Attributes
    ----------
    rate : ndarray           Application rate of the wettest quarter [mm/h].
    infiltration : ndarray   Of the slowest soil of the class [mm/h].
    smallest : ndarray       Smallest cycle worth making [min].
    room : ndarray           Minutes from the first start to the last stop of a zone; 0 where runs are not cut finer.
    """

    rate: FloatArray
    infiltration: FloatArray
    smallest: FloatArray
    room: FloatArray


def surface_storage(slope: FloatArray) -> FloatArray:
    """Water the surface holds before it runs off.

    Parameters
    ----------
    slope : ndarray, shape (Z,)   Slope [%], >= 0.

    Returns
    -------
    ndarray, shape (Z,)           Storage [mm]: 7.6 up to 3 %, 6.4 up to 6 %, 5.3 up to 12 %, 4.3 beyond. Mark: memory.

    Raises
    ------
    ValueError                    A slope is negative or not a number.

    Examples
    --------
    >>> surface_storage(np.array([0.0, 5.0, 20.0])).tolist()
    [7.6, 6.4, 4.3]
    """
    if np.any(np.isnan(slope)) or np.any(slope < 0):
        raise ValueError("slope: must be >= 0")
    return STORAGE_DEPTH[np.searchsorted(STORAGE_SLOPE, slope, side="left")]


def longest_cycle(rate: FloatArray, infiltration: FloatArray, storage: FloatArray) -> FloatArray:
    """Longest cycle before runoff, t = 60 S / (r - i), without end where r <= i.

    Parameters
    ----------
    rate : ndarray, shape (Z,)           Application rate [mm/h], >= 0.
    infiltration : ndarray, shape (Z,)   Infiltration rate [mm/h], >= 0.
    storage : ndarray, shape (Z,)        Surface and canopy storage [mm], >= 0.

    Returns
    -------
    ndarray, shape (Z,)                  Longest cycle [min], inf where the soil keeps up.

    Raises
    ------
    ValueError                           Shapes differ, or a value is negative or not finite.

    Examples
    --------
    >>> longest_cycle(np.array([40.0, 10.0]), np.array([10.0, 10.0]), np.array([5.0, 5.0])).tolist()
    [10.0, inf]
    """
    _check_rates(rate, infiltration, storage)
    excess = rate - infiltration
    longest: FloatArray = np.divide(60.0 * storage, excess, out=np.full(excess.shape, np.inf), where=excess > 0)
    return longest


def soak_minutes(cycle: FloatArray, rate: FloatArray, infiltration: FloatArray) -> FloatArray:
    """Rest in which the water stored by one cycle goes into the soil, t (r / i - 1).

    Parameters
    ----------
    cycle : ndarray, shape (Z,)                Length of the cycle [min], >= 0.
    rate, infiltration : ndarray, shape (Z,)   Application and infiltration rate [mm/h], >= 0.

    Returns
    -------
    ndarray, shape (Z,)                        Soak [min]; 0 where the soil keeps up, inf where it takes in nothing.

    Raises
    ------
    ValueError                                 Shapes differ, or a value is negative or not finite.

    Examples
    --------
    >>> soak_minutes(np.array([10.0]), np.array([40.0]), np.array([10.0])).tolist()
    [30.0]
    """
    _check_rates(rate, infiltration, cycle)
    excess = np.maximum(rate - infiltration, 0.0)
    soaked = cycle * excess / np.where(infiltration > 0, infiltration, 1.0)
    return np.where((infiltration > 0) | (cycle * excess == 0), soaked, np.inf)


def split_into_cycles(
    minutes: FloatArray,
    resolution_min: FloatArray,
    rate: FloatArray,
    infiltration: FloatArray,
    storage: FloatArray,
    smallest_cycle_min: FloatArray,
    longest_override_min: FloatArray | None = None,
    soak_override_min: FloatArray | None = None,
    gentle: Gentle | None = None,
) -> Cycles:
    """Split run times into the fewest cycles that do not run off, as even as the controller step allows.

    With `gentle` a run is cut finer where its cycles, with rests of `LEAST_REST` at least, end within its room; not
    where the manager has set the longest cycle or the soak.

    The cycles of a zone add up to its run time exactly. The soak belongs to the longest cycle of the zone, and is
    rounded up to whole controller steps. A zone never gets a cycle below the smallest useful one unless its whole run
    is shorter.

    Parameters
    ----------
    minutes : ndarray, shape (Z,)                           Run times [min], whole steps of the resolution.
    resolution_min : ndarray, shape (Z,)                    Controller step [min], > 0.
    rate, infiltration, storage : ndarray, shape (Z,)       As in `longest_cycle` [mm/h], [mm/h], [mm].
    smallest_cycle_min : ndarray, shape (Z,)                Smallest useful cycle [min], >= 0.
    longest_override_min : ndarray, shape (Z,), optional    Longest cycle set by the manager [min]; NaN = from the
                                                            rates.
    soak_override_min : ndarray, shape (Z,), optional       Soak set by the manager [min]; NaN = from the rates.
    gentle : Gentle, optional                               How runs are cut finer; the fewest cycles if left out.

    Returns
    -------
    Cycles                                                  Flat arrays over the cycles, and the soak per zone.

    Raises
    ------
    ValueError                                              Shapes differ, a value is out of range, or a run time is
                                                            not whole steps.
    """
    shape = minutes.shape
    longest_override = np.full(shape, np.nan) if longest_override_min is None else longest_override_min
    soak_override = np.full(shape, np.nan) if soak_override_min is None else soak_override_min
    steps = _checked_steps(minutes, resolution_min, smallest_cycle_min, longest_override, soak_override)

    longest = np.where(np.isnan(longest_override), longest_cycle(rate, infiltration, storage), longest_override)
    ceiling = np.maximum(steps, 1).astype(np.float64)
    per_cycle = np.floor(np.minimum(longest / resolution_min, ceiling) + STEP_ROUNDOFF).astype(np.int64)
    least = np.maximum(np.ceil(smallest_cycle_min / resolution_min - STEP_ROUNDOFF), 1.0).astype(np.int64)
    wanted = -(-steps // np.maximum(per_cycle, 1))
    count = np.minimum(wanted, np.maximum(steps // least, (steps > 0).astype(np.int64)))
    finer = np.zeros(shape, dtype=bool)
    if gentle is not None:
        finer_count = _finer(minutes, steps, resolution_min, gentle)
        finer = (finer_count > count) & np.isnan(longest_override) & np.isnan(soak_override)
        count = np.where(finer, finer_count, count)

    zone = np.repeat(np.arange(steps.size), count)
    order = np.arange(zone.size) - np.repeat(np.cumsum(count) - count, count)
    base = steps // np.maximum(count, 1)
    extra = steps - base * count
    length_steps = base[zone] + (order < extra[zone])
    longest_steps = base + (extra > 0)

    soak = soak_minutes(longest_steps * resolution_min, rate, infiltration)
    soak = np.where(np.isnan(soak_override), soak, soak_override)
    capped = (count > 1) & np.isnan(soak_override) & (soak > LONGEST_SOAK)
    soak = np.where(np.isnan(soak_override), np.minimum(soak, LONGEST_SOAK), soak)
    soak = np.ceil(soak / resolution_min - STEP_ROUNDOFF) * resolution_min
    if gentle is not None:
        soak = np.where(finer, _rest(minutes, count, longest_steps * resolution_min, resolution_min, gentle), soak)
    return Cycles(
        zone=zone,
        order=order,
        length=length_steps * resolution_min[zone],
        count=count,
        soak=np.where(count > 1, soak, 0.0),
        over_longest=(steps > 0) & (longest_steps * resolution_min > longest * (1 + STEP_ROUNDOFF)),
        soak_capped=capped & ~finer,
        finer=finer,
    )


def _finer(minutes: FloatArray, steps: IntArray, resolution: FloatArray, gentle: Gentle) -> IntArray:
    """Cycles that the slowest soil asks for, no more than there is time and water for, (Z,)."""
    longest = longest_cycle(gentle.rate, gentle.infiltration, np.full(minutes.shape, LEAST_STORAGE))
    per_cycle = np.maximum(np.floor(np.minimum(longest, minutes) / resolution + STEP_ROUNDOFF), 1.0)
    least = np.maximum(np.ceil(gentle.smallest / resolution - STEP_ROUNDOFF), 1.0)
    rests = np.floor(np.maximum(gentle.room - minutes, 0.0) / LEAST_REST + STEP_ROUNDOFF)
    count = np.minimum.reduce((np.ceil(steps / per_cycle), np.floor(steps / least), rests + 1.0))
    count = np.minimum(count, MOST_FINER)
    return np.asarray(count.astype(np.int64))


def _rest(
    minutes: FloatArray, count: IntArray, cycle: FloatArray, resolution: FloatArray, gentle: Gentle
) -> FloatArray:
    """Rest between finer cycles, whole steps that keep within the room, (Z,) [min]."""
    soak = np.minimum(soak_minutes(cycle, gentle.rate, gentle.infiltration), LONGEST_SOAK)
    most = np.maximum(gentle.room - minutes, 0.0) / np.maximum(count - 1, 1)
    steps = np.minimum(np.ceil(soak / resolution - STEP_ROUNDOFF), np.floor(most / resolution + STEP_ROUNDOFF))
    return np.asarray(steps * resolution)


def longest_in_hours(
    spans: FloatArray,
    resolution_min: FloatArray,
    rate: FloatArray,
    infiltration: FloatArray,
    storage: FloatArray,
    longest_override_min: FloatArray,
    soak_override_min: FloatArray,
) -> FloatArray:
    """Longest run of a night whose equal cycles, with their soaks, fit the hours of each zone.

    For n cycles of c steps each, c up to the longest without runoff, the cycles are laid as early as they can, each
    within one span; of the runs that `split_into_cycles` would split in n the longest that fits is kept, and the
    longest over all n. A run that needs no soak may be cut by a gap, so it has all its hours.

    Parameters
    ----------
    spans : ndarray, shape (Z, S, 2)                      Hours of each zone, in order [min]; NaN where it has fewer.
    resolution_min : ndarray, shape (Z,)                  Controller step [min], > 0.
    rate, infiltration, storage : ndarray, shape (Z,)     As in `longest_cycle` [mm/h], [mm/h], [mm].
    longest_override_min, soak_override_min : ndarray, shape (Z,)   As in `split_into_cycles` [min], NaN = none.

    Returns
    -------
    ndarray, shape (Z,)                                   [min], whole controller steps.

    Examples
    --------
    Cycles of at most 10 min with 15 min of soak in an hour: 10 + 15 + 10 + 15 + 10.

    >>> longest_in_hours(np.array([[[0.0, 60.0]]]), np.ones(1), np.full(1, 25.0), np.full(1, 10.0), np.full(1, 2.5),
    ...                  np.full(1, np.nan), np.full(1, np.nan)).tolist()
    [30.0]
    """
    hours = np.nan_to_num(spans[:, :, 1] - spans[:, :, 0], nan=0.0)
    free: FloatArray = np.floor(hours.sum(axis=1) / resolution_min + STEP_ROUNDOFF) * resolution_min
    longest = longest_cycle(rate, infiltration, storage)
    longest = np.where(np.isnan(longest_override_min), longest, longest_override_min)
    per_cycle = np.maximum(np.floor(np.minimum(longest, 1e6) / resolution_min + STEP_ROUNDOFF), 1.0)
    split = np.flatnonzero(per_cycle * resolution_min < free)
    if not split.size:
        return free
    step, per, own = resolution_min[split], per_cycle[split], spans[split]

    def soak(steps: FloatArray) -> FloatArray:
        found = np.minimum(soak_minutes(steps * step, rate[split], infiltration[split]), LONGEST_SOAK)
        found = np.where(np.isnan(soak_override_min[split]), found, soak_override_min[split])
        return np.asarray(np.ceil(found / step - STEP_ROUNDOFF) * step)

    best = np.zeros(split.size)
    whole = np.nanmax(own[:, :, 1], axis=1) - np.nanmin(own[:, :, 0], axis=1)
    most = int(np.ceil(float((free[split] / (per * step)).max()))) + 1
    for count in range(1, most + 1):
        low, high = np.floor((count - 1) * per / count), per.copy()  # more than `low` steps a cycle make it `count`
        if ((count * low + 1.0) * step + (count - 1) * soak(low + 1.0) > whole + 1e-6).all():
            break  # nor do more of them fit, which are no shorter
        while (low < high).any():
            middle = np.ceil((low + high) / 2.0)
            fits = _laid(own, count, middle * step, soak(middle), np.zeros(split.size), step)
            low, high = np.where(fits, middle, low), np.where(fits, high, middle - 1.0)
        more, most_more = np.zeros(split.size), np.where(low < per, count - 1.0, 0.0)  # cycles one step longer
        while (more < most_more).any():
            middle = np.ceil((more + most_more) / 2.0)
            fits = _laid(own, count, low * step, soak(low + (middle > 0)), middle, step)
            more, most_more = np.where(fits, middle, more), np.where(fits, most_more, middle - 1.0)
        steps = count * low + more
        best = np.maximum(best, np.where((low > 0) & (steps > (count - 1) * per), steps, 0.0) * step)
    needs_none = soak(per) == 0.0
    free[split] = np.where(needs_none, free[split], best)
    return free


def _laid(
    spans: FloatArray, count: int, cycle: FloatArray, soak: FloatArray, longer: FloatArray, step: FloatArray
) -> BoolArray:
    """Whether so many cycles, the first few a step longer, fit one after the other within the spans, shape (Z,)."""
    at = np.full(cycle.size, -np.inf)
    for number in range(count):
        length = cycle + np.where(number < longer, step, 0.0)
        start = np.full(cycle.size, np.inf)
        for s in range(spans.shape[1]):
            begin = np.maximum(spans[:, s, 0], at)
            here = begin + length <= spans[:, s, 1] + 1e-6
            start = np.where(here & np.isinf(start), begin, start)
        at = start + length + soak
    return np.asarray(np.isfinite(at))


def _check_rates(rate: FloatArray, infiltration: FloatArray, third: FloatArray) -> None:
    if not rate.shape == infiltration.shape == third.shape:
        raise ValueError(f"rate, infiltration: shapes differ: {rate.shape}, {infiltration.shape}, {third.shape}")
    for name, array in {"rate": rate, "infiltration": infiltration, "storage or cycle": third}.items():
        if not np.all(np.isfinite(array)) or np.any(array < 0):
            raise ValueError(f"{name}: must be finite and >= 0")


def _checked_steps(
    minutes: FloatArray, resolution: FloatArray, smallest: FloatArray, longest: FloatArray, soak: FloatArray
) -> IntArray:
    named = {"resolution_min": resolution, "smallest_cycle_min": smallest}
    for name, array in {**named, "longest_override_min": longest, "soak_override_min": soak}.items():
        if array.shape != minutes.shape:
            raise ValueError(f"{name}: expected shape {minutes.shape}, got {array.shape}")
    if not np.all(np.isfinite(minutes)) or np.any(minutes < 0):
        raise ValueError("minutes: must be finite and >= 0")
    if not np.all(np.isfinite(resolution)) or np.any(resolution <= 0):
        raise ValueError("resolution_min: must be finite and > 0")
    if not np.all(np.isfinite(smallest)) or np.any(smallest < 0):
        raise ValueError("smallest_cycle_min: must be finite and >= 0")
    if np.any(longest <= 0):
        raise ValueError("longest_override_min: must be > 0, or NaN for none")
    if np.any(soak < 0) or np.any(np.isinf(soak)):
        raise ValueError("soak_override_min: must be finite and >= 0, or NaN for none")
    steps = np.rint(minutes / resolution)
    if np.any(np.abs(steps * resolution - minutes) > 1e-6 * resolution):
        raise ValueError("minutes: must be whole steps of resolution_min; round them first")
    return steps.astype(np.int64)
