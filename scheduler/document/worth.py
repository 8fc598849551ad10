"""What one more cubic metre of the season's allocation would do: where it goes, what it spares, what it costs.

It is the plan's own next step, from the basis at its optimum, in things that can be seen: water, depth below the dry
limit, money. The prices by which surfaces are kept in order are no money and do not appear.
"""

from __future__ import annotations

from models.plan.inputs import PlanInputs
from models.plan.results import OneMore
from scheduler.document.parts import SurfaceWorth, WorthPart
from scheduler.edge import format_depth, format_money, format_volume
from scheduler.site import Site

SMALL_VOLUME = 0.005  # [m3] of the one cubic metre, and SMALL_DEPTH: less is a solver's rounding
SMALL_DEPTH = 0.005  # [mm d]
US_UNIT = 3.785411784  # [m3] 1,000 US gallons, by which US words count; exact


def worth_part(site: Site, plan: PlanInputs, more: OneMore | None) -> WorthPart | None:
    """Give `worth_per_m3` of the document; None where one more cubic metre would change nothing.

    Parameters
    ----------
    site : Site
    plan : PlanInputs
    more : OneMore or None   As the plan's result has it.
    """
    if more is None:
        return None
    spared = more.less_dry.sum(axis=1)
    by_surface = {}
    for surface in sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s)):
        of = site.zones.surface == surface
        by_surface[surface] = SurfaceWorth(
            volume_m3=round(float(more.volume[of].sum()), 6) + 0.0,
            less_dry_mm_days=round(float(spared[of].sum()), 6) + 0.0,
        )
    priced = bool(plan.source_price.any() or plan.energy_price.any() or plan.tiers)
    bill = round(more.bill, 6) + 0.0 if priced else None
    return WorthPart(by_surface=by_surface, bill=bill, words=_words(site, by_surface, bill, bool(plan.tiers)))


def _words(site: Site, by_surface: dict[str, SurfaceWorth], bill: float | None, tiers: bool) -> str:
    scale = US_UNIT if site.units == "us" else 1.0
    unit = format_volume(scale, site.units)
    taking = {s: row for s, row in by_surface.items() if row.volume_m3 > SMALL_VOLUME}
    money = "" if bill is None else format_money(abs(bill) * scale, site.currency)
    if not taking:
        if tiers and bill is not None and bill < 0:
            return (
                f"this plan already takes water beyond a step of the allocation; {unit} more in it would change no run "
                f"time and save {money} of over-use"
            )
        return f"{unit} more in the allocation would hardly change this plan"
    parts = []
    whole = sum(row.volume_m3 for row in taking.values())
    for surface, row in sorted(taking.items(), key=lambda item: -item[1].volume_m3):
        share = "" if len(taking) == 1 else f" ({row.volume_m3 / whole:.0%})"
        if row.less_dry_mm_days > SMALL_DEPTH:
            spared = format_depth(row.less_dry_mm_days * scale, site.units)
            does = f"sparing it {spared} of dryness, summed over zones and days"
        else:
            does = "there only refilling for the days after this plan"
        parts.append(f"to {surface}{share}, {does}")
    others = [
        f"{surface} would be {format_depth(row.less_dry_mm_days * scale, site.units)} less dry as well"
        for surface, row in by_surface.items()
        if surface not in taking and row.less_dry_mm_days > SMALL_DEPTH
    ]
    text = f"{unit} more in the allocation would go {' and '.join(parts)}"
    if others:
        text += "; " + ", ".join(others)
    if bill is not None and bill > 0:
        text += f"; it would cost {money} in water and energy"
    elif bill is not None and bill < 0:
        text += f"; the bill would fall by {money}"
    return text
