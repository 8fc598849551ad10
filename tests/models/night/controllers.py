"""Drawn nights of controllers that hold programmes, for tests."""

from __future__ import annotations

import numpy as np

from models.night.grouping import StationNeeds
from models.night.job import NightJob
from models.night.programmes import ProgrammeRules


def night(flow, minutes, cycles, controller, **changes) -> NightJob:
    """A night from 22:00 to 04:00 on one pump; cycles of equal length, other limits as given."""
    flow, minutes = np.asarray(flow, dtype=float), np.asarray(minutes, dtype=float)
    cycles = np.asarray(cycles, dtype=np.int64)
    zones, runs = flow.size, np.where(minutes > 0, cycles, 0)
    each = minutes / np.maximum(cycles, 1)
    fields = {
        "cycle_zone": np.repeat(np.arange(zones), runs),
        "cycle_minutes": np.repeat(each, runs),
        "soak": np.zeros(zones),
        "smallest_cycle": np.full(zones, 2.0),
        "resolution": np.ones(zones),
        "flow": flow,
        "pump": np.zeros(zones, dtype=np.int64),
        "branch": np.full(zones, -1),
        "controller": np.asarray(controller, dtype=np.int64),
        "pump_capacity": np.array([np.inf]),
        "pump_ramp": np.array([np.inf]),
        "pump_smallest": np.zeros(1),
        "branch_capacity": np.zeros(0),
        "stations_at_once": np.full(int(np.max(controller)) + 1, np.inf),
        "pieces": np.array([[1320.0, 1680.0]]),
        "blocks": np.array([[1320.0, 1440.0], [1440.0, 1680.0]]),
    }
    return NightJob(**(fields | changes))


def needs_of(job: NightJob, minutes, cycles, **changes) -> StationNeeds:
    """What the stations of a night want, alike in hours and kind unless told otherwise."""
    minutes, cycles = np.asarray(minutes, dtype=float), np.asarray(cycles, dtype=np.int64)
    none = np.zeros(job.zones, dtype=np.int64)
    each = np.ceil(minutes / np.maximum(cycles, 1) - 1e-9)
    fields = {
        "minutes": minutes,
        "cycles": cycles,
        "soak": job.soak,
        "longest": np.where(cycles > 1, each, np.inf),
        "least": np.full(job.zones, 2.0),
        "smallest": np.minimum(3.0, minutes),
        "largest": np.full(job.zones, 300.0),
        "hours": none,
        "finish": none,
        "kin": none,
        "like": none,
    }
    return StationNeeds(**(fields | changes))


def rules_of(controller: int = 0, zones: int = 40, **changes) -> ProgrammeRules:
    """A controller of four programmes with three starts, one station at once, in the order of the zones."""
    fields = {
        "controller": controller,
        "programmes": 4,
        "starts_each": 3,
        "at_once": 1,
        "programmes_at_once": 1,
        "delay": 0.0,
        "listed": True,
        "place": np.arange(zones),
    }
    return ProgrammeRules(**(fields | changes))


def drawn(seed: int) -> tuple[NightJob, list[ProgrammeRules], StationNeeds]:
    """A drawn night: up to three controllers with programmes, some zones free, one pump, a ramp in half of them."""
    rng = np.random.default_rng(seed)
    zones, held = int(rng.integers(4, 30)), int(rng.integers(1, 4))
    controller = rng.integers(0, held + 1, zones)  # the last takes start times
    flow, cycles = rng.uniform(0.5, 3.0, zones), rng.integers(1, 4, zones)
    minutes = cycles * rng.integers(2, 13, zones) * (rng.random(zones) < 0.8)
    at_once, together = rng.integers(1, 3, held), rng.integers(1, 3, held)
    ramp = float(rng.choice([np.inf, 2.0 * flow.max()]))
    capacity = max(2.0 * flow.max(), float(rng.uniform(1.0, 2.0) * (flow @ minutes) / 360.0))
    step = float(rng.choice([1.0, 0.5]))
    job = night(
        flow, minutes, cycles, controller,
        soak=np.where(cycles > 1, rng.integers(0, 40, zones), 0).astype(float),
        resolution=np.full(zones, step),
        pump_capacity=np.array([capacity]),
        pump_ramp=np.array([ramp]),
        stations_at_once=np.append(at_once * together, 3).astype(float),
        finish_rank=rng.integers(0, 4, zones),
        allowed=np.column_stack([rng.random(zones) < 0.9, np.ones(zones, dtype=bool)]),
        step_s=30,
    )  # fmt: skip
    rules = [
        rules_of(
            c,
            zones,
            programmes=int(rng.integers(1, 5)),
            starts_each=int(rng.integers(3, 5)),
            at_once=int(at_once[c]),
            programmes_at_once=int(together[c]),
            delay=float(rng.choice([0.0, 0.5])),
            listed=bool(rng.random() < 0.5),
        )
        for c in range(held)
    ]
    own = np.where(controller < held, minutes, 0.0)
    needs = needs_of(
        job, own, cycles, hours=job.hours[1].astype(np.int64), kin=rng.integers(0, 3, zones), like=controller
    )
    return job, rules, needs
