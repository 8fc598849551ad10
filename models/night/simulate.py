"""A timetable played back and checked, written apart from the packer.

Nothing here uses the packer's grid: flows are rebuilt from the starts and stops themselves, as steps at events.
"""

from dataclasses import dataclass

import numpy as np

from models.hydraulics import M3_OF_LPS_MINUTE, PumpCurve, friction_head
from models.night.job import BoolArray, FloatArray, IntArray, NightJob
from models.night.timetable import Timetable

TIME_TOLERANCE = 1e-6  # [min]
FLOW_TOLERANCE = 1e-8  # [-] of the limit: the packer counts flows in 1e-6 L/s
NO_FLOW = 1e-9  # [L/s] below which a flow is round-off
MISSING = 0.05  # [m] of head short of what a station should hold that count


@dataclass(frozen=True)
class Violation:
    """A broken rule: `kind` names it, `index` the zone, pump, branch or controller, `minute` says when."""

    kind: str
    index: int
    minute: float
    text: str


@dataclass(frozen=True)
class PlayedNight:
    """What a timetable does, minute by minute.

    Attributes
    ----------
    minute : ndarray of int, shape (M,)         Whole minutes after 00:00 of the evening's date, first start to last
                                                stop.
    flow : ndarray, shape (P, M)                Mean flow of each pump in that minute [L/s].
    volume : ndarray, shape (Z,)                Water of each zone [m3].
    largest_change : ndarray, shape (P,)        Largest change of flow within one minute [L/s].
    under_smallest : ndarray, shape (P,)        Minutes running below the smallest flow [min].
    head : ndarray, shape (P, M)                Head at the outlet in that minute, mean over the water [m]; 0 without
                                                water or without a curve.
    short_of_head : ndarray, shape (P,)         Minutes in which a station gives less than it should hold [min].
    most_missing : ndarray, shape (P,)          Head missing in the worst of them [m].
    pumped : ndarray, shape (P, B)              Water by tariff block [m3].
    energy : ndarray, shape (P, B)              Energy by tariff block [kWh]; 0 for pumps without a curve.
    """

    minute: IntArray
    flow: FloatArray
    volume: FloatArray
    largest_change: FloatArray
    under_smallest: FloatArray
    head: FloatArray
    short_of_head: FloatArray
    most_missing: FloatArray
    pumped: FloatArray
    energy: FloatArray


@dataclass(frozen=True)
class LowFlow:
    """A stretch of the night in which a pump delivers less than its smallest flow.

    Attributes
    ----------
    pump : int                  Index of the pump.
    start, end : float          [min].
    zones : tuple of int        Zones that run in it.
    """

    pump: int
    start: float
    end: float
    zones: tuple[int, ...]


@dataclass(frozen=True)
class _Steps:
    """A flow that changes at `time` (E,) to `level` (E,) and holds until the next; 0 before the first."""

    time: FloatArray
    level: FloatArray

    def at(self, moment: FloatArray) -> FloatArray:
        position = np.searchsorted(self.time, moment, side="right")
        return np.asarray(np.concatenate([[0.0], self.level])[position])

    def volume_until(self, moment: FloatArray) -> FloatArray:
        """Integral of the level up to each moment [level x min]."""
        if not self.time.size:
            return np.zeros_like(moment)
        total = np.concatenate([[0.0], np.cumsum(np.diff(self.time) * self.level[:-1])])
        return np.asarray(np.interp(moment, self.time, total))


def _steps(start: FloatArray, end: FloatArray, amount: FloatArray) -> _Steps:
    moment = np.round(np.concatenate([start, end]) / TIME_TOLERANCE) * TIME_TOLERANCE
    change = np.concatenate([amount, -amount])
    time, event = np.unique(moment, return_inverse=True)
    step = np.zeros(time.size)
    np.add.at(step, event.ravel(), change)
    return _Steps(time, np.cumsum(step))


def check_timetable(job: NightJob, timetable: Timetable) -> tuple[Violation, ...]:
    """Check every rule of the night against the starts and stops of a timetable.

    Parameters
    ----------
    job : NightJob              What was asked.
    timetable : Timetable       What is to run.

    Returns
    -------
    tuple of Violation          Empty when every rule holds.
    """
    found: list[Violation] = []
    found += _check_amounts(job, timetable)
    found += _check_hours(job, timetable)
    found += _check_zones(job, timetable)
    found += _check_limit("pump", job.pump, job.pump_capacity, job.flow, timetable)
    found += _check_limit("branch", job.branch, job.branch_capacity, job.flow, timetable)
    found += _check_limit("controller", job.controller, job.stations_at_once, np.ones(job.zones), timetable)
    found += _check_reserved(job, timetable)
    for pump in np.flatnonzero(np.isfinite(job.pump_ramp)):
        found += _check_ramp(job, timetable, int(pump))
    return tuple(found)


