"""A season lived through night by night under one case and one weather year.

Every evening is planned as it would be: from where the turf then stands, with a forecast of the quality past ones had,
under the orders of that night, with what is then left of the season's water. What runs is then followed by the
product's own balance of water and salt; that the plan and the world share it is what `mismatch` is for. Nights are not
packed minute by minute: they use the share of capacity that packing reaches on this site.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from models.choices import TOLD
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from models.soil import adjusted_depletion_fraction, balance_day
from scheduler.errors import NoPlan
from scheduler.night.whole_steps import Terms, whole_minutes
from scheduler.plan.inputs import NightInputs
from scheduler.plan.water import applied_volume
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.site import Site
from scheduler.state.demand import LONGEST_PAST, Demand, zone_etc, zone_rain
from scheduler.state.evening import StartState
from scheduler.state.ran import runs_before
from scheduler.whatif.apply import CasePlan, Evening, case_plan, settled_site, warmer
from scheduler.whatif.case import Case
from scheduler.whatif.evening import week_nights
from scheduler.whatif.measures import supply_shares
from scheduler.whatif.quick import Shares, packable
from scheduler.whatif.weather_years import ForecastErrors, WeatherYear, forecast_of

DAY = timedelta(days=1)
KEPT = 40  # [d] of runs kept one by one before the season, over a month; older ones only count as used
ALL_USED = 0.999  # [-] of the season's water from which it counts as used up


@dataclass(frozen=True)
class Start:
    """Where the season begins: everything a worker needs, without readings.

    share : of capacity that packing reaches;  errors : of past forecasts;  truth : None, or true factors of the zones
    """

    site: Site
    night: date
    last: date
    demand: Demand
    state: StartState
    salt: SaltState
    share: Shares
    errors: ForecastErrors | None
    log: pd.DataFrame
    seed: int
    truth: Truth | None = None


@dataclass(frozen=True)
class Truth:
    """True factors of the zones where the plan is wrong about them, (Z,): on ET and on the application rate [-].

    read : zones whose depletion is read by probes, their own or their kin's; spread : of that reading [mm].
    """

    demand: np.ndarray
    rate: np.ndarray
    read: np.ndarray
    spread: np.ndarray


@dataclass(frozen=True)
class Lived:
    """One case in one weather year: a row a night, and what it came to by surface.

    rows : list of dict;  surfaces : surface -> dry zone-days, dry mm-days, soft zone-days, mean ECe at the end
    """

    case: str
    year: str
    rows: list[dict[str, Any]]
    surfaces: dict[str, dict[str, float | None]]
    runs_out: str | None
    left: float | None


def live(
    start: Start, case: Case, year: WeatherYear, told: Callable[[int, int], None] = lambda done, of: None
) -> Lived:
    """Live one case through one weather year.

    Parameters
    ----------
    start : Start
    case : Case
    year : WeatherYear   From the date after the first night to as many after the last as the plan looks ahead.
    told : callable      Told after every night: nights done, and of how many.

    Raises
    ------
    NoPlan               The plan of a night could not be solved.
    """
    world = _World(start, case, year)
    nights = (start.last - start.night) // DAY + 1
    rows = []
    for i in range(nights):
        rows.append(world.night(i))
        told(i + 1, nights)
    return world.lived(rows)


class _World:
    """The season as it stands on one evening."""

    def __init__(self, start: Start, case: Case, year: WeatherYear) -> None:
        self.start, self.case, self.year = start, case, year
        self.site = _lean(settled_site(start.site, case, start.night), start.night, case)
        self.rng = np.random.default_rng([start.seed, sum(year.name.encode())])
        self.eto, self.rain = _case_weather(start, case, year)
        self.past = start.demand.past[["date", "eto", "rain"]].tail(LONGEST_PAST)
        self.depletion = start.state.depletion.copy()
        self.believed = start.state.depletion.copy()
        self.ece = start.salt.ece.copy()
        self.runs: list[pd.DataFrame] = [self.site.applied]
        self.used = _used(self.site, start.night)
        self.week: tuple[date, frozenset[date]] | None = None
        zones = len(self.site.zones)
        self.dry_days, self.dry_mm, self.soft_days = np.zeros((3, zones))
        self.salty = np.zeros(zones)
        self.runs_out: str | None = None

    def night(self, i: int) -> dict[str, Any]:
        """Plan one evening, let it run, follow the day after."""
        start, night = self.start, self.start.night + i * DAY
        plan = self._arrays(i, night)
        result, solver = self._solve(plan)
        inputs = plan.inputs
        minutes, run = self._minutes(inputs, result, solver)
        row = self._row(plan, night, minutes, result)
        self._follow(plan, i, minutes, result, row)
        self._write_down(night, minutes)
        row.update(case=self.case.name, year=self.year.name, night=night.isoformat())
        rule = self.site.allocation
        if rule is not None and self.runs_out is None and rule.starts <= night <= rule.ends:
            if self.used >= ALL_USED * rule.volume and night < start.last:
                self.runs_out = night.isoformat()
        return row

    def _arrays(self, i: int, night: date) -> CasePlan:
        start, count = self.start, self.start.site.nights
        site = replace(self.site, applied=pd.concat(self.runs, ignore_index=True))
        dates = pd.date_range(night + DAY, periods=count)
        days = pd.DataFrame({"date": dates, "eto": self.eto[i : i + count], "rain": self.rain[i : i + count]})
        said = forecast_of(start.errors, site, self.past, days, self.rng)
        demand = replace(start.demand, past=self.past, future=said, notes=(), told=None)  # one weather a night
        state = replace(start.state, depletion=self.believed, surplus=np.zeros_like(self.believed), notes=())
        salt = replace(start.salt, depletion=self.believed, ece=self.ece, notes=())
        plan = case_plan(Evening(site, night, count, demand, state, salt), self.case, start.log, demand)
        if plan.choices:
            plan, self.week = week_nights(plan, night, self.week, start.share)
        return replace(plan, inputs=replace(plan.inputs, plan=packable(plan.inputs.plan, start.share)))

    def _solve(self, plan: CasePlan) -> tuple[PlanResult, PlanSolver]:
        """Plan the nights from this evening on, with the first choice of flushes.

        It begins from nothing: from the basis of the evening before, whose nights are others, the solver was measured
        to take three to five times as long.
        """
        solver = PlanSolver(plan.inputs.plan, plan.needs)
        solver.longest_search, solver.tells_one_more = 0.0, False
        try:
            return solver.solve(), solver
        except SolverFailed as failure:
            raise NoPlan(str(failure)) from failure

    def _minutes(self, inputs: NightInputs, result: PlanResult, solver: PlanSolver) -> tuple[np.ndarray, np.ndarray]:
        """Run times of this night in the controller's steps."""
        arrays = inputs.plan
        run = result.run_times(arrays)
        ones = {"pump": arrays.pump_capacity.size, "branch": arrays.branch_capacity.size}
        share = {k: np.ones(n) for k, n in (ones | {"station": arrays.stations_at_once.size}).items()}
        terms = Terms(share, solver.prices.dry * arrays.net_rate)
        return whole_minutes(inputs, result, run, arrays.max_run, terms).minutes, run

    def _row(self, plan: CasePlan, night: date, minutes: np.ndarray, result: PlanResult) -> dict[str, Any]:
        arrays = plan.inputs.plan
        volume = minutes * arrays.water_per_minute
        chosen = result.run_times(arrays)[:, :1]
        mix = supply_shares(arrays, chosen.sum(axis=2))[:, 0]
        by_source = (mix * volume[:, None]).sum(axis=0) @ arrays.supply_share
        per_m3 = np.append(arrays.pump_energy, 0.0)[arrays.pump_of_zone]
        block = chosen[:, 0].sum(axis=2)
        share = block / np.maximum(block.sum(axis=1, keepdims=True), 1e-12)
        energy = volume * per_m3
        cost = float((volume * (mix @ (arrays.supply_share @ arrays.source_price))).sum())
        cost += float(np.einsum("z,zb,b->", energy, share, arrays.energy_price[0]))
        before, self.used = self.used, self.used + float(volume.sum())
        rule = self.site.allocation
        fine = 0.0
        if rule is not None and rule.tiers and rule.starts <= night <= rule.ends:
            steps = np.diff([0.0, *(p for _, p in rule.tiers)])
            above = np.array([a for a, _ in rule.tiers]) * rule.volume
            fine = float(steps @ (np.maximum(self.used - above, 0.0) - np.maximum(before - above, 0.0)))
        names = [s.name for s in self.site.sources] or ["water"]
        return {
            "water_m3": float(volume.sum()),
            **{f"{name}_m3": float(v) for name, v in zip(names, by_source, strict=True)},
            "zones_running": int((minutes > 0).sum()),
            "allowed": bool((arrays.allowed[:, 0] & (arrays.block_length[0] > 0)).any()),
            "energy_kwh": float(energy.sum()),
            "cost": cost + fine,
            "left_m3": None if rule is None else rule.volume - self.used,
            "flushes": sum(0 in f.nights for f in result.flushes),
        }

    def _follow(self, plan: CasePlan, i: int, minutes: np.ndarray, result: PlanResult, row: dict[str, Any]) -> None:
        """Run the balance of the date after the night, as it really is and as it is believed to be."""
        site, arrays, truth = self.site, plan.inputs.plan, self.start.truth
        day = pd.DataFrame(
            {"date": [pd.Timestamp(self.start.night + (i + 1) * DAY)], "eto": [self.eto[i]], "rain": [self.rain[i]]}
        )
        etc, rain = zone_etc(site, day)[:, 0], zone_rain(site, day)[0][:, 0]
        net = minutes * arrays.net_rate
        factor, rate = (1.0, 1.0) if truth is None else (truth.demand, truth.rate)
        p = adjusted_depletion_fraction(site.zones.depletion_fraction, etc[:, None])[:, 0]
        taw = arrays.taw
        soft = np.maximum(arrays.wet_limit[:, 0] - np.maximum(self.depletion - net * rate, 0.0), 0.0)
        self.ece = self._salt(plan, net * rate, etc * factor, rain, p, minutes, result)
        real = balance_day(self.depletion, net * rate, etc * factor, rain, taw, p).depletion
        if truth is None:
            self.believed = real
        else:
            open_loop = balance_day(self.believed, net, etc, rain, taw, p).depletion
            seen = np.clip(real + self.rng.normal(0.0, 1.0, real.size) * truth.spread, 0.0, taw)
            self.believed = np.where(truth.read, seen, open_loop)
        self.depletion = real
        least = np.maximum(plan.inputs.resolution * arrays.net_rate, TOLD.apart * taw)
        dry = np.maximum(real - plan.inputs.fresh_limit[:, 0], 0.0)
        dry[dry < least] = 0.0
        mean = np.where(self.start.salt.known, self.ece.mean(axis=1), np.nan)
        self.dry_days += dry > 0
        self.dry_mm += dry
        self.soft_days += soft >= least
        self.salty += np.nan_to_num(mean) > site.zones.ece_threshold
        row["eto_mm"], row["rain_mm"] = float(self.eto[i]), float(self.rain[i])
        row["dry_zones"], row["dry_mm"] = int((dry > 0).sum()), float(dry.sum())
        for surface in sorted(set(site.zones.surface)):
            of = site.zones.surface == surface
            row[f"{surface}_dry_zones"] = int((dry[of] > 0).sum())
            row[f"{surface}_ece"] = float(np.nanmean(mean[of])) if np.isfinite(mean[of]).any() else None
        new = day.assign(eto=self.eto[i], rain=self.rain[i])
        self.past = pd.concat((self.past, new), ignore_index=True).tail(LONGEST_PAST)

    def _salt(
        self,
        plan: CasePlan,
        net: np.ndarray,
        etc: np.ndarray,
        rain: np.ndarray,
        p: np.ndarray,
        minutes: np.ndarray,
        result: PlanResult,
    ) -> np.ndarray:
        """ECe by layer after the date (Z, L) [dS/m]."""
        salt = replace(plan.salt, depletion=self.depletion, ece=self.ece, lingers=None)
        if not salt.known.any():
            return self.ece
        arrays = plan.inputs.plan
        mix = supply_shares(arrays, result.run_times(arrays)[:, :1].sum(axis=2))[:, 0]
        water = mix @ (arrays.supply_share @ np.array([s.ec for s in plan.site.sources]))
        ec = np.where(minutes > 0, water, plan.salt.source_ec)
        found = forecast_salt(salt, net[:, None], ec[:, None], etc[:, None], rain[:, None], p[:, None])
        return np.where(np.isfinite(found.ece[:, :, 0]), found.ece[:, :, 0], self.ece)

    def _write_down(self, night: date, minutes: np.ndarray) -> None:
        on = minutes > 0
        if on.any():
            zone = self.site.zones.zone[on]
            columns = {"night": pd.Timestamp(night), "zone": zone, "minutes": minutes[on], "volume": np.nan}
            self.runs.append(pd.DataFrame(columns))

    def lived(self, rows: list[dict[str, Any]]) -> Lived:
        """What the season came to."""
        site, found = self.site, {}
        mean = np.where(self.start.salt.known, self.ece.mean(axis=1), np.nan)
        for surface in sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s)):
            of = site.zones.surface == surface
            known = np.isfinite(mean[of])
            found[surface] = {
                "dry_zone_days": float(self.dry_days[of].sum()),
                "dry_mm_days": float(self.dry_mm[of].sum()),
                "soft_zone_days": float(self.soft_days[of].sum()),
                "salty_zone_days": float(self.salty[of].sum()),
                "ece_mean_dsm": float(mean[of][known].mean()) if known.any() else None,
            }
        left = None if site.allocation is None else site.allocation.volume - self.used
        return Lived(self.case.name, self.year.name, rows, found, self.runs_out, left)


