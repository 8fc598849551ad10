"""Controllers that find their own start times: what they may do at worst, and how much can be left to them.

Such a controller takes run times and cycles. It begins when the night opens and runs its stations in an order nobody
knows, so many together, never idle while a station could run. Two things hold for every such order.

Flow: no more than the `at_once` largest flows of a pump or branch run together. That much is kept free for them.

End: let w_z be the minutes of zone z, W those of all stations, and L_z = w_z + (n_z - 1) soak_z the shortest time its
cycles and soaks take. At any moment before the last station ends, it runs or soaks (L_z in all), or all places are
taken by others. So

    end <= opening + max over z of ( L_z + (W - w_z) / at_once ).

Source: the bound for list schedules, Graham, Bell System Technical Journal 45 (1966) 1563-1581, with soaks added to the
chain (derived here). Mark: memory for the source, computed for the rest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.night.job import BoolArray, FloatArray, IntArray, NightJob


@dataclass(frozen=True)
class AnyOrder:
    """What one controller that finds its own start times is given. Z zones, P pumps, R branches.

    Attributes
    ----------
    controller : int                  Index.
    at_once : int                     Stations it runs together [-].
    cycles : ndarray of int, (Z,)     Cycles of each of its zones, 0 for others.
    each : ndarray, shape (Z,)        Minutes of one cycle [min].
    opens, ends : float               When it begins, and when it is done at the latest whatever the order [min].
    pump : ndarray, shape (P,)        Most it may draw from each pump at any moment [L/s].
    branch : ndarray, shape (R,)      The same by branch [L/s].
    """

    controller: int
    at_once: int
    cycles: IntArray
    each: FloatArray
    opens: float
    ends: float
    pump: FloatArray
    branch: FloatArray

    @property
    def minutes(self) -> FloatArray:
        """Run time of each zone [min], shape (Z,)."""
        return self.cycles * self.each


def latest_end(cycles: IntArray, each: FloatArray, soak: FloatArray, at_once: int) -> float:
    """Longest time any order of the stations takes [min].

    Parameters
    ----------
    cycles : ndarray of int, shape (n,)   Cycles of each station, 0 = it does not run.
    each : ndarray, shape (n,)            Minutes of one cycle [min].
    soak : ndarray, shape (n,)            Rest between two cycles [min].
    at_once : int                         Stations that run together [-].

    Examples
    --------
    Three stations of 10, 6 and 6 min, two at once: 10 begins last, when the others are done: 6 + 10.

    >>> latest_end(np.array([1, 1, 1]), np.array([10.0, 6.0, 6.0]), np.zeros(3), 2)
    16.0
    """
    own = cycles * each
    chain = own + np.maximum(cycles - 1, 0) * soak
    return float(np.where(cycles > 0, chain + (own.sum() - own) / at_once, 0.0).max(initial=0.0))


def most_together(amount: FloatArray, group: IntArray, on: BoolArray, groups: int, at_once: int) -> FloatArray:
    """Most that the stations that run may draw together from each pump or branch, shape (groups,) [L/s]."""
    found = np.zeros(groups)
    for g in range(groups):
        found[g] = np.sort(amount[on & (group == g)])[::-1][:at_once].sum()
    return found


def share_any_order(
    job: NightJob,
    controllers: Sequence[tuple[int, int]],
    cycles: IntArray,
    each: FloatArray,
    smallest: FloatArray,
    rank: IntArray,
) -> list[AnyOrder]:
    """What can be left to controllers that find their own start times, the ranks served first before the others.

    A station is left out, or runs less, where the night might otherwise end too late, pass an hour that is forbidden to
    one of the stations, or draw more than a pump or branch gives.

    Parameters
    ----------
    job : NightJob                     Hours and limits; its cycles are not looked at.
    controllers : sequence of (index, stations at once)
    cycles : ndarray of int, (Z,)      Cycles wanted.
    each : ndarray, shape (Z,)         Minutes of one [min].
    smallest : ndarray, shape (Z,)     Smallest run worth making [min].
    rank : ndarray of int, (Z,)        0 is served first.
    """
    piece = _longest_piece(job.pieces)
    until = _open_until(job, piece)
    shares = {c: (np.zeros(job.zones, dtype=np.int64), each.copy()) for c, _ in controllers}
    at_once = dict(controllers)

    def drawn(group: IntArray, groups: int) -> FloatArray:
        return sum(
            (most_together(job.flow, group, shares[c][0] > 0, groups, at_once[c]) for c, _ in controllers),
            np.zeros(groups),
        )

    for zone in np.lexsort((-job.flow * cycles * each, rank)).tolist():
        own = int(job.controller[zone])
        if own not in at_once or cycles[zone] == 0:
            continue
        number, minutes = shares[own]
        number[zone] = cycles[zone]
        fits = bool(
            (drawn(job.pump, job.pump_capacity.size) <= job.pump_capacity * (1 + 1e-9)).all()
            and (drawn(job.branch, job.branch_capacity.size) <= job.branch_capacity * (1 + 1e-9)).all()
        )
        step, full = float(job.resolution[zone]), float(each[zone])
        close = float(until[number > 0].min())
        while fits and piece[0] + latest_end(number, minutes, job.soak, at_once[own]) > close + 1e-9:
            minutes[zone] -= step
            fits = minutes[zone] > 1e-9 and number[zone] * minutes[zone] >= smallest[zone] - 1e-9
        if not fits:
            number[zone], minutes[zone] = 0, full
    return [
        AnyOrder(
            controller=c,
            at_once=at_once[c],
            cycles=shares[c][0],
            each=shares[c][1],
            opens=piece[0],
            ends=piece[0] + latest_end(*shares[c], job.soak, at_once[c]),
            pump=most_together(job.flow, job.pump, shares[c][0] > 0, job.pump_capacity.size, at_once[c]),
            branch=most_together(job.flow, job.branch, shares[c][0] > 0, job.branch_capacity.size, at_once[c]),
        )
        for c, _ in controllers
    ]


def _longest_piece(pieces: FloatArray) -> tuple[float, float]:
    """The longest stretch of the window without a gap: such a controller begins with it [min]."""
    joined: list[tuple[float, float]] = []
    for opens, closes in pieces.tolist():
        if joined and abs(joined[-1][1] - opens) < 1e-9:
            joined[-1] = (joined[-1][0], closes)
        else:
            joined.append((opens, closes))
    return max(joined, key=lambda p: (p[1] - p[0], -p[0]), default=(0.0, 0.0))


def _open_until(job: NightJob, piece: tuple[float, float]) -> FloatArray:
    """Until when each zone may run without a break from the opening on, shape (Z,) [min]."""
    until = np.full(job.zones, piece[1])
    if job.allowed is not None:
        for b, (start, end) in enumerate(job.blocks.tolist()):
            if end > piece[0] + 1e-9 and start < piece[1] - 1e-9:
                until = np.where(job.allowed[:, b], until, np.minimum(until, max(start, piece[0])))
    return until
