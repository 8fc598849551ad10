"""The plan of each rung."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pandas as pd

from scheduler.document.parts import PlanDocument
from scheduler.document.rung import Rung
from scheduler.evening import plan_tonight
from scheduler.nightly.scaled import plan_scaled
from scheduler.site import Site


def plan_on(rung: Rung, site: Site, night: date, made: datetime, flags: pd.DataFrame | None) -> PlanDocument:
    """Make the plan of one rung, labelled with it.

    Raises
    ------
    NoPlan   No plan that holds every limit could be made.
    """
    if rung is Rung.SCALED:
        return plan_scaled(site, night, made, flags)
    if rung is Rung.TONIGHT:
        site = replace(site, nights=1)
    document = plan_tonight(site, night, made, flags=flags, cut_short=rung is not Rung.FULL)
    return document.model_copy(update={"rung": rung})