def _lean(site: Site, night: date, case: Case) -> Site:
    """The site without readings, and with the runs of long ago only counted as used."""
    since = min([night - KEPT * DAY, *(p.keys.starts for p in case.parts if p.keys.starts)])
    ran = runs_before(site, night)[["night", "zone", "minutes", "volume"]]
    rule = site.allocation
    if rule is not None:
        old = float(applied_volume(site, ran, rule.starts, since).sum()) if rule.starts < since else 0.0
        rule = replace(rule, used_before=rule.used_before + old)
    ran = ran[ran["night"] >= pd.Timestamp(since)]
    return replace(
        site,
        allocation=rule,
        applied=ran,
        planned=site.planned.head(0),
        probes=site.probes.head(0),
        weather=site.weather.tail(LONGEST_PAST),
        forecast=site.forecast.tail(0),
    )


def _used(site: Site, night: date) -> float:
    rule = site.allocation
    if rule is None:
        return 0.0
    return rule.used_before + float(applied_volume(site, runs_before(site, night), rule.starts, night).sum())


def _case_weather(start: Start, case: Case, year: WeatherYear) -> tuple[np.ndarray, np.ndarray]:
    """ETo and rain of the year as a case has them, on the dates after the nights it binds."""
    eto, rain = year.eto.copy(), year.rain.copy()
    nights = [year.first + (i - 1) * DAY for i in range(eto.size)]
    evening = Evening(start.site, start.night, start.site.nights, start.demand, start.state, start.salt)
    for part in case.parts:
        on, keys = part.on(nights), part.keys
        eto[on] *= 1.0 if keys.eto_factor is None else keys.eto_factor
        rain[on] *= 1.0 if keys.rain_factor is None else keys.rain_factor
        if keys.temperature_shift:
            eto[on] *= float(np.mean(warmer(evening, keys.temperature_shift)))
    return eto, rain
