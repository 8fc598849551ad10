"""From a site, its demand and its state to the arrays of the plan: the second of the five stages.

Everything a manager wrote becomes a bound, a price or a limit here; nothing past this file knows files or names.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from models.choices import BAND, RUNS
from models.drainage import rain_as_taken
from models.night import longest_cycle, longest_in_hours, planning_resolution, surface_storage
from models.plan.inputs import Members, PlanInputs
from models.soil import adjusted_depletion_fraction
from scheduler.errors import counted
from scheduler.events import EventNights, event_nights
from scheduler.notes import Note
from scheduler.plan.stations import typical_energy
from scheduler.plan.water import AllocationShare, allocation_share, drought_cuts, permits_left
from scheduler.plan.weathers import Weathers, margin_share, other_weathers, tail_weight
from scheduler.salinity.evening import SaltState, salt_dry_limit
from scheduler.site import Site
from scheduler.site.windows import NightWindow
from scheduler.state.band import DRIEST_FLOOR, Watched, dry_limit, eased_raw, watched
from scheduler.state.caution import CAUTION
from scheduler.state.demand import Demand, expected_rain, zone_etc
from scheduler.state.evening import StartState
from scheduler.supply import fits_alone, net_rates, water_supplies


@dataclass(frozen=True)
class NightInputs:
    """Arrays of the plan and what the night and the sheet need beside them.

    Parameters
    ----------
    plan : PlanInputs
    dates : tuple of date              The nights.
    windows : tuple of NightWindow
    resolution : ndarray (Z,)          Step of run times [min].
    smallest_run : ndarray (Z,)        Smallest run worth making, whole steps [min].
    longest_run : ndarray (Z, N)       Longest run by the zone's own limit, cycles, soaks and hours [min].
    rain, runoff : ndarray (Z, N)      [mm].
    held : ndarray (Z, N)              Water above field capacity that turf takes on the date, less what its rain leaves
                                       there for later dates [mm]; part of the plan's effective rain.
    depletion_fraction : ndarray (Z, N)   p [-].
    limit : ndarray (Z, N)             Depletion above which a zone is dry [mm].
    fresh_limit : ndarray (Z, N)       The same without salt [mm].
    margin : ndarray (Z, N)            By how much the plan stays inside it, for what is not known [mm].
    supply_names : tuple of str        One a supply.
    allocation : AllocationShare or None
    notes : tuple of Note
    """

    plan: PlanInputs
    dates: tuple[date, ...]
    windows: tuple[NightWindow, ...]
    resolution: np.ndarray
    smallest_run: np.ndarray
    longest_run: np.ndarray
    rain: np.ndarray
    runoff: np.ndarray
    held: np.ndarray
    depletion_fraction: np.ndarray
    limit: np.ndarray
    fresh_limit: np.ndarray
    margin: np.ndarray
    supply_names: tuple[str, ...]
    allocation: AllocationShare | None
    notes: tuple[Note, ...]
    others: Weathers | None = None


def night_inputs(
    site: Site,
    night: date,
    windows: tuple[NightWindow, ...],
    demand: Demand,
    state: StartState,
    salt: SaltState | None = None,
    several: bool = True,
) -> NightInputs:
    """Assemble the plan's arrays.

    Parameters
    ----------
    site : Site
    night : date                       Evening of the first night.
    windows : tuple of NightWindow     One a night; their number is the horizon.
    demand : Demand
    state : StartState
    salt : SaltState, optional         Zones whose salt stresses the turf are kept moister; without it none is.
    several : bool                     Whether to plan for every weather that may come, or for the expected one alone.

    Returns
    -------
    NightInputs
    """
    notes: list[Note] = []
    dates = tuple(night + timedelta(days=i) for i in range(len(windows)))
    etc, (rain, runoff) = zone_etc(site, demand.future), expected_rain(site, demand)
    taken = rain_as_taken(state.depletion, state.surplus, etc, rain, state.taw, site.zones.drainage)
    p = adjusted_depletion_fraction(site.zones.depletion_fraction, etc)
    events, net = event_nights(site, dates), net_rates(site)
    others = other_weathers(site, night, demand) if several else None
    seen = watched(site, demand, state)
    band = moisture_band(site, state, salt, Day(etc, p, events), margin_share(site, others is not None), notes, seen)
    resolution = _steps(site)
    length, price, allowed = _blocks(site, windows, events)
    names, water = _sources(site, dates, notes)
    allocation, hard, tiers = allocation_share(site, dates, demand, etc, net, notes)
    longest = np.stack([longest_runs(site, w, allowed[:, n], resolution) for n, w in enumerate(windows)], axis=1)
    plan = PlanInputs(
        etc=etc,
        effective_rain=taken,
        taw=state.taw,
        raw=eased_raw(site, state.taw, p * state.taw[:, None], seen),
        dry_limit=band.limit - band.margin,
        wet_limit=band.wet,
        depletion=state.depletion,
        net_rate=net,
        max_run=longest.max(axis=1),
        wet_weight=np.where(events.firm, BAND.event_wet_weight, 1.0),
        block_length=length,
        energy_price=price,
        allowed=allowed,
        allocation=hard,
        tiers=tiers,
        cuts=drought_cuts(site, dates, demand, etc, net, windows, notes),
        members=None if others is None else _as_taken(others.members, state, site.zones.drainage),
        caution=CAUTION[site.caution].worth,
        tail=None if others is None else tail_weight(site),
        price_of_a_run=site.price_of_a_run,
        **water,
        **_as_built(site),
    )
    return NightInputs(
        plan, dates, windows, resolution, smallest_runs(site, resolution), longest, rain + runoff, runoff,
        taken - rain, p, band.limit, band.fresh, band.margin, names, allocation, tuple(notes), others,
    )  # fmt: skip


def _as_taken(members: Members, state: StartState, scale: np.ndarray) -> Members:
    """Other weathers with rain counted when turf takes it."""
    rain = rain_as_taken(state.depletion, state.surplus, members.etc, members.effective_rain, state.taw, scale)
    return replace(members, effective_rain=rain)


def _steps(site: Site) -> np.ndarray:
    """Step of run times of each zone, (Z,) [min]: of its controller, a minute where it has none."""
    return planning_resolution(
        np.array([site.controllers[c].resolution if c >= 0 else 60.0 for c in site.zones.controller])
    )


def _sources(site: Site, dates: tuple[date, ...], notes: list[Note]) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Names of the supplies, and who takes which, of which sources, and what those may still give."""
    names, zone_supply, supply_share = water_supplies(site)
    daily, monthly, month_of_night = permits_left(site, dates, notes)
    return names, {
        "zone_supply": zone_supply,
        "supply_share": supply_share,
        "source_daily": daily,
        "source_monthly": monthly,
        "month_of_night": month_of_night,
    }