def _check_amounts(job: NightJob, table: Timetable) -> list[Violation]:
    length = table.end - table.start
    placed = np.bincount(table.zone, weights=length, minlength=job.zones)
    asked = job.asked_minutes + job.standing_minutes + (0.0 if job.standing is None else job.standing.left)
    wrong = np.flatnonzero(np.abs(placed + table.unplaced - asked) > TIME_TOLERANCE)
    found = [
        Violation(
            "minutes", int(z), np.nan, f"{placed[z]:g} min placed, {table.unplaced[z]:g} left, {asked[z]:g} asked"
        )
        for z in wrong
    ]
    if table.fitted != (not np.any(table.unplaced > TIME_TOLERANCE)):
        found.append(Violation("minutes", -1, np.nan, "fitted and unplaced minutes contradict each other"))
    steps = length / job.resolution[table.zone]
    shortest = np.full(job.zones, np.inf)
    np.minimum.at(shortest, job.cycle_zone, job.cycle_minutes)
    shortest = np.minimum(shortest, job.smallest_cycle)
    if job.standing is not None:  # its own lengths; what is keyed into a programme is checked with the programme
        np.minimum.at(shortest, job.standing.zone, job.standing.end - job.standing.start)
    for j in np.flatnonzero(np.abs(steps - np.rint(steps)) > 1e-6):
        found.append(Violation("resolution", int(table.zone[j]), table.start[j], f"length {length[j]:g} min"))
    for j in np.flatnonzero(length < shortest[table.zone] - TIME_TOLERANCE):
        found.append(Violation("smallest cycle", int(table.zone[j]), table.start[j], f"length {length[j]:g} min"))
    in_minutes = job.resolution[table.zone] >= 1.0 - TIME_TOLERANCE
    if job.standing is not None:  # a station of a programme opens when the one before it has closed
        in_minutes &= ~np.isin(table.zone, job.standing.zone)
    for j in np.flatnonzero(in_minutes & (np.abs(table.start - np.rint(table.start)) > TIME_TOLERANCE)):
        found.append(Violation("whole minute", int(table.zone[j]), table.start[j], "starts between two minutes"))
    return found


def _check_hours(job: NightJob, table: Timetable) -> list[Violation]:
    found = []
    length = table.end - table.start
    overlap = _overlap(table.start, table.end, job.pieces)
    starts_in = _joined(job.pieces)
    piece = np.searchsorted(starts_in[:, 0], table.start + TIME_TOLERANCE, side="right") - 1
    ends = np.where(piece >= 0, starts_in[np.maximum(piece, 0), 1] if starts_in.size else -np.inf, -np.inf)
    outside = (overlap.sum(axis=1) < length - TIME_TOLERANCE) | (table.end > ends + TIME_TOLERANCE)
    for j in np.flatnonzero(outside):
        found.append(Violation("window", int(table.zone[j]), table.start[j], f"runs until {table.end[j]:g}"))
    if job.allowed is not None:
        barred = (_overlap(table.start, table.end, job.blocks) * ~job.allowed[table.zone]).sum(axis=1)
        for j in np.flatnonzero(barred > TIME_TOLERANCE):
            found.append(Violation("allowed hours", int(table.zone[j]), table.start[j], f"{barred[j]:g} min barred"))
    return found


def _joined(pieces: FloatArray) -> FloatArray:
    joined: list[list[float]] = []
    for start, end in pieces.tolist():
        if joined and abs(joined[-1][1] - start) <= TIME_TOLERANCE:
            joined[-1][1] = end
        elif end > start:
            joined.append([start, end])
    return np.array(joined).reshape(-1, 2)


def _overlap(start: FloatArray, end: FloatArray, spans: FloatArray) -> FloatArray:
    """Minutes each cycle shares with each span, shape (J, n)."""
    both = np.minimum(end[:, None], spans[None, :, 1]) - np.maximum(start[:, None], spans[None, :, 0])
    return np.asarray(np.clip(both, 0.0, None))


def _check_zones(job: NightJob, table: Timetable) -> list[Violation]:
    order = np.lexsort((table.start, table.zone))
    zone, start, end = table.zone[order], table.start[order], table.end[order]
    same = zone[1:] == zone[:-1]
    rest = start[1:] - end[:-1]
    found = []
    for j in np.flatnonzero(same & (rest < job.soak[zone[1:]] - TIME_TOLERANCE)):
        kind = "zone twice" if rest[j] < -TIME_TOLERANCE else "soak"
        found.append(Violation(kind, int(zone[j]), start[j + 1], f"{rest[j]:g} min after the cycle before"))
    return found


