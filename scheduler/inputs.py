"""From a site, its demand and its state to the arrays of the plan: the second of the four stages.

Everything a manager wrote becomes a bound, a price or a limit here; nothing past this file knows files or names.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.hydraulics import lower_quarter_factor
from models.night import longest_cycle, planning_resolution, soak_minutes, surface_storage
from models.night.cycles import LONGEST_SOAK
from models.plan.inputs import Cut, PlanInputs, Tier
from models.soil import adjusted_depletion_fraction
from scheduler.demand import Demand, seasonal_eto, zone_etc, zone_rain
from scheduler.notes import Note
from scheduler.ran import runs_before
from scheduler.salinity import SaltState, salt_dry_limit
from scheduler.site import Site
from scheduler.site.windows import NightWindow, restriction_cut
from scheduler.state import StartState
from scheduler.stations import typical_energy

SMALLEST_RUN = 2.0  # [min] a shorter run wets leaves and little else; common practice, no source
MARGIN_SHARE = 0.5  # of the spread by which a plan stays inside the band [-]; our choice
WIDEST_MARGIN = 0.2  # [-] of RAW; our choice
EVENT_WET_WEIGHT = 4.0  # softness around an event against an ordinary night [-]; our choice
LEAST_BAND = 0.2  # [-] of the dry limit that must stay between the two limits; our choice
CUT_NIGHTS = 7  # nights over which a drought cut is counted; our choice
DRIEST_FLOOR = 0.02  # [-] of TAW kept between any dry limit and the wilting point


@dataclass(frozen=True)
class AllocationShare:
    """The season's water, and the part of it that falls to this horizon.

    Parameters
    ----------
    volume, used, left : float   [m3].
    share : float                This horizon's part of what is left, by expected demand [m3].
    """

    volume: float
    used: float
    left: float
    share: float


@dataclass(frozen=True)
class NightInputs:
    """Arrays of the plan and what the night and the sheet need beside them.

    Parameters
    ----------
    plan : PlanInputs
    dates : tuple of date              The nights.
    windows : tuple of NightWindow
    resolution : ndarray (Z,)          Step of run times [min].
    rain, runoff : ndarray (Z, N)      [mm].
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
    rain: np.ndarray
    runoff: np.ndarray
    depletion_fraction: np.ndarray
    limit: np.ndarray
    fresh_limit: np.ndarray
    margin: np.ndarray
    supply_names: tuple[str, ...]
    allocation: AllocationShare | None
    notes: tuple[Note, ...]


def net_rates(site: Site) -> np.ndarray:
    """Depth that reaches the drier quarter, shape (Z,) [mm/min]: gross rate times 0.4 + 0.6 DU_LQ."""
    return np.asarray(site.zones.application_rate / 60.0 * lower_quarter_factor(site.zones.du_lq))


