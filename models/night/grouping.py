"""Which stations of a controller share a programme: those of like need, like cycles and like hours.

Stations that must be joined since the controller holds few programmes are joined where it costs least: the dearest
thing to mix is the number of cycles (all stations of a programme run at each of its starts), then hours, times to be
done by, surfaces, and last the need itself. There are several ways to do that, finer and coarser; which of them loses
least is found by laying them (`laying.py`). What stood the evening before is the first of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.night.job import FloatArray, IntArray
from models.night.programmes import Programme, ProgrammeRules

# [-] what it costs to let unlike stations share a programme; only their order matters
CYCLES, SHORT, HOURS, FINISH, KIN, NEED = 8.0, 20.0, 6.0, 3.0, 2.0, 1.0
FINER = 2  # [-] further ways in which the longest programmes are parted


@dataclass(frozen=True)
class StationNeeds:
    """What the stations of programmes want tonight. Z zones; those without minutes do not count.

    Attributes
    ----------
    minutes : ndarray, shape (Z,)          Run time wanted [min].
    cycles : ndarray of int, shape (Z,)    Cycles its soil asks for [-].
    soak : ndarray, shape (Z,)             Rest between two of them [min].
    longest : ndarray, shape (Z,)          Longest cycle [min], whole steps, inf where the soil keeps up.
    least : ndarray, shape (Z,)            Shortest useful cycle [min].
    smallest, largest : ndarray, (Z,)      Smallest run worth making, and longest that may be [min].
    hours, finish, kin : ndarray of int, shape (Z,)   Kinds of hours, of times to be done by, of surfaces.
    like : ndarray of int, shape (Z,)      Zones of one kind draw on the same limits: what one is given less of
                                           another may get.
    """

    minutes: FloatArray
    cycles: IntArray
    soak: FloatArray
    longest: FloatArray
    least: FloatArray
    smallest: FloatArray
    largest: FloatArray
    hours: IntArray
    finish: IntArray
    kin: IntArray
    like: IntArray


@dataclass(frozen=True)
class Grouping:
    """Stations of one controller in programmes: `groups` of zones, and how often each starts; `longest_first` orders.

    `numbers` are those the groups had the evening before, 0 where they had none.
    """

    groups: tuple[tuple[int, ...], ...]
    starts: tuple[int, ...]
    numbers: tuple[int, ...]
    longest_first: bool = False


def groupings(
    rules: ProgrammeRules, needs: StationNeeds, on: IntArray, before: Sequence[Programme] = ()
) -> list[Grouping]:
    """Ways to put stations in programmes, the one of the evening before first.

    Parameters
    ----------
    rules : ProgrammeRules
    needs : StationNeeds
    on : ndarray of int       Zones of the controller that run tonight.
    before : sequence of Programme   What the controller holds from the evening before.
    """
    if not on.size:
        return [Grouping((), (), ())]
    most = rules.programmes
    kinds = [list(g) for g in _kinds(needs, on)]
    found: list[list[list[int]]] = []
    merged = _merged(needs, kinds, most)
    found.append(merged)
    finer = merged
    for _ in range(FINER):
        finer = _parted(needs, finer, most)
        found.append(finer)
    if len(merged) > 1:
        found.append(_merged(needs, merged, max(len(merged) // 2, 1)))
        found.append(_merged(needs, merged, 1))
    ways = [_grouping(rules, needs, groups, {}) for groups in found]
    if before:
        ways.insert(0, _as_before(rules, needs, on, before))
    if rules.at_once > 1 and not rules.listed:
        ways += [Grouping(w.groups, w.starts, w.numbers, True) for w in ways]
    unique: list[Grouping] = []
    for way in ways:
        if all((set(way.groups), way.longest_first) != (set(w.groups), w.longest_first) for w in unique):
            unique.append(way)
    return unique


def _kinds(needs: StationNeeds, on: IntArray) -> list[list[int]]:
    """Zones alike in everything but their need."""
    keys = np.stack([needs.cycles[on], needs.hours[on], needs.finish[on], needs.kin[on]], axis=1)
    _, kind = np.unique(keys, axis=0, return_inverse=True)
    return [on[kind.ravel() == k].tolist() for k in range(int(kind.max()) + 1)]


def _cost(needs: StationNeeds, a: list[int], b: list[int]) -> float:
    """What it costs to let two groups share a programme [-]."""
    both = a + b
    starts = int(needs.cycles[both].max())
    few = (starts - needs.cycles[both]) @ needs.minutes[both]
    short = np.count_nonzero(needs.minutes[both] / starts < np.minimum(needs.least[both], needs.minutes[both]) - 1e-9)
    need = abs(float(np.log(needs.minutes[a].mean() / needs.minutes[b].mean())))
    weights = ((HOURS, needs.hours), (FINISH, needs.finish), (KIN, needs.kin))
    unlike = sum(weight for weight, kind in weights if set(kind[a]) != set(kind[b]))
    mixed = CYCLES * float(few) / float(needs.minutes[both].sum()) + SHORT * short
    return mixed + unlike + NEED * need + 1e-6 * len(both)


def _merged(needs: StationNeeds, groups: list[list[int]], most: int) -> list[list[int]]:
    """The groups joined, the likest first, until no more than `most` are left."""
    groups = [list(g) for g in groups]
    while len(groups) > most:
        pairs = [(_cost(needs, a, b), i, j) for i, a in enumerate(groups) for j, b in enumerate(groups[:i])]
        _, i, j = min(pairs)
        groups[j] += groups.pop(i)
    return groups


def _parted(needs: StationNeeds, groups: list[list[int]], most: int) -> list[list[int]]:
    """One group more: that with the most minutes parted by need, where the controller holds another programme."""
    if len(groups) >= most or max(len(g) for g in groups) < 2:
        return groups
    total = [float(needs.minutes[g].sum()) if len(g) > 1 else 0.0 for g in groups]
    which = int(np.argmax(total))
    by_need = sorted(groups[which], key=lambda z: -needs.minutes[z])
    half = min(int(np.searchsorted(np.cumsum(needs.minutes[by_need]), total[which] / 2.0)) + 1, len(by_need) - 1)
    return [*groups[:which], by_need[:half], by_need[half:], *groups[which + 1 :]]


def _as_before(rules: ProgrammeRules, needs: StationNeeds, on: IntArray, before: Sequence[Programme]) -> Grouping:
    """The programmes of the evening before with the stations that run tonight; new ones go where they are likest."""
    number_of = {z: p.number for p in before for z in p.zones}
    groups: dict[int, list[int]] = {}
    new: list[int] = []
    for zone in on.tolist():
        if zone in number_of and number_of[zone] <= rules.programmes:
            groups.setdefault(number_of[zone], []).append(zone)
        else:
            new.append(zone)
    free = [n for n in range(1, rules.programmes + 1) if n not in groups]
    for kind in _kinds(needs, np.array(new, dtype=np.int64)) if new else []:
        costs = sorted((_cost(needs, kind, g), n) for n, g in groups.items())
        if costs and (costs[0][0] < KIN or not free):
            groups[costs[0][1]] += kind
        else:
            groups[free.pop()] = kind
    return _grouping(rules, needs, list(groups.values()), {n: g for n, g in groups.items()})


def _grouping(
    rules: ProgrammeRules, needs: StationNeeds, groups: list[list[int]], numbered: dict[int, list[int]]
) -> Grouping:
    """Groups with their starts, the stations of each in the controller's own order."""
    ordered = [tuple(sorted(g, key=lambda z: (int(rules.place[z]), z))) for g in groups]
    starts = tuple(int(min(needs.cycles[list(g)].max(), rules.starts_each)) for g in ordered)
    return Grouping(tuple(ordered), starts, tuple(numbered) if numbered else (0,) * len(ordered))


