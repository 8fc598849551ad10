"""The least window time any timetable needs, proven limit by limit.

For a capacity c and zones of flow q run for m minutes, no timetable is shorter than sum(q m) / c. Flows that do not
add up to the capacity waste part of it, which a dual feasible function u sees: whenever flows together are at most c,
the u(q / c) together are at most 1, so sum(u m) is a bound as well. Two families are used,

    u_k(x) = x if (k + 1) x is whole, else floor((k + 1) x) / k        v_e(x) = 1 if x > 1 - e, 0 if x < e, else x.

Source: the dual feasible functions of bin packing, Fekete and Schepers, Mathematical Programming 91 (2001) 11-31.
Mark: memory. A ramp keeps a pump below its capacity in the first and last minutes; the bound adds the water lost there.
"""

import numpy as np

from models.night.job import NANO, FloatArray, IntArray, NightJob
from models.night.patterns import pattern_bound
from models.night.timetable import Bounds

ROUNDING_TERMS = 40  # [-] functions u_k tried
THRESHOLDS = 64  # [-] functions v_e tried
GRAIN = 1000  # [-] parts of a capacity in which the sets of zones that run together are added up
NEARLY = 0.8  # [-] of the window: a limit that needs less is not looked at more closely
FEW = 8  # [-] zones up to which the share of a capacity they can use is found exactly
MOST_EXACT = 12  # [-] capacities for which it is: some ms each
MANY = 60  # [-] zones beyond which flows add up to a capacity closely enough
FAR = 4e12  # [1e-6 L/s] stands for "no limit"


def whole_flow(flow: FloatArray) -> IntArray:
    """Flow [L/s] as whole 1e-6 L/s, rounded up but for round-off of a thousandth of a unit."""
    return np.ceil(np.minimum(flow * NANO, FAR) - 1e-3).astype(np.int64)


def whole_capacity(capacity: FloatArray) -> IntArray:
    """Capacity [L/s] as whole 1e-6 L/s, rounded down; infinite ones as a number no site reaches."""
    return np.floor(np.minimum(capacity * NANO, FAR) + 1e-3).astype(np.int64)


def usable_share(flow: FloatArray, group: IntArray, capacity: FloatArray, weight: FloatArray) -> FloatArray:
    """Share of each capacity that its zones can fill when only whole zones run together.

    On up to `FEW` zones the least time in which they can run their water is found (patterns.py), and the share is what
    they use of the capacity in that time. On more, the best set of zones that runs with each is sought among whole
    thousandths of the capacity, and the share is the mean of what those sets use, weighted by each zone's water: an
    upper estimate, as the best sets of all zones need not fit one after another.

    Parameters
    ----------
    flow : ndarray, shape (Z,)            Flow [L/s], > 0.
    group : ndarray of int, shape (Z,)    Index of the capacity the zone hangs on, -1 = none.
    capacity : ndarray, shape (G,)        [L/s], inf = no limit.
    weight : ndarray, shape (Z,)          Water of the zone in any one unit, >= 0.

    Returns
    -------
    ndarray, shape (G,)                   Share [-], 0 to 1; 1 without a limit or beyond `MANY` zones.

    Examples
    --------
    Zones of 6 and 4 L/s on 11 L/s run together; two of 6 L/s on the same branch do not.

    >>> usable_share(np.array([6.0, 4.0]), np.array([0, 0]), np.array([11.0]), np.ones(2)).round(2).tolist()
    [0.91]
    >>> usable_share(np.array([6.0, 6.0]), np.array([0, 0]), np.array([11.0]), np.ones(2)).round(2).tolist()
    [0.55]

    Of 5, 5 and 6 L/s on 10 L/s only the first two run together. With 20 min of one and 100 min of the other, and 50 min
    of the third, that is 20 + 80 + 50 min, in which 900 of 1,500 L/s min are used.

    >>> water = np.array([5.0 * 20.0, 5.0 * 100.0, 6.0 * 50.0])
    >>> usable_share(np.array([5.0, 5.0, 6.0]), np.zeros(3, dtype=int), np.array([10.0]), water).round(2).tolist()
    [0.6]
    """
    share = np.ones(capacity.size)
    exact = MOST_EXACT
    for g in np.flatnonzero(np.isfinite(capacity) & (capacity > 0)).tolist():
        on = np.flatnonzero((group == g) & (flow <= capacity[g]))  # the others never run
        if not 0 < on.size <= MANY or not weight[on].any():
            continue
        if exact and 1 < on.size <= FEW and flow[on].sum() > capacity[g]:
            exact -= 1
            minutes = weight[on] / flow[on]
            least = pattern_bound(flow[on], minutes / minutes.max(), float(capacity[g])) * minutes.max()
            share[g] = min(float(weight[on].sum()) / (float(capacity[g]) * least), 1.0)
            continue
        units = np.ceil(flow[on] / capacity[g] * GRAIN - 1e-9).astype(np.int64).tolist()
        best = [_fullest(units, i) / GRAIN for i in range(len(units))]
        share[g] = float(np.average(best, weights=weight[on]))
    return share


