"""The night as a grid: what every pump, branch and controller has left, and where a cycle may start.

One row per limit, one column per grid step. Whether a cycle of L steps may start at s is a question about all of s ..
s+L-1: steps that will not do are marked, and a running count of marks is equal at both ends of a span without any.

The ramp holds for any two moments at most a minute apart. For each boundary s between two steps, `rise[s]` is the
largest F[j] - F[i] with i before and j after the boundary, j - i at most a minute; a valve of flow q opened at s adds
q to all of them. A valve alone may pass the ramp (it cannot be opened by half), so the rule is: change <= max(ramp,
q). `fall` is the mirror image for closing.
"""

import numpy as np

from models.night.bounds import whole_capacity, whole_flow
from models.night.job import BoolArray, IntArray, NightJob

Standing = tuple[IntArray, IntArray, IntArray, IntArray, list[list[tuple[int, int]]]]


class Board:
    """Free capacity over the night. Placing a cycle changes it; `copy` keeps a state."""

    def __init__(self, job: NightJob) -> None:
        self.job = job
        pieces = job.whole_pieces
        self.first = int(pieces[0, 0]) if pieces.size else 0
        self.steps = int(pieces[-1, 1]) - self.first if pieces.size else 0
        self.minute = 60 // job.grid_s  # grid steps in a minute
        self.need = whole_flow(job.flow)
        self._lay_limits()
        self._lay_masks()
        self._lay_ramps()
        self.soak = job.to_grid(job.soak, "up")
        self.own: list[tuple[int, int, int]] = []  # per zone: its pump, -1 without; its flow; its soak
        self.own += zip(job.pump.tolist(), self.need.tolist(), self.soak.tolist(), strict=True)
        self.resolution = np.maximum(job.to_grid(job.resolution), 1)  # zones that do not run may be finer
        self.least = np.maximum(job.to_grid(job.smallest_cycle, "up"), 1)
        self.least = -(-self.least // self.resolution) * self.resolution
        self.shortest = self.least.copy()  # the least that may run at all: less only where a whole cycle is less
        np.minimum.at(self.shortest, job.cycle_zone, job.to_grid(job.cycle_minutes))
        start_every = np.where(self.resolution >= self.minute, self.minute, self.resolution)
        start_every = np.where(self.minute % start_every == 0, start_every, 1)
        self.start_every: list[int] = start_every.tolist()
        self.count = np.zeros(self.steps + 1, dtype=np.int32)  # of marks before each boundary, written anew by `starts`
        self.placed: list[list[tuple[int, int]]] = [[] for _ in range(job.zones)]
        self.standing: list[tuple[int, int, int]] = []  # zone, start, end of runs that nothing moves
        self._lay_standing()

    def _lay_limits(self) -> None:
        job = self.job
        capacity = np.concatenate(
            [
                whole_capacity(job.pump_capacity),
                whole_capacity(job.branch_capacity),
                whole_capacity(np.floor(job.stations_at_once)) // 1_000_000,
            ]
        )
        offset = np.cumsum([0, job.pump_capacity.size, job.branch_capacity.size])
        finite = np.concatenate(
            [np.isfinite(job.pump_capacity), np.isfinite(job.branch_capacity), np.isfinite(job.stations_at_once)]
        )
        self.capacity = capacity
        self.free = np.repeat(capacity[:, None], max(self.steps, 1), axis=1)
        self.uses: list[list[tuple[int, int]]] = []  # per zone: (row, amount) of each limit it draws on
        rows = np.stack([job.pump, job.branch, job.controller], axis=1)
        for zone, members in enumerate(rows.tolist()):
            amounts = (int(self.need[zone]), int(self.need[zone]), 1)
            uses = [(int(offset[i]) + m, amounts[i]) for i, m in enumerate(members) if m >= 0 and amounts[i] > 0]
            self.uses.append([(row, amount) for row, amount in uses if finite[row]])
        self.lanes = [[(self.free[row], amount) for row, amount in uses] for uses in self.uses]  # the rows themselves

    def _lay_masks(self) -> None:
        job = self.job
        shut = np.ones(max(self.steps, 1), dtype=bool)
        for opening, closing in (job.whole_pieces - self.first).tolist():
            shut[opening:closing] = False
        kinds, of_zone = job.hours
        self.shut: BoolArray = np.repeat(shut[None, :], max(len(kinds), 1), axis=0)
        opens, closes = job.to_grid(job.blocks[:, 0], "down"), job.to_grid(job.blocks[:, 1], "up")
        for kind, row in enumerate(kinds):
            for block in np.flatnonzero(row[:-1] == 0):
                self.shut[kind, max(opens[block] - self.first, 0) : max(closes[block] - self.first, 0)] = True
            self.shut[kind, max(int(row[-1]) - self.first, 0) :] = True
        self.mask_of_zone: list[int] = of_zone.tolist()

    def _lay_standing(self) -> None:
        """Count what stands already as used; it is not among `placed`, so nothing takes it off."""
        standing = self.job.standing
        if standing is None:
            return
        for kept in standing.reserved:
            ends = np.array([kept.start, kept.end])
            start = max(int(self.job.to_grid(ends, "down")[0]) - self.first, 0)
            end = max(int(self.job.to_grid(ends, "up")[1]) - self.first, 0)
            amount = whole_flow(np.concatenate([kept.pump, kept.branch]))
            self.free[: amount.size, start:end] -= amount[:, None]
        spans = [self.job.to_grid(moments) - self.first for moments in (standing.start, standing.end)]
        for zone, start, end in zip(standing.zone.tolist(), *(span.tolist() for span in spans), strict=True):
            self.place(zone, start, end - start)
            self.placed[zone].clear()
            self.standing.append((zone, start, end))
            if zone in standing.unsure:  # its flow is in what is reserved
                for row, amount in self.uses[zone]:
                    self.free[row, start:end] += amount

    def open_again(self, job: NightJob) -> None:
        """Take the masks of another job of the same zones and window, as one without times to be done by."""
        self.job = job
        self._lay_masks()

    def _lay_ramps(self) -> None:
        job = self.job
        pumps = job.pump_capacity.size
        self.ramp = whole_capacity(job.pump_ramp)
        self.ramped = np.isfinite(job.pump_ramp)
        edge = self.minute
        self.flow = np.zeros((pumps, self.steps + 2 * edge), dtype=np.int64)  # a minute of rest on either side
        self.rise = np.zeros((pumps, self.steps + 1), dtype=np.int64)
        self.fall = np.zeros((pumps, self.steps + 1), dtype=np.int64)
        self.ramp_of = [int(r) if on else None for r, on in zip(self.ramp, self.ramped, strict=True)]
        self.slopes = list(zip(self.rise, self.fall, strict=True))  # the rows themselves, as in `lanes`

    def marked(self, zone: int, spare: IntArray | None = None) -> BoolArray:
        """Grid steps in which the zone cannot run, shape (T,): shut, short of capacity, or too near its own cycles.

        `spare` (limits, T), if given, counts as free beside what is.
        """
        bad: BoolArray = self.shut[self.mask_of_zone[zone]].copy()
        if spare is None:
            for lane, amount in self.lanes[zone]:
                bad |= lane < amount
        else:
            for row, amount in self.uses[zone]:
                bad |= self.free[row] + spare[row] < amount
        if self.placed[zone]:
            soak = self.own[zone][2]
            for start, end in self.placed[zone]:
                bad[max(start - soak, 0) : end + soak] = True
        return bad

    def starts(self, zone: int, length: int, bad: BoolArray | None = None, ramp: bool = True) -> IntArray:
        """All starts, in grid steps from `first`, at which the zone may run `length` steps; in order of time.

        `bad` stands for what `marked` says; without `ramp` the ramp is not looked at.
        """
        if length > self.steps:
            return np.zeros(0, dtype=np.int64)
        bad = self.marked(zone) if bad is None else bad
        count = self.count
        bad[: self.steps].cumsum(out=count[1:])
        good = count[length:] == count[: self.steps + 1 - length]
        pump, need, _ = self.own[zone]
        most = self.ramp_of[pump] if ramp and pump >= 0 else None
        if most is not None:
            room = max(most - need, 0)
            rise, fall = self.slopes[pump]
            good &= rise[: good.size] <= room
            good &= fall[length:] >= -room
        every = self.start_every[zone]
        found: IntArray = good.nonzero()[0]
        if every > 1:
            found = found[(found + self.first) % every == 0]
        return found

    def keeps_ramp(self, zone: int, start: int, end: int) -> bool:
        """Whether the zone may begin and end at these moments by the ramp of its pump."""
        pump = int(self.job.pump[zone])
        if pump < 0 or not self.ramped[pump]:
            return True
        room = max(int(self.ramp[pump]) - int(self.need[zone]), 0)
        return bool(self.rise[pump, start] <= room and self.fall[pump, end] >= -room)

    def place(self, zone: int, start: int, length: int) -> None:
        """Run the zone from `start` for `length` steps; the caller got the start from `starts`."""
        end = start + length
        for lane, amount in self.lanes[zone]:
            span = lane[start:end]
            span -= amount
        pump, need, _ = self.own[zone]
        if pump >= 0:
            span = self.flow[pump, self.minute + start : self.minute + end]
            span += need
            if self.ramp_of[pump] is not None:
                self._recount_ramps(pump, start, end, need)
        self.placed[zone].append((start, end))

    def remove(self, zone: int, start: int, end: int) -> bool:
        """Take a run off the board again; False where the pump's flow now changes by more than its ramp.

        A valve that opens as others close may be all that keeps the ramp; without it the others close too fast.
        """
        for lane, amount in self.lanes[zone]:
            span = lane[start:end]
            span += amount
        self.placed[zone].remove((start, end))
        pump, need, _ = self.own[zone]
        if pump < 0:
            return True
        span = self.flow[pump, self.minute + start : self.minute + end]
        span -= need
        kept, ramp = True, self.ramp_of[pump]
        if ramp is None:
            return True
        if self.minute == 1:
            rise = self.slopes[pump][0]
            opened, closed = rise.item(start), rise.item(end)
            self._recount_ramps(pump, start, end, -need)
            return opened - need >= min(opened, -ramp) and closed + need <= max(closed, ramp)
        for boundary in (start, end):
            near = slice(max(boundary - self.minute + 1, 0), boundary + self.minute)
            rise, fall = self.rise[pump, near].copy(), self.fall[pump, near].copy()
            self._recount_ramp(pump, boundary)
            kept &= bool((self.rise[pump, near] <= np.maximum(rise, ramp)).all())
            kept &= bool((self.fall[pump, near] >= np.minimum(fall, -ramp)).all())
        return kept

    def standing_now(self) -> Standing:
        """All that stands on the board, to be taken back to with `stand_again`."""
        placed = [list(spans) for spans in self.placed]
        return self.free.copy(), self.flow.copy(), self.rise.copy(), self.fall.copy(), placed

    def stand_again(self, standing: Standing) -> None:
        """Bring the board back to what stood on it before; a standing is given back as often as wished."""
        for mine, kept in zip((self.free, self.flow, self.rise, self.fall), standing[:4], strict=True):
            mine[...] = kept
        self.placed = [list(spans) for spans in standing[4]]

    def _recount_ramps(self, pump: int, start: int, end: int, need: int) -> None:
        """Bring `rise` and `fall` up to date after the flow from `start` to `end` has grown by `need`."""
        if self.minute == 1:  # only the two steps beside each boundary
            for change in self.slopes[pump]:
                change[start] += need
                change[end] -= need
            return
        self._recount_ramp(pump, start)
        self._recount_ramp(pump, end)

    def _recount_ramp(self, pump: int, boundary: int) -> None:
        """Bring `rise` and `fall` up to date within a minute of a boundary."""
        k = self.minute
        low, high = max(boundary - k + 1, 0), min(boundary + k, self.steps + 1)
        around = self.flow[pump, low : high + 2 * k - 1]
        windows = np.lib.stride_tricks.sliding_window_view(around, 2 * k)
        before, after = windows[:, :k], windows[:, k:]
        self.rise[pump, low:high] = (np.maximum.accumulate(after, axis=1) - before).max(axis=1)
        self.fall[pump, low:high] = (np.minimum.accumulate(after, axis=1) - before).min(axis=1)

    def holds_ramps(self) -> bool:
        """Whether the flow of every pump changes by no more than its ramp, or by one valve, within any minute."""
        for pump in np.flatnonzero(self.ramped).tolist():
            change = np.maximum(self.rise[pump], -self.fall[pump])
            over = np.flatnonzero(change > self.ramp[pump])
            if over.size and not self._by_one_valve(pump, over, change[over]):
                return False
        return True

    def _by_one_valve(self, pump: int, boundary: IntArray, change: IntArray) -> bool:
        """Whether each change at a boundary is no more than the largest valve turned within the minute around it."""
        turned = [
            (e, int(self.need[z]))
            for z in np.flatnonzero(self.job.pump == pump).tolist()
            for span in self.placed[z]
            for e in span
        ] + [(e, int(self.need[z])) for z, *span in self.standing if self.job.pump[z] == pump for e in span]
        at = np.array([e for e, _ in turned], dtype=np.int64)
        valve = np.array([need for _, need in turned], dtype=np.int64)
        near = np.abs(at[None, :] - boundary[:, None]) < self.minute
        return bool((change <= np.where(near, valve[None, :], 0).max(axis=1)).all())
