"""Everything an evening worked out, and what follows from its run times: what the document is made from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.choices import TOLD
from models.plan.inputs import Floats, PlanInputs
from models.soil import DayBalance, balance_day
from scheduler.night.records import RunnableNight
from scheduler.plan.inputs import NightInputs
from scheduler.salinity.candidates import FlushCandidates
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.site import Site
from scheduler.state.demand import Demand
from scheduler.state.evening import StartState
from scheduler.state.uneven import UnevenCatch


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
    uneven : UnevenCatch or None Extra for uneven catch as weighed; None where it is as told.
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
    uneven: UnevenCatch | None = None

    @property
    def plan(self) -> PlanInputs:
        """Arrays of the plan."""
        return self.inputs.plan

    @cached_property
    def standing_probes(self) -> pd.DataFrame:
        """Rows of probe_sites that hold tonight: where each probe stands."""
        sites, evening = self.site.probe_sites, pd.Timestamp(self.night)
        begun, left = sites["from"].isna() | (sites["from"] <= evening), sites["until"] < evening
        return sites[begun & ~left]

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
    too_hot : ndarray (Z, N)              Whether the date's ET alone takes a root zone that was filled in the night
                                          beyond its dry limit: no watering at night can hold it.
    short : ndarray (Z, N)                Whether a zone goes dry that had room for another run.
    ece : ndarray (Z, N + 1)              Mean ECe tonight and at the end of each date [dS/m], NaN where not known.
    layers : ndarray (Z, L, N + 1)        The same by layer.
    water_ec : ndarray (Z, N)             EC of each night's water, of the source a zone would take where it does not
                                          run [dS/m].
    watered : ndarray (Z, N)              Depletion after each night's water [mm].
    leached : ndarray (Z, N)              What leaves the roots with its salt on each date [mm], NaN where not known.
    """

    net: Floats
    gross: Floats
    volume: Floats
    balance: DayBalance
    dry: Floats
    soft: Floats
    too_hot: NDArray[np.bool_]
    short: NDArray[np.bool_]
    ece: Floats
    layers: Floats
    water_ec: Floats
    watered: Floats
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
    net = run.minutes_by_night * plan.net_rate[:, None]
    balance = run.balance
    before_each = np.concatenate((plan.depletion[:, None], balance.depletion[:, :-1]), axis=1)
    dry = np.maximum(balance.depletion - inputs.fresh_limit, 0.0)
    watered = np.maximum(before_each - net, 0.0)
    soft = np.maximum(plan.wet_limit - watered, 0.0)
    least = np.maximum(inputs.resolution * plan.net_rate, TOLD.apart * plan.taw)[:, None]
    dry[dry < least] = 0.0
    soft[soft < least] = 0.0
    filled = _after_filling(planned) - inputs.fresh_limit
    room = watered > np.maximum(least, (inputs.smallest_run * plan.net_rate)[:, None])
    water_ec = _water_ec(planned)
    ece, layers, leached = _salinity(planned, net, water_ec)
    gross = run.minutes_by_night * (plan.net_rate / plan.net_share)[:, None]
    volume = run.minutes_by_night * plan.water_per_minute[:, None]
    return Effects(
        net, gross, volume, balance, dry, soft, filled >= least, (dry > 0) & room, ece, layers,
        water_ec, watered, leached,
    )  # fmt: skip


def _after_filling(planned: Planned) -> Floats:
    """Depletion at the end of each date of a root zone that stood at field capacity after the night, (Z, N) [mm]."""
    plan, none = planned.plan, np.zeros(planned.plan.zones)
    return np.stack(
        [
            balance_day(
                none, none, plan.etc[:, n], plan.effective_rain[:, n], plan.taw, planned.inputs.depletion_fraction[:, n]
            ).depletion
            for n in range(plan.nights)
        ],
        axis=1,
    )


def _water_ec(planned: Planned) -> Floats:
    """EC of each night's water by zone, (Z, N) [dS/m]."""
    plan, salt = planned.plan, planned.salt
    chosen = planned.run.result.run_times(plan).sum(axis=2)  # (Z, N, K)
    whole = chosen.sum(axis=2)
    sources, unknown = planned.site.sources, np.full(plan.zone_supply.shape[1], np.nan)
    ec = plan.supply_share @ np.array([s.ec for s in sources]) if sources else unknown
    return np.asarray(np.where(whole > 0, (chosen @ ec) / np.maximum(whole, 1e-12), salt.source_ec[:, None]))


def _salinity(planned: Planned, net: Floats, water_ec: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean ECe (Z, N + 1) and by layer (Z, L, N + 1) [dS/m], and what leaves the roots with its salt (Z, N) [mm]."""
    plan, salt = planned.plan, planned.salt
    count = salt.layers.count
    if not salt.known.any():
        shapes = (plan.zones, plan.nights + 1), (plan.zones, count, plan.nights + 1), (plan.zones, plan.nights)
        ece, layers, leached = (np.full(shape, np.nan) for shape in shapes)
        return ece, layers, leached
    forecast = forecast_salt(salt, net, water_ec, plan.etc, plan.effective_rain, planned.inputs.depletion_fraction)
    ece = np.column_stack((salt.mean, forecast.mean))
    return ece, np.concatenate((salt.ece[:, :, None], forecast.ece), axis=2), forecast.drainage