def _fullest(units: list[int], first: int) -> int:
    """Most of `GRAIN` units that sets of zones holding zone `first` add up to; 0 if it alone is too much."""
    if units[first] > GRAIN:
        return 0
    sums = 1 << units[first]  # bit s is set where some set adds up to s
    kept = (1 << (GRAIN + 1)) - 1
    for i, u in enumerate(units):
        if i != first and u <= GRAIN:
            sums |= (sums << u) & kept
    return sums.bit_length() - 1


def lower_bounds(job: NightJob, patterns: bool = False) -> Bounds:
    """Bounds of a night by pump, branch, controller and zone.

    Parameters
    ----------
    job : NightJob
    patterns : bool     Also ask which zones can run together at all (patterns.py): stronger on small sites, some
                        tenths of a second.

    Returns
    -------
    Bounds              Window time [min]; inf where a zone alone passes a capacity.
    """
    minutes = job.asked_minutes
    flow = whole_flow(job.flow)
    pump = np.array([_pump_bound(job, p, flow, minutes) for p in range(job.pump_capacity.size)])
    capacity = whole_capacity(job.branch_capacity)
    on_branch = [job.branch == r for r in range(capacity.size)]
    branch = np.array([_capacity_bound(flow[on], minutes[on], int(capacity[r])) for r, on in enumerate(on_branch)])
    per_controller = np.bincount(
        job.controller[job.controller >= 0], minutes[job.controller >= 0], job.stations_at_once.size
    )
    stations = np.floor(job.stations_at_once)
    controller = np.divide(per_controller, stations, out=np.full(stations.size, np.inf), where=stations > 0)
    controller[per_controller == 0] = 0.0
    if patterns:
        pump = np.maximum(pump, _pattern_bounds(job, job.pump, job.pump_capacity, pump))
        branch = np.maximum(branch, _pattern_bounds(job, job.branch, job.branch_capacity, branch))
    return Bounds(pump=pump, branch=branch, controller=controller, zone=_zone_bound(job, minutes))


def _pattern_bounds(job: NightJob, index: IntArray, capacity: FloatArray, plain: FloatArray) -> FloatArray:
    """Pattern bounds where the plain ones say that the limit is nearly all used, 0 elsewhere."""
    found = np.zeros(capacity.size)
    for member in np.flatnonzero(np.isfinite(plain) & (plain > NEARLY * job.window_minutes)).tolist():
        on = index == member
        found[member] = pattern_bound(job.flow[on], job.asked_minutes[on], float(capacity[member]))
    return found


def _zone_bound(job: NightJob, minutes: FloatArray) -> FloatArray:
    """Cycles and soaks of a zone; in a window with gaps a soak may fall in a gap and costs no window time."""
    if job.whole_pieces.shape[0] > 1:
        return minutes.copy()
    count = np.bincount(job.cycle_zone, minlength=job.zones)
    return minutes + np.maximum(count - 1, 0) * job.soak