def minutes_per_start(needs: StationNeeds, flow: FloatArray, step: FloatArray, starts: IntArray) -> FloatArray:
    """Minutes of each station at one start, so that all its starts come nearest to what it wants, shape (Z,) [min].

    What rounding down keeps from some goes to others that draw on the same limits, those nearest to the next step
    first, never beyond a zone's longest cycle and run.

    Parameters
    ----------
    needs : StationNeeds
    flow, step : ndarray, shape (Z,)     [L/s], [min].
    starts : ndarray of int, shape (Z,)  Starts of the programme of each zone, 0 where it is in none.
    """
    each = np.zeros(needs.minutes.size)
    in_one = np.flatnonzero((starts > 0) & (needs.minutes > 0))
    wanted = np.minimum(needs.minutes[in_one] / starts[in_one], needs.longest[in_one]) / step[in_one]
    each[in_one] = np.floor(wanted + 1e-9)
    rest = np.zeros_like(each)
    rest[in_one] = np.maximum(wanted - each[in_one], 0.0)
    for kind in np.unique(needs.like[in_one]).tolist():
        of_kind = in_one[(needs.like[in_one] == kind) & (rest[in_one] > 1e-9)]
        water = float((rest * starts * step * flow)[of_kind].sum())
        for zone in of_kind[np.argsort(-rest[of_kind], kind="stable")].tolist():
            more = starts[zone] * step[zone] * flow[zone]
            longer = (each[zone] + 1.0) * step[zone]
            if more <= water + 1e-9 and longer <= needs.longest[zone] + 1e-9:
                if starts[zone] * longer <= needs.largest[zone] + 1e-9:
                    each[zone] += 1.0
                    water -= float(more)
    each *= step
    useful = (each >= np.minimum(needs.least, needs.minutes) - 1e-9) & (starts * each >= needs.smallest - 1e-9)
    return np.where(useful, each, 0.0)
