"""Everything an evening worked out, and what follows from its run times: what the document is made from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

import numpy as np

from models.choices import TOLD
from models.plan.inputs import Floats, PlanInputs
from models.soil import DayBalance
from scheduler.night.records import RunnableNight
from scheduler.plan.inputs import NightInputs
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.salinity.flushes import FlushCandidates
from scheduler.site import Site
from scheduler.state.demand import Demand
from scheduler.state.evening import StartState


@dataclass(frozen=True)
class Planned:
    """Everything an evening worked out, for the document.

    Parameters
    ----------
    site : Site
    night : date                 The evening.
    made : datetime              When the plan was made, with its offset.
    opens : int                  Opening time [min after 00:00 of the evening's date].
    demand : Demand
    state : StartState
    inputs : NightInputs
    salt : SaltState
    flushes : FlushCandidates    Zones that need a flush, planned or not.
    run : RunnableNight
    """

    site: Site
    night: date
    made: datetime
    opens: int
    demand: Demand
    state: StartState
    inputs: NightInputs
    salt: SaltState
    flushes: FlushCandidates
    run: RunnableNight

    @property
    def plan(self) -> PlanInputs:
        """Arrays of the plan."""
        return self.inputs.plan

    @cached_property
    def effects(self) -> Effects:
        """What follows from the run times."""
        return _effects(self)


@dataclass(frozen=True)
class Effects:
    """What follows from the run times that will run, by the FAO-56 balance and never by the linear program's variables.

    Parameters
    ----------
    net, gross, volume : ndarray (Z, N)   Net and gross depth [mm] and volume [m3] of each night.
    balance : DayBalance                  Of the nights and the dates after them, (Z, N).
    dry, soft : ndarray (Z, N)            Depletion beyond the dry limit, and short of the wet limit [mm]; 0 where too
                                          little to be told apart.
    ece : ndarray (Z, N + 1)              Mean ECe tonight and at the end of each date [dS/m], NaN where not known.
    leached : ndarray (Z, N)              What leaves the roots with its salt on each date [mm], NaN where not known.
    """

    net: Floats
    gross: Floats
    volume: Floats
    balance: DayBalance
    dry: Floats
    soft: Floats
    ece: Floats
    leached: Floats


def moment(night: date, minute: float) -> datetime:
    """Local time of a minute after 00:00 of the evening's date, to the second."""
    return (datetime.combine(night, datetime.min.time()) + timedelta(minutes=minute)).replace(microsecond=0)


def rounded(values: np.ndarray, digits: int = 6) -> list[float]:
    """Plain numbers, without minus zero."""
    return list((np.round(values, digits) + 0.0).tolist())


def in_order(site: Site, last_first: bool = False) -> list[str]:
    """Surfaces of the site in order of service, or those served last first."""
    sign = -1 if last_first else 1
    return sorted(set(site.zones.surface), key=lambda s: (sign * site.surfaces[s].priority, s))


def _effects(planned: Planned) -> Effects:
    plan, inputs, run = planned.plan, planned.inputs, planned.run
    net = run.later * plan.net_rate[:, None]
    balance = run.balance
    before_each = np.concatenate((plan.depletion[:, None], balance.depletion[:, :-1]), axis=1)
    dry = np.maximum(balance.depletion - inputs.fresh_limit, 0.0)
    soft = np.maximum(plan.wet_limit - np.maximum(before_each - net, 0.0), 0.0)
    least = np.maximum(inputs.resolution * plan.net_rate, TOLD.apart * plan.taw)[:, None]
    dry[dry < least] = 0.0
    soft[soft < least] = 0.0
    ece, leached = _salinity(planned, net)
    gross = run.later * (plan.net_rate / plan.net_share)[:, None]
    volume = run.later * plan.water_per_minute[:, None]
    return Effects(net, gross, volume, balance, dry, soft, ece, leached)


def _salinity(planned: Planned, net: Floats) -> tuple[Floats, Floats]:
    """Mean ECe of every zone, (Z, N + 1) [dS/m], and what leaves the roots with its salt, (Z, N) [mm]."""
    plan, salt = planned.plan, planned.salt
    if not salt.known.any():
        return np.full((plan.zones, plan.nights + 1), np.nan), np.full((plan.zones, plan.nights), np.nan)
    chosen = planned.run.result.minutes(plan).sum(axis=2)  # (Z, N, K)
    whole = chosen.sum(axis=2)
    ec = plan.supply_share @ np.array([s.ec for s in planned.site.sources])
    mixed = np.where(whole > 0, (chosen @ ec) / np.maximum(whole, 1e-12), salt.source_ec[:, None])
    forecast = forecast_salt(salt, net, mixed, plan.etc, plan.effective_rain, planned.inputs.depletion_fraction)
    return np.column_stack((salt.mean, forecast.mean)), forecast.drainage