def _as_built(site: Site) -> dict[str, Any]:
    """What does not change from night to night: zones, pumps, branches, controllers, prices."""
    zones = site.zones
    return {
        "flow": zones.flow,
        "area": zones.area,
        "priority": zones.priority,
        "pump_of_zone": zones.pump,
        "pump_capacity": np.array([p.capacity for p in site.pumps], dtype=float),
        "pump_energy": typical_energy(site),
        "branch_of_zone": zones.branch,
        "branch_capacity": np.array([b.capacity for b in site.branches], dtype=float),
        "controller_of_zone": zones.controller,
        "stations_at_once": np.array([c.most_at_once for c in site.controllers], dtype=float),
        "source_price": np.array([s.price for s in site.sources] or [0.0], dtype=float),
    }


@dataclass(frozen=True)
class Day:
    """Of the dates after the nights: etc (Z, N) [mm], depletion fraction p (Z, N) [-], and their events."""

    etc: np.ndarray
    fraction: np.ndarray
    events: EventNights


@dataclass(frozen=True)
class Band:
    """Dry limit with salt and without, margin inside it, wet limit; depletions (Z, N) [mm]."""

    limit: np.ndarray
    fresh: np.ndarray
    margin: np.ndarray
    wet: np.ndarray


def moisture_band(
    site: Site,
    state: StartState,
    salt: SaltState | None,
    day: Day,
    share: float,
    notes: list[Note],
    seen: Watched | None = None,
) -> Band:
    """Dry and wet limit of every zone-night, and the margin inside the dry one for what is not known.

    The margin is a share of the spread of the estimate, less of it where probes are heard and by as much less as the
    limit was eased, and never takes so much of the band that a day's ET no longer fits into it.
    """
    taw, events = state.taw, day.events
    raw = day.fraction * taw[:, None]
    fresh, eased = dry_limit(site, taw, raw, seen), eased_raw(site, taw, raw, seen)
    limit = fresh
    if salt is not None:
        limit = np.minimum(fresh, eased / raw * salt_dry_limit(site, salt, taw, day.fraction))
    limit = np.maximum(limit, DRIEST_FLOOR * taw[:, None])
    rules = [site.surfaces[s] for s in site.zones.surface]
    normal = np.array([r.firmness_limit for r in rules])
    event = np.array([r.event_firmness_limit for r in rules])
    wet = np.where(events.firm, (1.0 - event)[:, None], (1.0 - normal)[:, None]) * taw[:, None]
    narrow = wet > (1.0 - BAND.least_band) * limit
    if narrow.any():
        where = counted(int(narrow.any(axis=1).sum()), "zone")
        text = f"firmness limit lies under the dry limit in {where}: the dry limit is kept and the other moved"
        notes.append(Note("info", "moisture band", text))
    wet = np.minimum(wet, (1.0 - BAND.least_band) * limit)
    share *= BAND.margin_followed if state.used else 1.0
    margin = np.clip(share * state.spread[:, None] - (eased - raw), 0.0, BAND.widest_margin * limit)
    return Band(limit, fresh, np.clip(limit - wet - day.etc, 0.0, margin), wet)


