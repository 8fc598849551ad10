"""The last good plan brought to tonight: scaled by demand, less the rain nobody expected, cut to every limit.

No linear program is solved, so it serves where the solver fails and where a series of the folder cannot be read. The
run times then take the way of any plan: rounding within every limit, cycles, packing, play-back.

What the last plan meant for tonight is scaled by tonight's ET against the ET it reckoned with, and by the rain that
fell or is forecast since, beyond what it reckoned with. Where tonight lies past its nights, its mean night counts.
Later ranks are cut first.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.choices import UNATTENDED
from models.plan.inputs import Floats, PlanInputs
from models.plan.prices import Prices, plan_prices
from models.plan.results import PlanResult
from models.soil import balance_day
from scheduler.document.parts import PathNight, PlanDocument
from scheduler.document.planned import Planned
from scheduler.document.published import plan_document
from scheduler.document.reading import read_plan
from scheduler.document.rung import Rung
from scheduler.errors import NoPlan
from scheduler.night.timetable import runnable_night
from scheduler.notes import Note
from scheduler.plan.inputs import NightInputs, night_inputs
from scheduler.salinity.candidates import nobody
from scheduler.salinity.evening import salt_state
from scheduler.site import Site
from scheduler.site.windows import night_windows
from scheduler.state.demand import Demand, evening_demand, zone_rain
from scheduler.state.evening import StartState, evening_state
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

LEAST_ET = 0.1  # [mm] below which a ratio of demands says nothing


@dataclass(frozen=True)
class Meant:
    """What the last plan meant for tonight, arrays over the site's zones (Z,): NaN for a zone it does not know.

    minutes : run times [min];  etc, rain : of the date after, as reckoned with, ET without stress [mm];  depletion : at
    opening [mm].
    night : its night;  past : whether tonight lies past its nights.
    """

    minutes: Floats
    etc: Floats
    rain: Floats
    depletion: Floats
    night: date
    past: bool


def plan_scaled(site: Site, night: date, made: datetime, flags: pd.DataFrame | None = None) -> PlanDocument:
    """Make the plan document of the last plan, scaled.

    Raises
    ------
    NoPlan   No plan of the last weeks stands, events are not known, or a limit cannot be held.
    """
    if "calendar" in site.left_out:
        raise NoPlan("calendar.csv cannot be read, so nights that must stay dry are not known")
    meant = last_meant(site, night)
    site = replace(site, nights=1)
    windows = night_windows(site, night, 1)
    opens, _ = site.window.of(night)
    demand = evening_demand(site, night, 1)
    site, uneven = with_weighed_catch(site, demand)
    state = _state(site, night, opens, demand, meant, flags)
    salt = salt_state(site, night, opens, demand, state)
    inputs = night_inputs(site, night, windows, demand, state, salt, several=False)
    wanted = scaled_minutes(site, inputs, demand, meant)
    fixed = FixedPlan(inputs.plan, wanted)
    flushes = nobody(inputs.dates, inputs.plan.supply_share.shape[0], salt.layers.count)
    run = runnable_night(site, inputs, fixed)
    text = f"the plan of {meant.night.isoformat()} was scaled; flushes wait for a full plan"
    site = replace(site, notes=(*site.notes, Note("step_down", "plan", text)))
    document = plan_document(Planned(site, night, made, opens, demand, state, inputs, salt, flushes, run, uneven))
    return document.model_copy(update={"rung": Rung.SCALED})


def last_meant(site: Site, night: date) -> Meant:
    """Read the newest plan before or of tonight.

    Raises
    ------
    NoPlan   There is none of the last weeks.
    """
    document = _last_plan(site.folder, night)
    index = {z.id: z for z in document.zones}
    own = document.night
    unknown = dict.fromkeys(("minutes", "etc_mm", "effective_rain_mm", "depletion_mm", "held_mm"), np.nan)
    rows = []
    for zone in site.zones.zone:
        path = index[zone].path if zone in index else ()
        at = next((i for i, p in enumerate(path) if p.night == night), None)
        if at is not None:
            before = index[zone].before.depletion_mm if at == 0 else path[at - 1].depletion_mm
            row = path[at].model_dump() | {"etc_mm": _unstressed(path[at]), "depletion_mm": before}
        elif path:
            row = {name: float(np.mean([getattr(p, name) for p in path])) for name in unknown} | {
                "etc_mm": float(np.mean([_unstressed(p) for p in path])),
                "depletion_mm": path[-1].depletion_mm,
            }
        else:
            row = unknown
        rows.append([row[name] for name in unknown])
    table = np.array(rows, dtype=float)
    past = night > own + timedelta(days=len(document.nights) - 1)
    return Meant(table[:, 0], table[:, 1], table[:, 2] + table[:, 4], table[:, 3], own, past)


def _unstressed(night: PathNight) -> float:
    """ET of its date without stress [mm], as tonight's demand is."""
    return night.etc_mm / night.ks if night.ks else night.etc_mm


