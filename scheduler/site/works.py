"""Pumps, pipes and waters of site.toml: what their keys come to."""

from __future__ import annotations

import math
from collections.abc import Sequence

from models.hydraulics import friction_head, pipe_resistance
from scheduler.errors import listing, near_miss, read_but
from scheduler.site import schema
from scheduler.site.findings import TomlFindings
from scheduler.site.records import Branch, Pump, Source

EFFICIENCY = 0.70  # pump and motor together [-]; common practice, no source
ROUGHNESS = 140.0  # Hazen-Williams coefficient of a plastic main with its fittings [-]; common practice, no source
CURVE_END = 1e-6  # [-] a capacity written in another unit than the curve is still its last flow


def settle_pump(keys: schema.PumpKeys, i: int, reader: TomlFindings) -> Pump:
    """Read one pump; its capacity, head and efficiency may come from its curve."""
    curve, capacity = keys.curve or (), keys.capacity
    if capacity is None and not curve:
        reader.problem(("pump", i, "capacity"), "this key is missing; it is needed where no curve is given")
    capacity = (curve[-1][0] if curve else math.inf) if capacity is None else capacity
    if curve and capacity > curve[-1][0] * (1 + CURVE_END):
        last = f"the last flow of its curve, {curve[-1][0]:g} L/s, or less is allowed"
        reader.problem(("pump", i, "capacity"), read_but(f"{capacity:g} L/s", last))
    if curve and keys.head is not None and keys.head > curve[0][1]:
        most = f"its curve gives {curve[0][1]:g} m at most; a head it can hold is needed, or none (full speed)"
        reader.problem(("pump", i, "head"), read_but(f"{keys.head:g} m", most))
    if keys.smallest_flow > capacity:
        reader.problem(("pump", i, "smallest_flow"), "the smallest flow is above the capacity")
    in_curve = bool(curve) and curve[0][2] is not None
    if keys.head is None and not curve:
        reader.note("step_down", f'pump "{keys.name}": head is not given; its energy is not counted')
    elif in_curve and keys.efficiency is not None:
        reader.note("info", f'pump "{keys.name}": the efficiency of its curve is taken, not the single one')
    elif not in_curve and keys.efficiency is None:
        reader.note("info", f'pump "{keys.name}": efficiency is not given; {EFFICIENCY:.2f} is taken')
    single = keys.efficiency or EFFICIENCY
    points = tuple((flow, head, single if share is None else share) for flow, head, share in curve)
    return Pump(keys.name, capacity, keys.smallest_flow, keys.ramp or math.inf, keys.head or 0.0, single, points)


def settle_branch(keys: schema.BranchKeys, i: int, pumps: Sequence[str], reader: TomlFindings) -> Branch:
    """Read one branch and find its pump among those named."""
    pump = -1
    if keys.pump is not None:
        if keys.pump in pumps:
            pump = pumps.index(keys.pump)
        else:
            allowed = f"allowed: {listing(pumps)}{near_miss(keys.pump, pumps)}" if pumps else "no [[pump]] is given"
            reader.problem(("branch", i, "pump"), read_but(keys.pump, allowed))
    elif len(pumps) == 1:
        pump = 0
    elif pumps:
        reader.problem(("branch", i, "pump"), f"this key is missing; there are several pumps: {listing(pumps)}")
    return Branch(keys.name, pump, _or_no_limit(keys.capacity), _resistance(keys, i, reader))


def _resistance(keys: schema.BranchKeys, i: int, reader: TomlFindings) -> float:
    """Head a branch takes per (L/s)^1.852, by its pipe or by the friction at its capacity; 0 if neither is given."""
    pipe = {"length": keys.length, "diameter": keys.diameter, "roughness": keys.roughness}
    given = [name for name, value in pipe.items() if value is not None]
    if keys.friction is not None:
        if given:
            reader.problem(("branch", i, given[0]), "friction is given too; one of the two is needed")
        elif keys.capacity is None:
            words = "friction is the head lost at the capacity of the branch, which is missing; it is needed"
            reader.problem(("branch", i, "capacity"), words)
        else:
            return float(keys.friction / friction_head(keys.capacity, 1.0))
        return 0.0
    if not given:
        return 0.0
    if keys.length is None or keys.diameter is None:
        missing = "length" if keys.length is None else "diameter"
        reader.problem(
            ("branch", i, missing), f"this key is missing; {listing(given)} is given, and friction needs both"
        )
        return 0.0
    if keys.roughness is None:
        reader.note("info", f'branch "{keys.name}": roughness is not given; {ROUGHNESS:g} is taken')
    return float(pipe_resistance(keys.length, keys.diameter / 1000.0, keys.roughness or ROUGHNESS))


def settle_sources(given: Sequence[schema.SourceKeys], reader: TomlFindings) -> tuple[Source, ...]:
    """Read the sources; one of no price where none is named."""
    for s in given:
        if s.ec is None:
            reader.note("step_down", f'source "{s.name}": ec is not given; it is taken as free of salt (0 dS/m)')
    if not given:
        reader.note(
            "step_down",
            "no [[source]] is given; one source of no price is taken, and its salt is not followed (0 dS/m)",
        )
        return (Source("water", 0.0, None, 0.0, math.inf, math.inf, None),)
    return tuple(
        Source(
            s.name, s.ec or 0.0, s.sar, s.price,
            _or_no_limit(s.daily_limit), _or_no_limit(s.monthly_limit), s.share,
            s.sodium, s.calcium, s.magnesium, s.bicarbonate, s.carbonate, s.chloride,
        )
        for s in given
    )  # fmt: skip


def _or_no_limit(value: float | None) -> float:
    return math.inf if value is None else value