def _blocks(
    site: Site, windows: tuple[NightWindow, ...], events: EventNights
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Block lengths (N, B), energy prices (N, B) and where each zone may run (Z, N, B)."""
    most = max((len(w.blocks) for w in windows), default=0) or 1
    z, n = len(site.zones), len(windows)
    length, price = np.zeros((n, most)), np.zeros((n, most))
    allowed = np.zeros((z, n, most), dtype=bool)
    for i, window in enumerate(windows):
        for b, block in enumerate(window.blocks):
            length[i, b] = block.end - block.start
            price[i, b] = block.energy_price
        allowed[:, i, : len(window.blocks)] = window.mask(site.zones.surface)
    return length, price, allowed & ~events.dry[:, :, None] & fits_alone(site)[:, None, None]


def smallest_runs(site: Site, resolution: np.ndarray) -> np.ndarray:
    """Smallest run worth making, in whole controller steps, shape (Z,) [min].

    As told, or from the surface and the kind of sprinkler: a depth that gets past leaves and thatch, and where the rate
    is a rotor's at least a few turns of it.

    Parameters
    ----------
    site : Site
    resolution : ndarray (Z,)   Step of run times [min].
    """
    zones = site.zones
    worth = {"green": RUNS.green, "tee": RUNS.tee}
    depth = np.array([worth.get(s, RUNS.elsewhere) for s in zones.surface])
    turns = np.where(zones.application_rate < RUNS.rotor_rate, RUNS.rotor_run, RUNS.smallest_cycle)
    usual = np.maximum(turns, 60.0 * depth / zones.application_rate)
    least = np.where(np.isnan(zones.smallest_run), usual, zones.smallest_run)
    steps = np.maximum(np.ceil(np.minimum(least, zones.max_run) / resolution - 1e-9), 1.0)
    most = np.maximum(np.floor(zones.max_run / resolution + 1e-9), 1.0)
    return np.asarray(np.minimum(steps, most) * resolution)


def longest_runs(site: Site, window: NightWindow, allowed: np.ndarray, resolution: np.ndarray) -> np.ndarray:
    """Longest run that each zone's own cycles and soaks leave room for in its hours of a night, shape (Z,) [min].

    Parameters
    ----------
    site : Site
    window : NightWindow       Of the night.
    allowed : ndarray (Z, B)   Blocks in which each zone may run.
    resolution : ndarray (Z,)  Step of run times [min].
    """
    zones, blocks = site.zones, window.blocks
    longest = np.zeros(len(zones))
    kinds, of_zone = np.unique(allowed[:, : len(blocks)], axis=0, return_inverse=True)
    for kind, open_blocks in enumerate(kinds):
        spans = _joined([(b.start, b.end) for b, on in zip(blocks, open_blocks, strict=True) if on])
        on = np.flatnonzero(of_zone.ravel() == kind)
        if spans:
            taken = (resolution, zones.application_rate, zones.infiltration, surface_storage(zones.slope))
            longest[on] = _in_hours(spans, *(a[on] for a in (*taken, zones.longest_cycle, zones.soak)))
    return np.minimum.reduce((longest, zones.max_run, _in_starts(site, resolution)))


def _in_starts(site: Site, resolution: np.ndarray) -> np.ndarray:
    """Longest run that the start times of a zone's programme hold as cycles the soil takes, shape (Z,) [min]."""
    held = [c.starts_each if c.programmes else np.inf for c in site.controllers]
    starts = np.array([*held, np.inf])[site.zones.controller]
    return starts * longest_single(site, resolution) if np.isfinite(starts).any() else starts


def longest_single(site: Site, resolution: np.ndarray) -> np.ndarray:
    """Longest cycle the soil of each zone takes, whole steps, inf where it keeps up, shape (Z,) [min]."""
    zones = site.zones
    longest = longest_cycle(zones.application_rate, zones.infiltration, surface_storage(zones.slope))
    longest = np.where(np.isnan(zones.longest_cycle), longest, zones.longest_cycle)
    return np.asarray(np.maximum(np.floor(longest / resolution + 1e-9), 1.0) * resolution)


def _in_hours(spans: list[tuple[int, int]], *arrays: np.ndarray) -> np.ndarray:
    """`longest_in_hours` of one set of hours, remembered: the nights of a week, and of a season, have the same."""
    key = (tuple(spans), *(a.tobytes() for a in arrays))
    if key not in _REMEMBERED:
        while len(_REMEMBERED) >= MOST_REMEMBERED:
            _REMEMBERED.pop(next(iter(_REMEMBERED)))
        hours = np.broadcast_to(np.array(spans, dtype=float), (arrays[0].size, len(spans), 2))
        _REMEMBERED[key] = longest_in_hours(hours, *arrays)
    return _REMEMBERED[key]


MOST_REMEMBERED = 64  # sets of hours
_REMEMBERED: dict[tuple[Any, ...], np.ndarray] = {}


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order with those that touch made one."""
    found: list[tuple[int, int]] = []
    for begin, end in spans:
        if found and found[-1][1] == begin:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found