def _check_limit(
    kind: str, index: IntArray, capacity: FloatArray, amount: FloatArray, table: Timetable
) -> list[Violation]:
    found = []
    member_of_cycle = index[table.zone]
    for member in np.flatnonzero(np.isfinite(capacity)):
        on = member_of_cycle == member
        used = _steps(table.start[on], table.end[on], amount[table.zone[on]])
        over = np.flatnonzero(used.level > capacity[member] * (1 + FLOW_TOLERANCE) + 1e-9)
        if over.size:
            peak = over[used.level[over].argmax()]
            text = f"{used.level[peak]:g} of {capacity[member]:g}, {over.size} times"
            found.append(Violation(kind, int(member), used.time[peak], text))
    return found


def _check_reserved(job: NightJob, table: Timetable) -> list[Violation]:
    """Beside what is kept free for controllers that find their own start times, the others hold pumps and branches."""
    if job.standing is None or not job.standing.reserved:
        return []
    kept = job.standing.reserved
    sure = ~np.isin(table.zone, np.array(sorted(job.standing.unsure), dtype=np.int64))
    found = []
    for kind, index, capacity, amounts in (
        ("pump", job.pump, job.pump_capacity, [one.pump for one in kept]),
        ("branch", job.branch, job.branch_capacity, [one.branch for one in kept]),
    ):
        for member in np.flatnonzero(np.isfinite(capacity)).tolist():
            on = sure & (index[table.zone] == member)
            used = _steps(
                np.concatenate([table.start[on], [one.start for one in kept]]),
                np.concatenate([table.end[on], [one.end for one in kept]]),
                np.concatenate([job.flow[table.zone[on]], [amount[member] for amount in amounts]]),
            )
            over = np.flatnonzero(used.level > capacity[member] * (1 + FLOW_TOLERANCE) + 1e-9)
            if over.size:
                text = f"{used.level[over].max():g} of {capacity[member]:g} with what is kept free"
                found.append(Violation(f"kept free of {kind}", member, float(used.time[over[0]]), text))
    return found


def _check_ramp(job: NightJob, table: Timetable, pump: int) -> list[Violation]:
    """Flow at two moments up to a minute apart differs by the ramp at most, or by the largest valve turned between."""
    on = job.pump[table.zone] == pump
    start, end, flow = table.start[on], table.end[on], job.flow[table.zone[on]]
    used = _steps(start, end, flow)
    turned = np.concatenate([start, end])
    valve = np.concatenate([flow, flow])
    order = np.argsort(turned)
    turned, valve = turned[order], valve[order]
    found = []
    for i, moment in enumerate(used.time):
        before = used.level[i - 1] if i else 0.0
        near = np.flatnonzero((used.time >= moment) & (used.time < moment + 1.0 - TIME_TOLERANCE))
        change = np.abs(used.level[near] - before)
        first = int(np.searchsorted(turned, moment - TIME_TOLERANCE))
        until = np.searchsorted(turned, used.time[near] + TIME_TOLERANCE)
        largest = np.array([valve[first:u].max() for u in until])
        over = change > np.maximum(job.pump_ramp[pump], largest) * (1 + FLOW_TOLERANCE) + 1e-9
        if over.any():
            text = f"{change[over].max():g} L/s within a minute, {job.pump_ramp[pump]:g} allowed"
            found.append(Violation("ramp", pump, float(moment), text))
    return found