def _last_plan(folder: Path, night: date) -> PlanDocument:
    found: list[tuple[date, Path]] = []
    for path in (folder / "out").glob("*/plan.json"):
        try:
            of = date.fromisoformat(path.parent.name)
        except ValueError:
            continue
        if night - timedelta(days=UNATTENDED.oldest_plan) <= of <= night:
            found.append((of, path))
    for _, path in sorted(found, reverse=True):
        try:
            document = read_plan(path)
            if document.zones and document.rung != Rung.SCALED:
                return document
        except (OSError, ValueError):
            continue
    raise NoPlan(f"no full plan of the last {UNATTENDED.oldest_plan} days stands that could be scaled")


def scaled_minutes(site: Site, inputs: NightInputs, demand: Demand, meant: Meant) -> Floats:
    """Run times wanted tonight, shape (Z,) [min]: scaled by demand, less the rain nobody expected.

    Parameters
    ----------
    site : Site
    inputs : NightInputs   Of tonight alone.
    demand : Demand
    meant : Meant
    """
    plan = inputs.plan
    known = np.isfinite(meant.minutes)
    if "weather" in site.left_out or demand.observed_days == 0:
        ratio, extra = np.ones(plan.zones), np.zeros(plan.zones)
    else:
        ratio = np.where(meant.etc > LEAST_ET, plan.etc[:, 0] / np.maximum(meant.etc, LEAST_ET), 1.0)
        since = demand.past[demand.past["date"] > pd.Timestamp(meant.night)]
        fell = zone_rain(site, since)[0].sum(axis=1) if len(since) else np.zeros(plan.zones)
        extra = np.maximum(fell + plan.effective_rain[:, 0] - np.nan_to_num(meant.rain), 0.0)
    ratio = np.clip(np.nan_to_num(ratio, nan=1.0), UNATTENDED.least_ratio, UNATTENDED.most_ratio)
    minutes = np.where(known, meant.minutes, 0.0) * ratio
    return np.maximum(minutes - extra / plan.net_rate, 0.0)


def _state(site: Site, night: date, opens: int, demand: Demand, meant: Meant, flags: pd.DataFrame | None) -> StartState:
    """Where each zone stands; where nothing is known any more, as the last plan reckoned."""
    state = evening_state(site, night, opens, demand, net_rates(site), flags)
    if demand.observed_days > 0 and (state.used or state.logged):
        return state
    reckoned = np.isfinite(meant.depletion)
    depletion = np.where(reckoned, np.clip(np.nan_to_num(meant.depletion), 0.0, state.taw), state.depletion)
    return replace(state, depletion=depletion)


