"""The weathers a plan is made for: members of forecast.csv, or what its chances of rain and past errors make of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.choices import BAND
from models.forecast_members import ErrorCourses, courses_of_record, reduced, usual_courses, weathers
from models.plan.inputs import Members
from scheduler.site import Site
from scheduler.state.caution import CAUTION
from scheduler.state.demand import Demand, zone_etc, zone_rain
from scheduler.state.past_forecasts import past_forecasts

MEMBERS = 10  # weathers besides the main one; measured in closed loop
MOST_CELLS = 90_000  # zone-nights of all weathers together, to keep the evening short
FEWEST_MEMBERS = 3  # with room for fewer the plan is made for the main weather alone
DRAWN = 60  # weathers drawn before they are reduced
ENOUGH = 15  # past forecasts from which the site's own errors are used
SEED = 20260701  # of the draws: the same evening gives the same plan


@dataclass(frozen=True)
class Weathers:
    """Weathers beside the main one.

    Parameters
    ----------
    members : Members            For the plan.
    eto, rain : ndarray (S, N)   [mm/d]
    route : str                  "members", "record" or "usual": where they come from.
    past : int                   Past forecasts they were made with.
    """

    members: Members
    eto: np.ndarray
    rain: np.ndarray
    route: str
    past: int


def other_weathers(site: Site, night: date, demand: Demand, most: int = MEMBERS) -> Weathers | None:
    """Weathers that may come in place of the main one.

    Parameters
    ----------
    site : Site
    night : date
    demand : Demand    With its forecast.
    most : int         Members at most.

    Returns
    -------
    Weathers or None   None without a forecast, or where the site is too large for several weathers.
    """
    told = demand.told
    nights = len(demand.future)
    count = min(most, MOST_CELLS // (len(site.zones) * nights) - 1)
    if told is None or count < FEWEST_MEMBERS:
        return None
    if told.members is not None:
        eto, rain, route, past = told.members[0], told.members[1], "members", 0
    else:
        rng = np.random.default_rng([SEED, night.toordinal()])
        courses, past = _past_courses(site, night, nights, rng)
        route = "record" if courses is not None else "usual"
        eto, rain = weathers(courses or usual_courses(DRAWN, nights, rng), told.eto, told.amount, told.chance)
    kept, weight = reduced(eto, rain, count)
    eto, rain = eto[kept], rain[kept]
    expected = demand.future[["eto", "rain"]].to_numpy(float).T
    if np.allclose(eto, expected[0]) and np.allclose(rain, expected[1]):
        return None  # nothing is open
    main = 1.0 / (kept.size + 1)
    days = [pd.DataFrame({"date": demand.future["date"], "eto": eto[s], "rain": rain[s]}) for s in range(kept.size)]
    return Weathers(
        Members(
            weight * (1.0 - main),
            np.stack([zone_etc(site, d) for d in days]),
            np.stack([zone_rain(site, d)[0] for d in days]),
        ),
        eto,
        rain,
        route,
        past,
    )


def tail_weight(site: Site) -> np.ndarray:
    """Weight of the driest weathers in the dryness of every zone, shape (Z,) [-]: of the surfaces served first."""
    first = site.zones.priority == site.zones.priority.min()
    return np.where(first, CAUTION[site.caution].tail, 0.0)


def margin_share(site: Site, several: bool) -> float:
    """Share of the spread of the estimate by which a plan stays inside the dry limit [-].

    By the word for caution; at least `BAND.margin_share` where one weather stands for all that may come.
    """
    own = CAUTION[site.caution].margin
    return own if several else max(own, BAND.margin_share)


def _past_courses(site: Site, night: date, nights: int, rng: np.random.Generator) -> tuple[ErrorCourses | None, int]:
    """Error courses of the site's own past forecasts, None with too few of them; and how many."""
    past = past_forecasts(site, night, nights, DRAWN)
    count = past.eto.shape[0]
    if count < ENOUGH:
        return None, count
    told = (past.told_eto, past.told_amount, past.told_chance)
    return courses_of_record(*told, past.eto, past.rain, rng), count