def play_night(
    job: NightJob,
    timetable: Timetable,
    curves: tuple[PumpCurve | None, ...] = (),
    resistance: FloatArray | None = None,
) -> PlayedNight:
    """Flow by the minute, water by zone, head and energy by tariff block, and the largest change of flow.

    Energy is the integral of rho g Q H / eta over the night, exact between two valves turned: H and eta stand at the
    flow of that stretch. A station that holds its head gives on top of it what the branch that takes most takes.

    Parameters
    ----------
    job : NightJob
    timetable : Timetable
    curves : tuple of PumpCurve or None, length P or 0     Head and efficiency of each pump; None or () = energy not
                                                           known, 0.
    resistance : ndarray, shape (R,), optional             Of each branch [m / (L/s)^1.852]; None = no friction.

    Returns
    -------
    PlayedNight

    Raises
    ------
    ValueError                                              The number of curves is neither 0 nor P, or resistance is
                                                            not of shape (R,).
    """
    pumps, blocks = job.pump_capacity.size, job.blocks.shape[0]
    if len(curves) not in (0, pumps):
        raise ValueError(f"curves: expected {pumps} or none, got {len(curves)}")
    resistance = np.zeros(job.branch_capacity.size) if resistance is None else resistance
    if resistance.shape != job.branch_capacity.shape:
        raise ValueError(f"resistance: expected shape {job.branch_capacity.shape}, got {resistance.shape}")
    zone, start, end = timetable.zone, timetable.start, timetable.end
    first = int(np.floor(start.min())) if start.size else 0
    last = int(np.ceil(end.max())) if end.size else 0
    edges = np.arange(first, last + 1).astype(np.float64)
    flow, lift = np.zeros((pumps, last - first)), np.zeros((pumps, last - first))
    largest, under, short, worst = (np.zeros(pumps) for _ in range(4))
    pumped, energy = np.zeros((pumps, blocks)), np.zeros((pumps, blocks))
    for pump in range(pumps):
        on = job.pump[zone] == pump
        used = _steps(start[on], end[on], job.flow[zone[on]])
        flow[pump] = np.diff(used.volume_until(edges))
        if not used.time.size:
            continue
        largest[pump] = _largest_change(used)
        length, level = np.diff(used.time), np.maximum(used.level[:-1], 0.0)
        level[level < NO_FLOW] = 0.0
        under[pump] = float(length[_low(level, job.pump_smallest[pump])].sum())
        in_block = _overlap(used.time[:-1], used.time[1:], job.blocks)
        pumped[pump] = level @ in_block * M3_OF_LPS_MINUTE
        curve = curves[pump] if curves else None
        if curve is not None:
            taken = _friction(job, timetable, pump, used.time[:-1], resistance)
            energy[pump] = curve.power(level, taken) @ in_block / 60.0
            lifted = _Steps(used.time, np.append(level * curve.head_given(level, taken), 0.0))
            lift[pump] = np.diff(lifted.volume_until(edges))
            missing = np.where(level > 0, curve.head_missing(level, taken), 0.0)
            short[pump] = float(length[missing > MISSING].sum())
            worst[pump] = float(missing.max(initial=0.0))
    head = np.divide(lift, flow, out=np.zeros_like(lift), where=flow > NO_FLOW)
    volume = np.asarray(
        np.bincount(zone, (end - start) * job.flow[zone], job.zones) * M3_OF_LPS_MINUTE, dtype=np.float64
    )
    return PlayedNight(np.arange(first, last), flow, volume, largest, under, head, short, worst, pumped, energy)


def low_flows(job: NightJob, timetable: Timetable) -> tuple[LowFlow, ...]:
    """Stretches of the night in which a pump runs below its smallest flow, in order of pump and time."""
    found: list[LowFlow] = []
    zone, start, end = timetable.zone, timetable.start, timetable.end
    for pump in np.flatnonzero(job.pump_smallest > 0).tolist():
        on = np.flatnonzero(job.pump[zone] == pump)
        used = _steps(start[on], end[on], job.flow[zone[on]])
        low = np.flatnonzero(_low(used.level[:-1], job.pump_smallest[pump]))
        for piece in np.split(low, np.flatnonzero(np.diff(low) > 1) + 1):
            if piece.size:
                begins, ends = float(used.time[piece[0]]), float(used.time[piece[-1] + 1])
                inside = on[(start[on] < ends - TIME_TOLERANCE) & (end[on] > begins + TIME_TOLERANCE)]
                found.append(LowFlow(pump, begins, ends, tuple(np.unique(zone[inside]).tolist())))
    return tuple(found)


def _low(level: FloatArray, smallest: float) -> BoolArray:
    return np.asarray((level > NO_FLOW) & (level < smallest * (1 - FLOW_TOLERANCE)))


def _friction(job: NightJob, timetable: Timetable, pump: int, moment: FloatArray, resistance: FloatArray) -> FloatArray:
    """Head that the branch of a pump that takes most takes from each moment on [m], shape as `moment`."""
    taken = np.zeros(moment.size)
    zone = timetable.zone
    for branch in np.flatnonzero(resistance > 0).tolist():
        on = (job.branch[zone] == branch) & (job.pump[zone] == pump)
        if on.any():
            used = _steps(timetable.start[on], timetable.end[on], job.flow[zone[on]])
            taken = np.maximum(taken, friction_head(np.maximum(used.at(moment), 0.0), resistance[branch]))
    return taken


def _largest_change(used: _Steps) -> float:
    """Largest difference of flow between two moments up to a minute apart [L/s]."""
    before = np.concatenate([[0.0], used.level[:-1]])
    largest = 0.0
    shift = 0
    while shift < used.time.size:
        close = used.time[shift:] - used.time[: used.time.size - shift] < 1.0 - TIME_TOLERANCE
        if not close.any():
            break
        largest = max(largest, float(np.abs(used.level[shift:] - before[: before.size - shift])[close].max()))
        shift += 1
    return largest
