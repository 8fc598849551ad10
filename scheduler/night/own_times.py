"""Controllers that find their own start times: what they are given, and what is kept free for them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.night import Cycles, NightJob, pack_night
from models.night.any_order import AnyOrder, share_any_order
from models.night.job import Reserved, Standing
from scheduler.site import Site


def left_to_controllers(site: Site, cycles: Cycles, job: NightJob) -> tuple[AnyOrder, ...]:
    """What controllers that find their own start times are given."""
    own = [(i, int(c.stations_at_once or 1)) for i, c in enumerate(site.controllers) if c.run_time_only]
    if not own:
        return ()
    count = np.where(np.isin(job.controller, [i for i, _ in own]), cycles.count, 0).astype(np.int64)
    each = np.floor(job.asked_minutes / np.maximum(count, 1) / job.resolution + 1e-9) * job.resolution
    smallest = np.zeros(job.zones) if job.smallest_run is None else job.smallest_run
    rank = np.zeros(job.zones, dtype=np.int64) if job.finish_rank is None else job.finish_rank
    return tuple(share_any_order(job, own, count, each, np.minimum(smallest, count * each), rank))


def own_runs(job: NightJob, own: tuple[AnyOrder, ...], effort: float) -> Standing:
    """One way in which controllers of their own may run, and the capacity kept free for any other."""
    none = np.zeros(0)
    base = Standing(np.zeros(0, dtype=np.int64), none, none, np.zeros(job.zones))
    for one in own:
        running = np.flatnonzero(one.cycles > 0)
        wanted = np.where(job.controller == one.controller, job.asked_minutes, 0.0)
        if not running.size:
            base = replace(base, left=base.left + wanted)
            continue
        zone = np.repeat(running, one.cycles[running])
        part = replace(
            job,
            cycle_zone=zone,
            cycle_minutes=one.each[zone],
            pieces=np.array([[one.opens, one.ends]]),
            finish_by=None,
            minutes_by_block=None,
            standing=_within(base, one.opens, one.ends),
        )
        table = pack_night(part, effort)
        on = job.controller[table.zone] == one.controller
        given = np.bincount(table.zone[on], weights=(table.end - table.start)[on], minlength=job.zones)
        base = Standing(
            np.concatenate([base.zone, table.zone[on]]),
            np.concatenate([base.start, table.start[on]]),
            np.concatenate([base.end, table.end[on]]),
            base.left + np.maximum(wanted - given, 0.0),
            base.reserved,
            base.unsure | frozenset(running.tolist()),
        )
    kept = tuple(Reserved(one.opens, one.ends, one.pump, one.branch) for one in own if one.cycles.any())
    return replace(base, reserved=kept)


def _within(standing: Standing, opens: float, ends: float) -> Standing:
    """What stands, as far as it runs in some hours [min]."""
    start, end = np.maximum(standing.start, opens), np.minimum(standing.end, ends)
    runs = start < end
    return replace(standing, zone=standing.zone[runs], start=start[runs], end=end[runs])
