"""Water above field capacity: drainage that slows down as a root zone drains, and what turf takes of it meanwhile.

After a storm a soil does not stand at field capacity at once: drainage goes on for days and slows down, and what turf
takes meanwhile is not missing from field capacity. Under gravity alone the flux is the conductivity; where that falls
by e as depletion D grows by L,

    dD/dt = L / HELD exp(-D / L),

so a filled root zone drains as the logarithm of time and passes field capacity, D = 0, `HELD` days after it was full:
Sisson, Ferguson & van Genuchten (1980), Soil Science Society of America Journal 44, 1147-1153 (memory). L follows from
Campbell's conductivity, K = Ks (theta / theta_s)^(2 b + 3): d ln K / d theta = (2 b + 3) / theta, at field capacity.
The balances of an evening let only what stands above field capacity drain, and down to it, as its program does: a
belief that goes on drying where the plan stops would call for that water again every few nights (in a rainless season
of plain FAO-56 up to two fifths more, in the finer physics 6 to 10 %, no stress spared). Learning keeps the whole law.
With L near 0 it is the bucket of FAO-56 chapter 8, which drains what passes field capacity within the day and then
stops. Depletion is negative above field capacity here, and only here and in the filter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.soil import DayBalance

FloatArray = NDArray[np.float64]

HELD = 2.0  # [d] after a filling at which a root zone counts as at field capacity; textbooks (memory)
HALF_DAY = 0.5  # [d] the night's water drains before the date's ET begins, and the date's before the next opening
SPENT = 12.0  # [L] below field capacity no drainage is left to speak of
PERCHED_DEPTH = 0.30  # [m] of a built green's root zone over gravel: USGA 2018 recommendations, 300 mm (memory)
PERCHED_SCALE = 0.01  # [-] of L over gravel: nothing to speak of is on its way down after half a day
FLOODED = 60.0  # [L] above it, which drains within minutes

# Exponent b of the water retention curve [-]: Clapp & Hornberger (1978), Water Resources Research 14, 601-604, Table 2
# (memory); classes without an entry there (silt, root-zone sand) as their neighbours.
RETENTION_EXPONENT: Mapping[str, float] = MappingProxyType(
    {
        "sand": 4.05, "loamy_sand": 4.38, "sandy_loam": 4.90, "loam": 5.39, "silt_loam": 5.30, "silt": 5.30,
        "sandy_clay_loam": 7.12, "clay_loam": 8.52, "silty_clay_loam": 7.75, "sandy_clay": 10.4, "silty_clay": 10.4,
        "clay": 11.4, "sand_rootzone": 4.05,
    }
)  # fmt: skip


def drainage_scale(
    soil: Sequence[str], field_capacity: ArrayLike, root_depth_m: ArrayLike, over_gravel: ArrayLike = False
) -> FloatArray:
    """Depletion by which drainage falls by e, L = 1000 Zr FC / (2 b + 3).

    Sand over gravel drains within hours to what its lower end holds back without any suction, and then stops, so its L
    is next to nothing (Richards' equation with a seepage face: within 0.1 mm three hours after a filling, where sand
    without gravel lost 20 mm more in two days).

    Parameters
    ----------
    soil : sequence of str, shape (Z,)           Texture, a key of `models.textures.TEXTURES`.
    field_capacity : array, shape (Z,)           [m3/m3], above 0.
    root_depth_m : array, shape (Z,)             Zr [m], above 0.
    over_gravel : array of bool, shape (Z,)      A root zone of sand over gravel; none, if not given.

    Returns
    -------
    ndarray, shape (Z,)                          L [mm].

    Raises
    ------
    ValueError                                   A soil not known, a wrong shape, or a value not above 0.

    Examples
    --------
    >>> drainage_scale(["loam", "sand_rootzone"], [0.25, 0.20], [0.25, 0.15]).round(1).tolist()
    [4.5, 2.7]
    """
    unknown = [s for s in soil if s not in RETENTION_EXPONENT]
    if unknown:
        raise ValueError(f"soil must be a texture known to the tables; got {unknown[0]!r}")
    capacity, depth = np.asarray(field_capacity, dtype=np.float64), np.asarray(root_depth_m, dtype=np.float64)
    if capacity.shape != (len(soil),) or depth.shape != (len(soil),):
        raise ValueError(f"field_capacity and root_depth_m must have shape ({len(soil)},)")
    if not (np.all(capacity > 0) and np.all(depth > 0)):
        raise ValueError("field_capacity and root_depth_m must be above 0")
    exponent = np.array([RETENTION_EXPONENT[s] for s in soil])
    scale = 1000.0 * depth * capacity / (2.0 * exponent + 3.0)
    return np.asarray(np.where(over_gravel, PERCHED_SCALE * scale, scale))


def fed_depth(root_depth_m: ArrayLike, over_gravel: ArrayLike) -> FloatArray:
    """Depth from which roots are fed: their own, or all the sand of a built green, over whose gravel water perches.

    The depth of such a root zone is chosen so that water rises through all of it (USGA: it is the mix's critical
    tension; memory), so in the hours between runs roots near its top draw down all of it. In the finer physics of the
    tests, 15 cm of roots in 30 cm of sand took 55 mm before ET slackened, 60 % of them from below the roots.

    Parameters
    ----------
    root_depth_m : array, shape (Z,)             Zr [m].
    over_gravel : array of bool, shape (Z,)      A root zone of sand over gravel.

    Returns
    -------
    ndarray, shape (Z,)                          [m], at least Zr.

    Examples
    --------
    >>> fed_depth([0.15, 0.15], [True, False]).tolist()
    [0.3, 0.15]
    """
    roots = np.asarray(root_depth_m, dtype=np.float64)
    return np.where(over_gravel, np.maximum(roots, PERCHED_DEPTH), roots)


def drained(level: FloatArray, scale: FloatArray, days: float = HALF_DAY) -> FloatArray:
    """Depletion after some days of drainage alone: exp(D / L) grows by t / HELD.

    Parameters
    ----------
    level : ndarray                              Depletion [mm], negative above field capacity.
    scale : ndarray, broadcast to it             L [mm], above 0.
    days : float                                 [d].

    Returns
    -------
    ndarray                                      Depletion [mm].
    """
    u = np.clip(level / scale, -FLOODED, SPENT)
    return np.where(level < SPENT * scale, scale * np.log(np.exp(u) + days / HELD), level)


def settled(level: FloatArray, scale: FloatArray, days: float = HALF_DAY) -> FloatArray:
    """Depletion after some days in which only what stands above field capacity drains, and down to it.

    Parameters
    ----------
    level : ndarray                              Depletion [mm], negative above field capacity.
    scale : ndarray, broadcast to it             L [mm], above 0.
    days : float                                 [d].

    Returns
    -------
    ndarray                                      Depletion [mm]: at or below field capacity as it was.

    Examples
    --------
    >>> settled(np.array([-6.0, 0.0, 6.0]), np.array(4.5)).round(1).tolist()
    [-3.0, 0.0, 6.0]
    """
    return np.where(level < 0.0, np.minimum(drained(level, scale, days), 0.0), level)


def drainage_day(
    depletion: FloatArray,
    net_irrigation: FloatArray,
    etc: FloatArray,
    effective_rain: FloatArray,
    taw: FloatArray,
    p: FloatArray,
    scale: FloatArray,
) -> DayBalance:
    """`models.soil.balance_day` with slowing drainage of what stands above field capacity.

    Half a day of it after the night's water, half after the date's.

    Parameters
    ----------
    depletion : ndarray, shape (Z,)              At opening time [mm], negative above field capacity, at most TAW.
    net_irrigation, etc, effective_rain, taw, p : ndarray, shape (Z,)    As in `balance_day`.
    scale : ndarray, shape (Z,)                  L [mm], above 0.

    Returns
    -------
    DayBalance, arrays (Z,)                      Closed to 1e-9 mm; its depletion is negative above field capacity.

    Examples
    --------
    A loam filled by rain: what turf takes on the next date is mostly water on its way down.

    >>> arrays = [np.array([v]) for v in (10.0, 0.0, 4.0, 30.0, 32.5, 0.44, 4.5)]
    >>> wet = drainage_day(*arrays)
    >>> dry = drainage_day(wet.depletion, *[np.array([v]) for v in (0.0, 4.0, 0.0, 32.5, 0.44, 4.5)])
    >>> float(wet.depletion[0].round(1)), float(dry.depletion[0].round(1))
    (-5.8, 1.1)
    """
    watered = depletion - net_irrigation
    morning = settled(watered, scale)
    stress = np.clip((taw - np.maximum(morning, 0.0)) / ((1.0 - p) * taw), 0.0, 1.0)
    before_et = morning - effective_rain
    actual = np.minimum(stress * etc, np.maximum(taw - before_et, 0.0))
    end = np.minimum(settled(before_et + actual, scale), taw)
    return DayBalance(end, actual, (morning - watered) + (end - before_et - actual), stress)


def rain_as_taken(
    depletion: ArrayLike,
    surplus: ArrayLike,
    etc: ArrayLike,
    effective_rain: ArrayLike,
    taw: ArrayLike,
    scale: ArrayLike,
) -> FloatArray:
    """Rain of each date as a balance that stops at field capacity should count it: water above it when turf takes it.

    Water that stands above field capacity at tonight's opening, or that a date's rain leaves there, feeds the next
    dates' ET while it drains. It is found along the course without irrigation, where room for rain is largest, so it is
    never more than comes; watering can only add to it. What rain leaves for later dates is moved to them, so the sum is
    that of the rain with what was there at first and is taken: a program linear in its runs stays so. Below field
    capacity nothing drains here.

    Parameters
    ----------
    depletion, surplus : array, shape (Z,)       At tonight's opening [mm]: one of both is 0.
    etc, effective_rain : array, (Z, N) or (S, Z, N)    Of the dates [mm/d].
    taw, scale : array, shape (Z,)               TAW and L [mm].

    Returns
    -------
    ndarray, shape of etc                        [mm/d], 0 or more.

    Raises
    ------
    ValueError                                   A negative surplus.

    Examples
    --------
    4 mm above field capacity this evening, 1.9 of them tomorrow morning:

    >>> etc, none = np.full((1, 2), 4.0), np.zeros((1, 2))
    >>> rain_as_taken([0.0], [4.0], etc, none, [32.5], [4.5]).round(1).tolist()
    [[1.9, 0.0]]
    """
    demand, rain = np.asarray(etc, dtype=np.float64), np.asarray(effective_rain, dtype=np.float64)
    start, above = np.asarray(depletion, dtype=np.float64), np.asarray(surplus, dtype=np.float64)
    most, law = np.asarray(taw, dtype=np.float64), np.asarray(scale, dtype=np.float64)
    if np.any(above < 0):
        raise ValueError("surplus must not be negative")
    counted = rain.copy()
    level = np.broadcast_to(start - above, demand.shape[:-1]).copy()
    old = np.broadcast_to(above, demand.shape[:-1]).copy()  # of what stands above, what was there at first
    for n in range(demand.shape[-1]):
        level = settled(level, law)
        held = np.maximum(-level, 0.0)
        taken = np.minimum(held, demand[..., n])
        old = np.minimum(old, held)
        first = np.minimum(taken, old)
        if n:  # younger water came with the rain of the date before, or of one before that which it joined
            moved = np.minimum(taken - first, counted[..., n - 1])
            counted[..., n - 1] -= moved
        else:
            moved = np.zeros_like(taken)
        counted[..., n] += first + moved
        old -= first
        level = settled(np.minimum(level + demand[..., n] - rain[..., n], most), law)
    return counted
