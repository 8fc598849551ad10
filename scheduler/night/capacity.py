"""What a plan of tonight may count on: shares of capacities and longest runs, as usual or as packing measured them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.choices import TONIGHT
from models.night import Timetable, pattern_prices, usable_share
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver
from scheduler.night.whole_steps import STILL
from scheduler.plan.inputs import NightInputs

NEARLY_FULL = 0.7  # [-] of what a pump gives in the window: with less, sets of zones find their place
FEW_AT_ONCE = 6.0  # [-] zones of usual flow a pump holds: with more, flows add up to its capacity closely enough
PLACED = 0.89  # [-] of the window, for which start times are found where several limits leave few at once
ALONE = 0.99  # price of a minute in the window, from which no other zone that is asked for runs beside
FITS = 1e-3  # [-] by which run times may pass that
RESTING = 1e-3  # [min] stands for a zone that does not run


class LimitBinds(Exception):
    """A limit that zones share has a price in the plan of a night that was to be planned only without."""


def limits_bind(result: PlanResult) -> bool:
    """Whether a limit that zones share has a price."""
    return any(limit.price > 0.0 for limit in result.limits)


@dataclass(frozen=True)
class Limits:
    """What a plan of tonight may count on.

    Parameters
    ----------
    share : mapping          Share of each capacity, by kind [-]; `usable` before anything was packed.
    measured : mapping       The part of it that packing measured [-], 1 where all.
    longest : ndarray (Z,)   Longest run tonight by the zone's own cycles, soaks and hours, or as measured [min].
    held : ndarray (Z,)      The same as far as packing measured it [min], inf where it did not.
    """

    share: Mapping[str, Floats]
    measured: Mapping[str, Floats]
    longest: Floats
    held: Floats

    @property
    def at_once(self) -> Limits:
        """What tonight may count on, whose start times must be found at once."""
        share = {
            name: TONIGHT.at_once * share if name in ("pump", "branch") else share for name, share in self.share.items()
        }
        return replace(self, share=share)

    def reached(self, timetable: Timetable) -> Limits:
        """The limits that a timetable without a place for everything could reach."""
        carried = timetable.measured_capacity
        factors = {"pump": carried.pump, "branch": carried.branch, "station": carried.controller}
        return Limits(
            {name: share * factors[name] for name, share in self.share.items()},
            {name: share * factors[name] for name, share in self.measured.items()},
            np.minimum(self.longest, carried.zone_minutes),
            np.where(carried.zone_minutes < self.longest, carried.zone_minutes, self.held),
        )


def shares_packed(plan: PlanInputs) -> dict[str, Floats]:
    """Share of each pump and branch that start times can be found for [-]: where few share a pipe, rarely all of it."""
    water = plan.area * plan.etc.mean(axis=1) / plan.net_share
    return {
        "pump": TONIGHT.packed * usable_share(plan.flow, plan.pump_of_zone, plan.pump_capacity, water),
        "branch": TONIGHT.packed * usable_share(plan.flow, plan.branch_of_zone, plan.branch_capacity, water),
    }


def usual_limits(inputs: NightInputs, solver: PlanSolver) -> Limits:
    """What a plan may count on before anything is packed, told to the solver.

    No zone can run longer than its own cycles and soaks leave room for in its hours.
    """
    plan = inputs.plan
    share = {**shares_packed(plan), "station": np.ones(plan.stations_at_once.size)}
    for name, factors in share.items():
        solver.scale_capacity(name, factors)
    for night in range(plan.nights):
        longest = inputs.longest_run[:, night]
        tighter = np.flatnonzero(longest < plan.max_run - STILL)
        solver.limit_runs(tighter, longest[tighter], night)
    measured = {name: np.ones_like(factors) for name, factors in share.items()}
    return Limits(share, measured, inputs.longest_run[:, 0], np.full(plan.zones, np.inf))


def hold_at_once(solver: PlanSolver, plan: PlanInputs, minutes: Floats) -> list[int]:
    """Tell the solver where tonight's run times cannot run in the window in whatever order; the pumps told of.

    Asked only of a pump that runs few zones at once: there the pump, its pipes and its controllers together hold less
    than each of them by itself. Two pitches leave no room for a bed, and no three beds go on their pipe beside one
    pitch. Sets of zones are held to less than the window where the pump is nearly full: they leave gaps.

    Parameters
    ----------
    solver : PlanSolver      Loaded with `plan`.
    plan : PlanInputs
    minutes : ndarray (Z,)   Run times tonight, as it has planned them [min].
    """
    window, water, told = float(plan.block_length[0].sum()), plan.flow * minutes, []
    pipe = np.append(plan.branch_capacity, np.inf)[plan.branch_of_zone]  # -1 is none
    alone = np.minimum(pipe, np.append(plan.pump_nightly[:, 0], np.inf)[plan.pump_of_zone])
    may_run = plan.allowed[:, 0].any(axis=1) & (plan.flow <= alone)
    for p, capacity in enumerate(plan.pump_nightly[:, 0].tolist()):
        on = np.flatnonzero((plan.pump_of_zone == p) & may_run)
        nearly = water[on].sum() >= NEARLY_FULL * capacity * window > 0.0
        if minutes[on].sum() <= window or capacity * minutes[on].sum() > FEW_AT_ONCE * water[on].sum():
            continue
        shared = [(np.where(plan.branch_of_zone[on] == r, plan.flow[on], 0.0), float(size))
                  for r, size in enumerate(plan.branch_capacity)]  # fmt: skip
        shared += [((plan.controller_of_zone[on] == c).astype(np.float64), float(size))
                   for c, size in enumerate(plan.stations_at_once)]  # fmt: skip
        # Zones that rest have their price as well, or the water of others would go to them.
        # One zone after another leaves no gap, sets of zones that run together do.
        fits = window * (PLACED if nearly else 1.0)
        _, price = pattern_prices(plan.flow[on], np.maximum(minutes[on], RESTING), capacity, shared, fits)
        price = np.where(price > ALONE, price, price / PLACED) if nearly else price
        if price @ minutes[on] > (1.0 + FITS) * window:
            of_zone = np.zeros(plan.zones)
            of_zone[on] = price
            solver.hold_together(p, of_zone, window)
            told.append(p)
    return told


def hold_tonight(solver: PlanSolver, limits: Limits, usual: Limits) -> None:
    """Hold tonight's capacities and runs in the solver to what packing reached."""
    for name, factors in limits.share.items():
        if (factors < usual.share[name]).any():
            solver.scale_capacity(name, factors, night=0)
    short = np.flatnonzero(limits.longest < usual.longest)
    solver.limit_runs(short, limits.longest[short], night=0)


def shares_by_night(usual: Limits, tonight: Limits, nights: int) -> dict[str, Floats]:
    """Share of each capacity that counts on each night, (members, N) [-]: tonight's first, then the usual ones."""
    found = {name: np.repeat(share[:, None], nights, axis=1) for name, share in usual.share.items()}
    for name, share in tonight.share.items():
        found[name][:, 0] = share
    return found
