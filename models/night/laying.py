"""Start times for programmes: several ways to group and order them are laid, and the one that loses least is kept.

`blocks.py` lays one way. Here ways and orders are tried until everything has its place or the effort is spent, that of
the evening before first; the programmes then get their numbers, so that little has to be keyed anew.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.night.blocks import LaidProgrammes, Laying
from models.night.grouping import Grouping, StationNeeds, groupings
from models.night.job import NightJob
from models.night.programmes import Programme, ProgrammeRules

LAYINGS = 40  # [-] times the night is laid anew before the best is taken
DRAWN_ORDERS = 6  # [-] orders of the programmes drawn where something is left out
ORDERS = ("rank", "starts", "length")  # in which programmes are laid


def lay_programmes(
    job: NightJob,
    rules: Sequence[ProgrammeRules],
    needs: StationNeeds,
    before: Sequence[Programme] = (),
) -> LaidProgrammes:
    """Put the stations of controllers that hold programmes in programmes, and find their start times.

    Parameters
    ----------
    job : NightJob               Every limit of the night; its cycles are not looked at, what stands in it is.
    rules : sequence of ProgrammeRules   One a controller.
    needs : StationNeeds         What the stations want.
    before : sequence of Programme   What the controllers hold from the evening before.
    """
    ways = []
    for one in rules:
        on = np.flatnonzero((job.controller == one.controller) & (needs.minutes > 0))
        ways.append(groupings(one, needs, on, [p for p in before if p.controller == one.controller]))
    search = _Search(job, needs, rules, ways, before)
    best, chosen = search.laid([0] * len(ways), "rank"), [0] * len(ways)
    better = True
    while better and not best.holds_all and search.left:
        better = False
        for order in ORDERS[1:]:
            found = search.laid(chosen, order)
            if found.cost() < best.cost() - 1e-9:
                best = found
        for c, options in enumerate(ways):
            for k in range(len(options)):
                trial = [*chosen[:c], k, *chosen[c + 1 :]]
                if k == chosen[c] or not search.left or best.holds_all:
                    continue
                found = search.laid(trial, "rank")
                if found.cost() < best.cost() - 1e-9:
                    best, chosen, better = found, trial, True
    for seed in range(DRAWN_ORDERS):
        if best.holds_all:
            break
        found = search.laid(chosen, "drawn", seed)
        best = found if found.cost() < best.cost() - 1e-9 else best
    return _numbered(best.result(), rules, before)


class _Search:
    """Ways and orders tried, until the effort is spent."""

    def __init__(
        self,
        job: NightJob,
        needs: StationNeeds,
        rules: Sequence[ProgrammeRules],
        ways: list[list[Grouping]],
        before: Sequence[Programme],
    ) -> None:
        self.job, self.needs, self.rules, self.ways, self.before = job, needs, rules, ways, before
        self.left = LAYINGS

    def laid(self, chosen: list[int], order: str, seed: int = 0) -> Laying:
        """The chosen way of each controller, laid in an order."""
        self.left = max(self.left - 1, 0)
        pairs = [(one, options[k]) for one, options, k in zip(self.rules, self.ways, chosen, strict=True)]
        laying = Laying(self.job, self.needs, pairs)
        laying.run(order, self.before, seed)
        return laying


def _numbered(laid: LaidProgrammes, rules: Sequence[ProgrammeRules], before: Sequence[Programme]) -> LaidProgrammes:
    """The programmes with their numbers: what shares most stations with one of before keeps that one's."""
    found: list[Programme] = []
    for one in rules:
        own = [p for p in laid.programmes if p.controller == one.controller]
        old = [p for p in before if p.controller == one.controller and p.number <= one.programmes]
        shared = sorted(
            ((-len(set(p.zones) & set(q.zones)), i, q.number) for i, p in enumerate(own) for q in old),
        )
        number: dict[int, int] = {}
        for same, i, wanted in shared:
            if same < 0 and i not in number and wanted not in number.values():
                number[i] = wanted
        held = {q.number for q in old}
        for i in [i for i, n in number.items() if _better_apart(own[i], next(q for q in old if q.number == n), own)]:
            if len(held | set(number.values())) < one.programmes:
                held.add(number.pop(i))
        free = [n for n in range(1, one.programmes + 1) if n not in number.values()]
        free.sort(key=lambda n: (n in held, n))  # one that rests tonight is written over last
        for i, p in sorted(enumerate(own), key=lambda pair: min(pair[1].starts, default=0.0)):
            found.append(replace(p, number=number[i] if i in number else free.pop(0)))
    return replace(laid, programmes=tuple(sorted(found, key=lambda p: (p.controller, p.number))))


def _better_apart(now: Programme, before: Programme, others: Sequence[Programme]) -> bool:
    """Whether fewer values are keyed where these stations get a programme of their own and the others rest.

    Beside its start times: one for each station that would have to be taken out or changed, against two for each that
    moves.
    """
    running = {z for p in others for z in p.zones}
    rests = [z for z in before.zones if z not in running]
    was = dict(zip(before.zones, before.minutes, strict=True))
    stays = [(z, m) for z, m in zip(now.zones, now.minutes, strict=True) if z in was]
    changed = sum(abs(was[z] - m) > 1e-9 for z, m in stays)
    return len(rests) + changed > 2 * len(stays) + len(before.starts)
