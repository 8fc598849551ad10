"""Random and full nights for the tests and benches of the packer. Every number is invented; the seed is the name of
the night."""

import numpy as np

from models.night import NightJob, split_into_cycles


def random_job(seed: int) -> NightJob:
    """A small site with any mix of limits: loose or overfull, several pumps, gaps in the window, barred hours, soaks,
    ramps."""
    rng = np.random.default_rng(seed)
    zones = int(rng.integers(1, 25))
    pumps, branches, controllers = (int(n) for n in rng.integers(1, 4, 3))
    resolution = rng.choice([0.1, 0.25, 0.5, 1.0, 1.0, 2.0], controllers)
    controller = rng.integers(-1, controllers, zones)
    step = np.where(controller >= 0, resolution[controller], 1.0)
    minutes = np.maximum(np.rint(rng.uniform(2, 40, zones) / step), 1) * step
    flow = rng.choice([0.0, 1.0, 2.5, 3.17, 8.0], zones, p=[0.05, 0.3, 0.3, 0.25, 0.1])
    smallest = rng.choice([0.0, 1.0, 3.0], zones)
    cycles = split_into_cycles(
        minutes, step, rng.uniform(10, 50, zones), rng.uniform(5, 30, zones), rng.uniform(1, 6, zones), smallest
    )
    pieces = _random_pieces(rng)
    blocks = _cut(pieces, rng)
    allowed = rng.random((zones, len(blocks))) < 0.8 if rng.random() < 0.4 else None
    wish = rng.uniform(0, 20, (zones, len(blocks))) if rng.random() < 0.4 else None
    return NightJob(
        cycle_zone=cycles.zone,
        cycle_minutes=cycles.length,
        soak=cycles.soak,
        smallest_cycle=smallest,
        resolution=step,
        flow=flow,
        pump=rng.integers(-1, pumps, zones),
        branch=rng.integers(-1, branches, zones),
        controller=controller,
        pump_capacity=rng.choice([6.0, 8.5, 14.0, np.inf], pumps),
        pump_ramp=rng.choice([2.0, 5.0, np.inf], pumps),
        pump_smallest=rng.choice([0.0, 2.0], pumps),
        branch_capacity=rng.choice([4.0, 9.0, np.inf], branches),
        stations_at_once=rng.choice([1.0, 2.0, 6.0, np.inf], controllers),
        pieces=pieces,
        blocks=blocks,
        allowed=allowed,
        finish_rank=rng.integers(0, 4, zones) if rng.random() < 0.5 else None,
        finish_by=rng.choice([np.nan, 1700.0, 1750.0], zones) if rng.random() < 0.5 else None,
        minutes_by_block=wish,
        block_price=rng.choice([0.1, 0.2], len(blocks)) if rng.random() < 0.5 else None,
    )


def _random_pieces(rng: np.random.Generator) -> np.ndarray:
    opens = float(rng.integers(1200, 1300)) + float(rng.choice([0.0, 0.0, 0.25]))
    lengths = rng.integers(20, 240, int(rng.integers(1, 4)))
    gaps = rng.choice([0.0, 15.0, 90.0], lengths.size)
    start = opens + np.concatenate([[0.0], np.cumsum(lengths + gaps)[:-1]])
    return np.stack([start, start + lengths], axis=1)


def _cut(pieces: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    blocks = []
    for start, end in pieces:
        middle = start + float(rng.integers(1, int(end - start)))
        blocks += [(start, middle), (middle, end)] if rng.random() < 0.6 else [(start, end)]
    return np.array(blocks)


def full_job(
    zones: int,
    seed: int,
    *,
    pump: float = 1.0,
    branches: int = 0,
    stations: int = 0,
    soaks: float = 0.3,
    ramp: float = np.inf,
    resolution: float = 1.0,
    gaps: bool = False,
    window: float = 540.0,
    coarse: float = 1.0,
) -> NightJob:
    """A site whose night is as full as can be: its window is as long as the proven bound, to be lengthened by the
    caller.

    `pump` is the capacity in flows of 8 % of the zones; `branches` of equal capacity together carry 1.15 times the
    pump; each of the controllers takes `stations` at once; `coarse` times larger flows for the same capacity make the
    night harder to fill.
    """
    rng = np.random.default_rng(seed)
    flow = rng.uniform(0.8, 3.2, zones).round(2)
    capacity = max(pump * flow.sum() * 0.08, 2.5 * flow.max())
    flow = np.minimum(flow * coarse, capacity * 0.9)
    minutes = rng.uniform(6, 24, zones)
    rate, infiltration = np.full(zones, 30.0), np.where(rng.random(zones) < soaks, 12.0, 60.0)
    branch = rng.integers(0, branches, zones) if branches else np.full(zones, -1)
    controllers = max(zones // 40, 1)
    controller = rng.integers(0, controllers, zones)
    load = [flow @ minutes / capacity]
    branch_capacity = np.zeros(0)
    if branches:
        branch_capacity = np.full(branches, max(1.15 * capacity / branches, flow.max() * 1.01))
        load.append((np.bincount(branch, flow * minutes, branches) / branch_capacity).max())
    if stations:
        load.append(np.bincount(controller, minutes, controllers).max() / stations)
    minutes = np.maximum(np.floor(minutes * (window / max(load)) / resolution), np.ceil(2 / resolution)) * resolution
    step, smallest = np.full(zones, resolution), np.full(zones, 2.0)
    cycles = split_into_cycles(minutes, step, rate, infiltration, np.full(zones, 2.4), smallest)
    pieces = np.array([[1260.0, 1260.0 + window]])
    if gaps:
        pieces = np.array([[1260.0, 1260.0 + window / 3], [1320.0 + window / 3, 1320.0 + window]])
    return NightJob(
        cycle_zone=cycles.zone,
        cycle_minutes=cycles.length,
        soak=cycles.soak,
        smallest_cycle=smallest,
        resolution=step,
        flow=flow,
        pump=np.zeros(zones, dtype=np.int64),
        branch=branch,
        controller=controller,
        pump_capacity=np.array([capacity]),
        pump_ramp=np.array([ramp * capacity]),
        pump_smallest=np.zeros(1),
        branch_capacity=branch_capacity,
        stations_at_once=np.full(controllers, float(stations) if stations else np.inf),
        pieces=pieces,
        blocks=pieces,
    )


def with_window(job: NightJob, minutes: float) -> NightJob:
    """The same job in a window of whole minutes at least as long as asked, the gap (if any) kept."""
    from dataclasses import replace

    pieces = job.pieces.copy()
    first = np.ceil(minutes / len(pieces)) if len(pieces) > 1 else np.ceil(minutes)
    shift = pieces[0, 0] + first
    pieces[0, 1] = shift
    if len(pieces) > 1:
        pieces[1] = [shift + 60.0, shift + 60.0 + np.ceil(minutes) - first]
    return replace(job, pieces=pieces, blocks=pieces)