def _capacity_bound(flow: IntArray, minutes: FloatArray, capacity: int) -> float:
    running = (minutes > 0) & (flow > 0)
    flow, minutes = flow[running], minutes[running]
    if not flow.size or capacity >= FAR:
        return 0.0
    if np.any(flow > capacity):
        return float("inf")
    best = float(flow @ minutes) / capacity
    k = np.arange(1, ROUNDING_TERMS + 1)[:, None]
    scaled = (k + 1) * flow[None, :]
    u = np.where(scaled % capacity == 0, flow[None, :] / capacity, (scaled // capacity) / k)
    best = max(best, float((u @ minutes).max()))
    edges = np.unique(flow[2 * flow <= capacity])
    if edges.size > THRESHOLDS:
        edges = edges[np.linspace(0, edges.size - 1, THRESHOLDS).astype(np.int64)]
    if edges.size:
        e = edges[:, None]
        v = np.where(flow > capacity - e, 1.0, np.where(flow < e, 0.0, flow / capacity))
        best = max(best, float((v @ minutes).max()))
    only_large = np.where(2 * flow > capacity, 1.0, 0.0)  # no two of them run together
    return max(best, float(only_large @ minutes))


def _pump_bound(job: NightJob, pump: int, flow: IntArray, minutes: FloatArray) -> float:
    on = job.pump == pump
    capacity = int(whole_capacity(job.pump_capacity[pump : pump + 1])[0])
    plain = _capacity_bound(flow[on], minutes[on], capacity)
    running = on & (minutes > 0)
    if not np.isfinite(job.pump_ramp[pump]) or not running.any() or not np.isfinite(plain):
        return plain
    return max(
        plain, _ramp_bound(float(flow[running] @ minutes[running]), capacity, job, pump, int(flow[running].max()))
    )


def _ramp_bound(volume: float, capacity: int, job: NightJob, pump: int, largest: int) -> float:
    """Least window time [min] whose flow, at most min(c, ramp * minutes from either end of a piece), holds the volume.

    V(T), the most that T steps in a row hold, grows faster and faster up to c a step. So of all ways to spend a time
    on the pieces of the window, the longest ones whole and then the next in part hold the most.
    """
    ramp = max(
        float(whole_capacity(job.pump_ramp[pump : pump + 1])[0]), float(largest)
    )  # one valve alone may pass the ramp
    per_minute = 60 // job.grid_s
    rise: list[float] = []  # flow possible in the 1st, 2nd ... grid step
    while (minute := len(rise) // per_minute + 1) * ramp < capacity and minute < 1500:
        rise.append(minute * ramp)
    left, spent = volume / job.grid_min, 0.0
    for steps in _rows_of_steps(job, per_minute):
        if left <= (most := _held(steps, rise, capacity)):
            return (spent + _steps_for(left, rise, capacity)) * job.grid_min
        left, spent = left - most, spent + steps
    return (spent + left / capacity) * job.grid_min


def _rows_of_steps(job: NightJob, per_minute: int) -> list[int]:
    """Grid steps of the window's pieces, the longest first; the ramp sees none of a gap shorter than a minute."""
    rows: list[int] = []
    end = None
    for opens, closes in job.whole_pieces.tolist():
        if end is not None and opens - end < per_minute:
            rows[-1] += closes - opens
        else:
            rows.append(closes - opens)
        end = closes
    return sorted(rows, reverse=True)


def _held(steps: int, rise: list[float], capacity: int) -> float:
    """Most flow times steps that a row of steps holds."""
    if steps >= 2 * len(rise):
        return 2.0 * sum(rise) + (steps - 2 * len(rise)) * float(capacity)
    return 2.0 * sum(rise[: steps // 2]) + (rise[steps // 2] if steps % 2 else 0.0)


def _steps_for(amount: float, rise: list[float], capacity: int) -> float:
    """Fewest steps in a row that hold an amount of flow times steps, at most one too few."""
    tapered = 2.0 * sum(rise)
    if amount >= tapered:
        return 2 * len(rise) + (amount - tapered) / capacity
    total, steps = 0.0, 0
    for flow in rise:
        if total >= amount:
            break
        total += 2.0 * flow
        steps += 2
    return float(max(steps - 1, 0))
