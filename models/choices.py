"""What we chose and a manager or a scientist might choose otherwise: gathered here, each with what it does.

No source gives these numbers. How far they matter is measured by `python -m tests.bench.bench_choices`, which halves
and raises each by half on invented sites and counts water and zone-days. Of three sites of 12 zones on one evening,
with salty greens, the plan's water changed by 1.4 % with `Flush.stage_share` (and its flushes by a third), by 1 % with
`Band.margin_share` and `widest_margin`, by 0.3 to 0.5 % with the spreads where no probe reads, and the zone-days under
a drought order by some 3 with `Drought.nights`; no other choice moved it by 0.1 %. Those of flushes show over a season,
see `scheduler/salinity/flushes.py`. What a site can say itself (moisture floors, firmness limits, finish times, prices)
is in its folder and not here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Band:
    """How a plan keeps inside the moisture band.

    Parameters
    ----------
    margin_share : float       Of the spread of an estimate by which a plan stays inside the dry limit [-].
    widest_margin : float      That margin at most, of the dry limit [-].
    event_wet_weight : float   Softness around an event against softness on an ordinary night [-].
    least_band : float         Of the dry limit that must stay between the two limits [-].
    """

    margin_share: float = 0.5
    widest_margin: float = 0.2
    event_wet_weight: float = 4.0
    least_band: float = 0.2


@dataclass(frozen=True)
class Events:
    """Nights kept free around what stands in the calendar.

    Parameters
    ----------
    protected_before : int     Nights before a tournament or firm day without flushes.
    after_fertigation : int    Nights a fertigation is kept in the root zone.
    """

    protected_before: int = 2
    after_fertigation: int = 3


@dataclass(frozen=True)
class Drought:
    """How a drought order is counted.

    Parameters
    ----------
    nights : int               Nights in a row over which a cut is counted: a week is what orders are written for.
    """

    nights: int = 7


@dataclass(frozen=True)
class Flush:
    """When salt is flushed, how deep, and how wary of what is not known; reasons in `scheduler/salinity/flushes.py`.

    Parameters
    ----------
    target_share : float       Of the limit that a flush brings the mean ECe to [-].
    wary : float               Standard deviations of the ECe by which a zone may be saltier than believed [-].
    widest : float             Of the ECe that a standard deviation counts at most [-].
    least_rest : float         Days a flush must last [d].
    floor_margin : float       The limit is never nearer to what endless flushing ends at [-].
    target_margin : float      Nor the target [-].
    largest_share : float      Of the root zone's water at field capacity that flushing a zone passes at most [-].
    stage_share : float        Of the same that one of several flushes passes at most [-].
    smallest : float           Drainage that can be told from uneven watering [mm].
    saltier_part : float       ECe of the saltier part of a zone against its mean, where harm is judged [-].
    most_owed : float          Flushes owed at the end of the horizon that count at most [-].
    """

    target_share: float = 0.85
    wary: float = 0.65
    widest: float = 0.125
    least_rest: float = 7.0
    floor_margin: float = 1.25
    target_margin: float = 1.1
    largest_share: float = 1.0
    stage_share: float = 1.0 / 3.0
    smallest: float = 2.0
    saltier_part: float = 1.25
    most_owed: float = 3.0


@dataclass(frozen=True)
class Spread:
    """How sure an estimate without the filter is.

    Parameters
    ----------
    probe_error : float        Of one reading against the zone's mean, one standard deviation [m3/m3]; common practice.
    daily_error : float        Of a day's ET, one standard deviation, growing with the root of days [-].
    unknown : float            Of TAW, where nothing is known [-].
    widest : float             Of TAW, at most [-].
    oldest_reading : int       A reading this old no longer says where a zone stands [d].
    """

    probe_error: float = 0.02
    daily_error: float = 0.2
    unknown: float = 0.15
    widest: float = 0.25
    oldest_reading: int = 3


@dataclass(frozen=True)
class HandWatering:
    """What the day crew is asked for.

    Parameters
    ----------
    largest_dose : float       At once: more runs off or past the roots [mm].
    least_dose : float         Less is not worth a walk [mm].
    """

    largest_dose: float = 12.0
    least_dose: float = 1.0


BAND, EVENTS, DROUGHT, FLUSH, SPREAD, BY_HAND = Band(), Events(), Drought(), Flush(), Spread(), HandWatering()