@dataclass
class FixedPlan:
    """Run times that stand, in the place of a solved program: cut to every limit, later ranks first.

    Parameters
    ----------
    inputs : PlanInputs      Of one night.
    wanted : ndarray (Z,)    [min].
    """

    inputs: PlanInputs
    wanted: Floats
    share: dict[str, Floats] = field(default_factory=dict)
    longest: Floats | None = None

    @property
    def prices(self) -> Prices:
        """Prices of the same plan, by which rounding knows the order of the ranks."""
        return plan_prices(self.inputs)

    def scale_capacity(self, name: str, factors: Floats, night: int | None = None) -> None:
        """Count only a share of each capacity of a kind."""
        self.share[name] = np.asarray(factors, dtype=float)

    def limit_runs(self, zones: Any, minutes: Floats, night: int | None = None) -> None:
        """Hold the runs of some zones shorter."""
        longest = np.full(self.inputs.zones, np.inf) if self.longest is None else self.longest
        longest[zones] = np.minimum(longest[zones], minutes)
        self.longest = longest

    def solve(self) -> PlanResult:
        """The run times within every limit, with the balance they give."""
        plan = self.inputs
        minutes = self._within_limits()
        open_length = plan.allowed[:, 0] * plan.block_length[0]
        part = open_length / np.maximum(open_length.sum(axis=1, keepdims=True), 1e-9)
        first = plan.zone_supply.argmax(axis=1)
        runs = plan.runs
        of = np.where(runs.supply == first[runs.zone], minutes[runs.zone] * part[runs.zone, runs.block], 0.0)
        day = balance_day(
            plan.depletion, minutes * plan.net_rate, plan.etc[:, 0], plan.effective_rain[:, 0], plan.taw,
            plan.raw[:, 0] / plan.taw,
        )  # fmt: skip
        depletion = day.depletion
        zero = np.zeros((plan.zones, 1))
        return PlanResult(
            run_time=of,
            depletion=depletion[:, None],
            dry=np.maximum(depletion - plan.dry_limit[:, 0], 0.0)[:, None],
            soft=zero,
            shortfall=zero,
            drainage=zero,
            water_value=zero,
            limits=(),
            objective=0.0,
        )

    def solve_later(self, tonight: Floats) -> PlanResult | None:
        """There is no later night to plan anew."""
        return None

    def _within_limits(self) -> Floats:
        """Cut the wanted run times rank by rank, the first served first."""
        plan = self.inputs
        use, left = self._rows()
        open_minutes = (plan.allowed[:, 0] * plan.block_length[0]).sum(axis=1)
        most = np.minimum(plan.max_run, open_minutes)
        most = most if self.longest is None else np.minimum(most, self.longest)
        wanted, out = np.minimum(self.wanted, most), np.zeros(plan.zones)
        for rank in np.unique(plan.priority):
            x = np.where(plan.priority == rank, wanted, 0.0)
            for row, limit in zip(use, left, strict=True):
                asked = float(row @ x)
                if asked > limit:
                    x = np.where(row > 0, x * max(limit, 0.0) / asked, x)
            left = left - use @ x
            out += x
        return out

    def _rows(self) -> tuple[Floats, Floats]:
        """What a minute of each zone uses of every limit (L, Z), and how much there is (L,)."""
        plan = self.inputs
        length = float(plan.block_length[0].sum())
        water = plan.water_per_minute
        source = plan.supply_share[plan.zone_supply.argmax(axis=1)] * water[:, None]
        rows: list[tuple[Floats, float]] = []
        for name, group, capacity, each in (
            ("pump", plan.pump_of_zone, plan.pump_capacity, plan.flow),
            ("branch", plan.branch_of_zone, plan.branch_capacity, plan.flow),
            ("station", plan.controller_of_zone, plan.stations_at_once, np.ones(plan.zones)),
        ):
            share = self.share.get(name, np.ones(capacity.size))
            share = share if share.ndim == 1 else share[:, 0]
            for i in np.flatnonzero(np.isfinite(capacity)):
                rows.append((np.where(group == i, each, 0.0), float(capacity[i] * share[i] * length)))
        month = plan.month_of_night[0]
        for w in range(source.shape[1]):
            rows.append((source[:, w], float(min(plan.source_daily[w], plan.source_monthly[w, month]))))
        rows.append((water, float(plan.allocation)))
        rows += [(np.where(cut.zones, water, 0.0), float(cut.volume[0])) for cut in plan.cuts]
        finite = [(row, limit) for row, limit in rows if np.isfinite(limit)]
        if not finite:
            return np.zeros((0, plan.zones)), np.zeros(0)
        return np.array([row for row, _ in finite]), np.array([limit for _, limit in finite])
