"""What the extra for uneven catch is, what it buys and what it costs, by surface and in a sentence."""

from __future__ import annotations

import numpy as np

from scheduler import edge
from scheduler.document.parts import SurfaceName, SurfaceUneven, UnevenPart
from scheduler.document.planned import Planned, in_order
from scheduler.document.words import surfaces_named
from scheduler.state.uneven import UnevenCatch

WORTH_SAYING = 0.5  # [mm or days] from which a difference is spoken of


def uneven_part(planned: Planned) -> UnevenPart | None:
    """Compare what was chosen with run times made for the mean catch; None where nothing was weighed."""
    found = planned.uneven
    if found is None:
        return None
    rows = tuple(_surface(planned, found, surface) for surface in in_order(planned.site) if surface in found.surfaces)
    return UnevenPart(days=found.days, surfaces=rows, words=_words(planned, found, rows))


def _surface(planned: Planned, found: UnevenCatch, surface: str) -> SurfaceUneven:
    """One surface, means by area of what is a depth and by zone of what is a number of days."""
    own = np.flatnonzero(planned.site.zones.surface[found.zones] == surface)
    area = planned.site.zones.area[found.zones[own]]
    course, with_, without = found.weighed.course, (own, 1), (own, 0)

    def by_area(values: np.ndarray) -> float:
        return round(float(np.average(values, weights=area)), 3)

    drained = course.drained[with_] - course.drained[without]
    asked = np.maximum(found.owed[own] * course.water[with_] - course.drained[without], 0.0)
    return SurfaceUneven(
        surface=SurfaceName(surface),
        extra=round(float(found.weighed.extra[found.surfaces.index(surface)]), 3),
        longer=by_area(1.0 / found.weighed.share[own] - 1.0),
        water_mm=by_area(course.water[with_] - course.water[without]),
        drained_mm=by_area(drained),
        leached_mm=by_area(np.clip(drained, 0.0, asked)),
        met=round(min(float(course.met[with_].mean()), 1.0), 4),
        met_without=round(min(float(course.met[without].mean()), 1.0), 4),
        soft_nights=round(float(course.soft[with_].mean()), 2),
        soft_nights_without=round(float(course.soft[without].mean()), 2),
    )


def _words(planned: Planned, found: UnevenCatch, rows: tuple[SurfaceUneven, ...]) -> str:
    """One line for the whole site."""
    units = planned.site.units
    longer = [r for r in rows if r.longer >= 0.005]
    if not longer:
        return (
            f"Runs are not made longer for uneven catch: in weather as of the last {found.days} days it would not pay."
        )
    said = ", ".join(f"{edge.format_percent(r.longer)} on {surfaces_named(r.surface.value)}" for r in longer)
    rest = [surfaces_named(r.surface.value) for r in rows if r not in longer]
    if rest:
        said += f", not on {', '.join(rest)}"
    weight = np.array([planned.site.zones.area[planned.site.zones.surface == r.surface.value].sum() for r in longer])

    def mean(values: list[float]) -> float:
        return float(np.average(values, weights=weight))

    water = mean([r.water_mm for r in longer])
    met, without = mean([r.met for r in longer]), mean([r.met_without for r in longer])
    softer = mean([r.soft_nights - r.soft_nights_without for r in longer])
    leached = mean([r.leached_mm for r in longer])
    buys = f"gives the driest quarter {edge.format_percent(met)} of what it wants, not {edge.format_percent(without)}"
    costs = f"takes {edge.format_depth(max(water, 0.0), units)} of water"
    if leached >= WORTH_SAYING:
        costs += f" ({edge.format_depth(leached, units)} of it for leaching)"
    if softer >= WORTH_SAYING:
        costs += f", leaves the wettest quarter soft on {_nights(softer)}"
    lead = f"Runs are longer for uneven catch: {said}"
    return f"{lead}. Over the last {found.days} days of weather that {costs} and {buys}."


def _nights(number: float) -> str:
    """More nights in words."""
    whole = max(round(number), 1)
    return "one more night" if whole == 1 else f"{whole} more nights"
