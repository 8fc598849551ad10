"""The evening: read, estimate, plan, make a night that can run. `planned_evening` is the list of its steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime

import pandas as pd

from scheduler.document.planned import Planned
from scheduler.night.edits import managers_word
from scheduler.night.several import night_of_weathers
from scheduler.plan.inputs import night_inputs
from scheduler.salinity.evening import salt_state
from scheduler.salinity.flushes import flush_needs
from scheduler.site import Site
from scheduler.site.windows import night_windows
from scheduler.state.demand import evening_demand
from scheduler.state.evening import evening_state
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

Step = Callable[[str], None]


def planned_evening(
    site: Site,
    night: date,
    made: datetime,
    step: Step = lambda _: None,
    flags: pd.DataFrame | None = None,
    cut_short: bool = False,
    beside: Callable[[], Callable[[], None]] = lambda: lambda: None,
) -> Planned:
    """Plan one evening.

    Parameters
    ----------
    site : Site
    night : date               Evening to plan; nothing newer than it is used.
    made : datetime            Time stamp of the plan, with its offset.
    step : callable, optional  Told the name of each step as it begins.
    flags : DataFrame, optional   Doubts about readings up to this evening, where they have been examined already.
    cut_short : bool           The first choice of flushes is taken, without a search for a better one.
    beside : callable          Begins what can be done while the solver is at work; what it gives is called afterwards.

    Returns
    -------
    Planned   Everything that was worked out.

    Raises
    ------
    NoPlan   No plan that holds every limit could be made.
    """
    step("windows and orders")
    windows = night_windows(site, night, site.nights)
    opens, _ = site.window.of(night)
    step("weather and forecast")
    demand = evening_demand(site, night, site.nights)
    site, uneven = with_weighed_catch(site, demand)
    step("where each zone stands")
    state = evening_state(site, night, opens, demand, net_rates(site), flags)
    salt = salt_state(site, night, opens, demand, state)
    inputs = night_inputs(site, night, windows, demand, state, salt)
    flushes = flush_needs(site, salt, inputs.plan, inputs.dates, inputs.depletion_fraction)
    step("building the plan")
    fresh = (inputs.fresh_limit - inputs.margin)[flushes.needs.zone]
    allowed = flushes.needs.allowed.copy()
    allowed[managers_word(site, inputs).said[flushes.needs.zone], 0] = False  # its minutes are told
    needs = replace(flushes.needs, dry_limit_after=fresh, allowed=allowed)
    step("choosing run times")
    done = beside()
    inputs, run = night_of_weathers(site, inputs, needs, cut_short)
    done()
    return Planned(site, night, made, opens, demand, state, inputs, salt, flushes, run, uneven)