def night_inputs(
    site: Site,
    night: date,
    windows: tuple[NightWindow, ...],
    demand: Demand,
    state: StartState,
    salt: SaltState | None = None,
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

    Returns
    -------
    NightInputs
    """
    notes: list[Note] = []
    zones = site.zones
    dates = tuple(night + timedelta(days=i) for i in range(len(windows)))
    etc = zone_etc(site, demand.future)
    rain, runoff = zone_rain(site, demand.future)
    p = adjusted_depletion_fraction(zones.depletion_fraction, etc)
    taw = state.taw
    raw = p * taw[:, None]
    events = _events(site, dates)
    fresh = _dry_limit(site, taw, raw)
    limit = fresh if salt is None else np.minimum(fresh, salt_dry_limit(site, salt, taw, p))
    limit = np.maximum(limit, DRIEST_FLOOR * taw[:, None])
    margin, wet = _band(site, taw, limit, etc, state.spread, events, notes)
    resolution = planning_resolution(
        np.array([site.controllers[c].resolution if c >= 0 else 60.0 for c in zones.controller])
    )
    length, price, allowed = _blocks(site, windows, events)
    supply_names, zone_supply, supply_share = _supplies(site)
    daily, monthly, month_of_night = _permits(site, dates, notes)
    net = net_rates(site)
    allocation, hard, tiers = _allocation(site, dates, demand, etc, net, notes)
    plan = PlanInputs(
        etc=etc,
        effective_rain=rain,
        taw=taw,
        raw=raw,
        dry_limit=limit - margin,
        wet_limit=wet,
        depletion=state.depletion,
        net_rate=net,
        flow=zones.flow,
        area=zones.area,
        max_run=_longest_run(site, windows, resolution),
        priority=zones.priority,
        wet_weight=np.where(events.firm, EVENT_WET_WEIGHT, 1.0),
        block_length=length,
        energy_price=price,
        allowed=allowed,
        pump_of_zone=zones.pump,
        pump_capacity=np.array([p.capacity for p in site.pumps], dtype=float),
        pump_energy=typical_energy(site),
        branch_of_zone=zones.branch,
        branch_capacity=np.array([b.capacity for b in site.branches], dtype=float),
        controller_of_zone=zones.controller,
        stations_at_once=np.array([c.stations_at_once or np.inf for c in site.controllers], dtype=float),
        zone_supply=zone_supply,
        supply_share=supply_share,
        source_price=np.array([s.price for s in site.sources] or [0.0], dtype=float),
        source_daily=daily,
        source_monthly=monthly,
        month_of_night=month_of_night,
        allocation=hard,
        tiers=tiers,
        cuts=_cuts(site, dates, demand, etc, net, windows, notes),
    )
    return NightInputs(
        plan,
        dates,
        windows,
        resolution,
        rain + runoff,
        runoff,
        p,
        limit,
        fresh,
        margin,
        supply_names,
        allocation,
        tuple(notes),
    )


@dataclass(frozen=True)
class _Events:
    """Zone-nights around events, each of shape (Z, N)."""

    firm: np.ndarray
    dry: np.ndarray


def _events(site: Site, dates: tuple[date, ...]) -> _Events:
    """Nights before a tournament or firm day, and nights on which a zone must stay dry."""
    shape = (len(site.zones), len(dates))
    firm, dry = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    nights = pd.DatetimeIndex(dates)
    for row in site.calendar.itertuples():
        until = row.until if pd.notna(row.until) else row[1]
        begins = row[1]
        zones = (site.zones.surface == row.target) | (site.zones.zone == row.target)
        if row.event in ("tournament", "firm"):  # the night before each day of it, and its own evenings but the last
            nights_of = (nights >= begins - timedelta(days=1)) & (nights <= until)
            firm |= zones[:, None] & nights_of[None, :]
        elif row.event == "no_water":
            dry |= zones[:, None] & ((nights >= begins) & (nights <= until))[None, :]
    return _Events(firm, dry)


def _dry_limit(site: Site, taw: np.ndarray, raw: np.ndarray) -> np.ndarray:
    """Depletion above which each zone-night is dry, (Z, N) [mm]: RAW, or the moisture floor of its surface."""
    floors = [site.surfaces[s].moisture_floor for s in site.zones.surface]
    floor = np.array([np.nan if f is None else f for f in floors])
    asked = np.minimum(1.0 - floor, 1.0 - DRIEST_FLOOR)[:, None] * taw[:, None]
    return np.maximum(np.where(np.isnan(floor)[:, None], raw, asked), DRIEST_FLOOR * taw[:, None])


def _band(
    site: Site,
    taw: np.ndarray,
    limit: np.ndarray,
    etc: np.ndarray,
    spread: np.ndarray,
    events: _Events,
    notes: list[Note],
) -> tuple[np.ndarray, np.ndarray]:
    """Margin inside the dry limit for what is not known, and wet limit of every zone-night, as depletions [mm].

    The margin is part of the spread of the estimate, and never takes so much of the band that a day's ET no longer
    fits into it.
    """
    rules = [site.surfaces[s] for s in site.zones.surface]
    normal = np.array([r.firmness_limit for r in rules])
    event = np.array([r.event_firmness_limit for r in rules])
    wet = np.where(events.firm, (1.0 - event)[:, None], (1.0 - normal)[:, None]) * taw[:, None]
    narrow = wet > (1.0 - LEAST_BAND) * limit
    if narrow.any():
        count = int(narrow.any(axis=1).sum())
        text = f"firmness limit lies under the dry limit in {count} zones: the dry limit is kept and the other moved"
        notes.append(Note("info", "moisture band", text))
    wet = np.minimum(wet, (1.0 - LEAST_BAND) * limit)
    margin = np.minimum(MARGIN_SHARE * spread[:, None], WIDEST_MARGIN * limit)
    return np.clip(limit - wet - etc, 0.0, margin), wet


def fits_alone(site: Site) -> np.ndarray:
    """Whether each zone's flow is within its pump and its branch when it runs alone, shape (Z,).

    A zone that is not can never run, on no night of the plan; the site's notes name it.
    """
    zones = site.zones
    pumps = np.array([*(p.capacity for p in site.pumps), np.inf])  # the last stands for none
    branches = np.array([*(b.capacity for b in site.branches), np.inf])
    return np.asarray(zones.flow <= np.minimum(pumps[zones.pump], branches[zones.branch]))


def _blocks(site: Site, windows: tuple[NightWindow, ...], events: _Events) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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


def _longest_run(site: Site, windows: tuple[NightWindow, ...], resolution: np.ndarray) -> np.ndarray:
    """Longest run of each zone that its cycles and soaks leave room for in tonight's window, shape (Z,) [min]."""
    zones = site.zones
    open_minutes = float(sum(end - start for start, end in windows[0].pieces))
    longest = longest_cycle(zones.application_rate, zones.infiltration, surface_storage(zones.slope))
    longest = np.where(np.isnan(zones.longest_cycle), longest, zones.longest_cycle)
    cycle = np.maximum(np.floor(np.minimum(longest, 1e6) / resolution), 1.0) * resolution
    soak = soak_minutes(cycle, zones.application_rate, zones.infiltration)
    soak = np.where(np.isnan(zones.soak), np.minimum(soak, LONGEST_SOAK), zones.soak)  # as the night splits its runs
    soak = np.ceil(soak / resolution - 1e-9) * resolution
    whole = np.floor((open_minutes + soak) / (cycle + soak))
    rest = np.clip(open_minutes - whole * (cycle + soak), 0.0, cycle)
    room = np.where(np.isfinite(longest), whole * cycle + rest, open_minutes)
    return np.minimum(zones.max_run, np.maximum(room, 0.0))


def _supplies(site: Site) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Supplies of the zones: single sources, or the fixed blend of sources that carry a share."""
    if not site.sources:
        return ("water",), np.ones((len(site.zones), 1), dtype=bool), np.ones((1, 1))
    found: dict[tuple[tuple[int, float], ...], int] = {}
    options: list[list[int]] = []
    for listed in site.zones.sources:
        sources = listed or tuple(range(len(site.sources)))
        shares = [site.sources[w].share for w in sources]
        blends: list[tuple[tuple[int, float], ...]]
        if len(sources) > 1 and all(s is not None for s in shares) and sum(s or 0.0 for s in shares) > 0:
            total = sum(s or 0.0 for s in shares)
            blends = [tuple((w, (s or 0.0) / total) for w, s in zip(sources, shares, strict=True))]
        else:
            blends = [((w, 1.0),) for w in sources]
        options.append([found.setdefault(b, len(found)) for b in blends])
    share = np.zeros((len(found), len(site.sources)))
    for blend, k in found.items():
        for w, part in blend:
            share[k, w] = part
    open_to = np.zeros((len(site.zones), len(found)), dtype=bool)
    for z, chosen in enumerate(options):
        open_to[z, chosen] = True
    names = tuple(" + ".join(site.sources[w].name for w, part in blend if part > 0) for blend in found)
    return names, open_to, share


def _permits(site: Site, dates: tuple[date, ...], notes: list[Note]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Daily permits (W,), what is left of monthly ones (W, M) [m3], and the month of each night (N,)."""
    months = sorted({(d.year, d.month) for d in dates})
    month_of_night = np.array([months.index((d.year, d.month)) for d in dates])
    if not site.sources:
        return np.array([np.inf]), np.full((1, len(months)), np.inf), month_of_night
    daily = np.array([s.daily_limit for s in site.sources], dtype=float)
    monthly = np.array([s.monthly_limit for s in site.sources], dtype=float)
    left = np.repeat(monthly[:, None], len(months), axis=1)
    if np.isfinite(monthly).any():
        _, open_to, share = _supplies(site)
        first_supply = open_to.argmax(axis=1)
        used = _applied_volume(site, runs_before(site, dates[0]), date(dates[0].year, dates[0].month, 1), dates[0])
        by_source = (share[first_supply] * used[:, None]).sum(axis=0)
        left[:, 0] = np.maximum(left[:, 0] - by_source, 0.0)
        if ((open_to.sum(axis=1) > 1) & (used > 0)).any():
            notes.append(
                Note("info", "sources", "this month's use of zones with several sources is counted to the first named")
            )
    return daily, left, month_of_night


def _applied_volume(site: Site, ran: pd.DataFrame, first: date, before: date) -> np.ndarray:
    """Water of the runs of nights from `first` up to but not on `before`, by zone, shape (Z,) [m3]."""
    rows = ran[(ran["night"] >= pd.Timestamp(first)) & (ran["night"] < pd.Timestamp(before))]
    zone = rows["zone"].map(pd.Series(np.arange(len(site.zones)), index=site.zones.zone)).to_numpy(float)
    inside = ~np.isnan(zone)
    zone = zone[inside].astype(np.int64)
    from_minutes = rows["minutes"].to_numpy(float)[inside] * site.zones.flow[zone] * 60.0 / 1000.0
    metered = rows["volume"].to_numpy(float)[inside]
    volume = np.where(np.isnan(metered), from_minutes, metered)
    return np.bincount(zone, weights=np.nan_to_num(volume), minlength=len(site.zones))


def _gross_demand(site: Site, etc: np.ndarray, net: np.ndarray) -> np.ndarray:
    """Gross water that would replace ET, shape as etc [m3]."""
    share = net / (site.zones.flow * 60.0 / site.zones.area)
    return np.asarray(etc * (site.zones.area / 1000.0 / share)[:, None])


def _allocation(
    site: Site, dates: tuple[date, ...], demand: Demand, etc: np.ndarray, net: np.ndarray, notes: list[Note]
) -> tuple[AllocationShare | None, float, tuple[Tier, ...]]:
    """Horizon's share of the season's water, the hard limit [m3] and the tiers."""
    rule = site.allocation
    if rule is None:
        return None, np.inf, ()
    if not rule.starts <= dates[0] <= rule.ends:
        notes.append(Note("info", "allocation", f"tonight lies outside its season ({rule.starts} to {rule.ends})"))
        return None, np.inf, ()
    ran = runs_before(site, dates[0])
    used = rule.used_before + float(_applied_volume(site, ran, rule.starts, dates[0]).sum())
    left = max(rule.volume - used, 0.0)
    inside = np.array([d <= rule.ends for d in dates])
    near = float(_gross_demand(site, etc, net)[:, inside].sum())
    later_days = pd.date_range(dates[-1] + timedelta(days=2), rule.ends + timedelta(days=1))
    later = 0.0
    if len(later_days):
        expected = pd.DataFrame({"date": later_days, "eto": seasonal_eto(site, demand.past, later_days)})
        later = float(_gross_demand(site, zone_etc(site, expected), net).sum())
    part = near / (near + later) if near + later > 0 else 1.0
    if not rule.tiers:
        return AllocationShare(rule.volume, used, left, part * left), part * left, ()
    tiers = tuple(Tier(max(above * rule.volume - used, 0.0) * part, price) for above, price in sorted(rule.tiers))
    return AllocationShare(rule.volume, used, left, part * left), np.inf, tiers


def _cuts(
    site: Site,
    dates: tuple[date, ...],
    demand: Demand,
    etc: np.ndarray,
    net: np.ndarray,
    windows: tuple[NightWindow, ...],
    notes: list[Note],
) -> tuple[Cut, ...]:
    """Drought orders that cut demand: water of any CUT_NIGHTS nights in a row <= (1 - cut) of the ET of their dates.

    Nights before tonight count with what was applied; a night the log does not hold counts as if it had used what the
    order allows, or nothing where watering was forbidden. A night on which no order stands has no limit.
    """
    by_night = [restriction_cut(site, d) for d in dates]
    surfaces = sorted({s for cuts in by_night for s, cut in cuts.items() if cut > 0})
    if not surfaces:
        return ()
    past = demand.past.tail(CUT_NIGHTS - 1)
    past_need = _gross_demand(site, zone_etc(site, past), net)  # column i: date i, after the night of the date before
    need = np.concatenate((past_need, _gross_demand(site, etc, net)), axis=1)
    before = [d.date() for d in (past["date"] - timedelta(days=1))]
    ran = runs_before(site, dates[0])
    logged = {d.date() for d in ran["night"].unique()}
    found = []
    for surface in surfaces:
        zones = site.zones.surface == surface
        share = 1.0 - np.array([restriction_cut(site, d).get(surface, 0.0) for d in (*before, *dates)])
        allowed = share * need[zones].sum(axis=0)
        spent = np.array(
            [
                _applied_volume(site, ran, d, d + timedelta(days=1))[zones].sum() if d in logged else allowed[i]
                for i, d in enumerate(before)
            ]
        )
        volume = np.array(
            [
                allowed[max(0, i + 1 - CUT_NIGHTS) : i + 1].sum() - spent[max(0, i + 1 - CUT_NIGHTS) :].sum()
                for i in range(len(before), len(before) + len(dates))
            ]
        )
        ordered = share[len(before) :] < 1.0
        found.append(Cut(f"drought order, {surface}", zones, np.where(ordered, np.maximum(volume, 0.0), np.inf)))
    if not logged:
        notes.append(Note("info", "drought order", "earlier nights are not logged; taken as watered up to the order"))
    return tuple(found)
