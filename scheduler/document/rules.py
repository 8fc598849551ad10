"""What must hold across the fields of a plan document before it is written, and its writing.

Each field's own limits are in its type (`parts/`). What a type cannot say is checked here: that the water of each zone
closes, and that totals are the sums of their parts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from scheduler.document.parts import PlanDocument, Status, ZonePart
from scheduler.files import write_atomic

CLOSURE_TOLERANCE = 5e-6  # [mm] seven terms, each within half of the 6th decimal if the writer rounds (3.5e-6)
TOTAL_TOLERANCE = 1e-5  # [-] relative, for sums over zones
ENERGY_TOLERANCE = 1e-3  # [kWh], and of money: three decimals are printed
MINUTES_TOLERANCE = 1 / 60 + 1e-6  # [min] cycle times are printed to the second


class PlanDocumentError(ValueError):
    """A plan document contradicts itself; nothing may be published from it.

    Attributes
    ----------
    faults : tuple of str           Every contradiction found.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        shown = "\n".join(self.faults[:20])
        more = f"\nand {len(self.faults) - 20} more" if len(self.faults) > 20 else ""
        super().__init__(f"the plan document contradicts itself:\n{shown}{more}")


def plan_faults(plan: PlanDocument) -> list[str]:
    """Find what the schema cannot see: water that does not close, and totals that are not the sum of their parts.

    Parameters
    ----------
    plan : PlanDocument

    Returns
    -------
    list of str                     One sentence per fault, naming the zone or night; empty if all is well.
    """
    faults: list[str] = []
    zones = plan.zones
    ids = [z.id for z in zones]
    if plan.site.zones != len(zones):
        faults.append(f"site.zones is {plan.site.zones}, but the plan lists {len(zones)} zones")
    faults += [f'zone "{i}" is listed {n} times' for i, n in Counter(ids).items() if n > 1]
    faults += _water_faults(zones, ids)
    faults += _cycle_faults(zones, plan.site.time_zone)
    faults += _total_faults(plan)
    faults += _worth_faults(plan)
    faults += _energy_faults(plan)
    return faults


def write_plan(plan: PlanDocument, path: Path) -> Path:
    """Check the plan document and write it in one step; the old file stays if anything is wrong.

    Parameters
    ----------
    plan : PlanDocument
    path : Path                     Destination.

    Returns
    -------
    Path                            The destination.

    Raises
    ------
    PlanDocumentError               The document contradicts itself.
    OSError                         The file cannot be written.
    """
    faults = plan_faults(plan)
    if faults:
        raise PlanDocumentError(faults)
    return write_atomic(path, plan.model_dump_json() + "\n")


def _water_faults(zones: Sequence[ZonePart], ids: Sequence[str]) -> list[str]:
    """Check the water of all zones at once.

    after = before + etc - (rain - runoff) - held - depth + uneven + drainage, and depth = net depth + uneven   [mm]
    """
    if not zones:
        return []
    names = ("depth_mm", "uneven_mm", "etc_mm", "rain_mm", "runoff_mm", "held_mm", "drainage_mm")
    depth, uneven, etc, rain, runoff, held, drainage = np.array(
        [[getattr(z.balance, n) for n in names] for z in zones], float
    ).T
    before, after, gross, net = np.array(
        [[z.before.depletion_mm, z.after.depletion_mm, z.depth_mm, z.net_depth_mm] for z in zones],
        float,
    ).T
    gap = before + etc - (rain - runoff) - held - depth + uneven + drainage - after
    faults = [
        f'zone "{ids[i]}": its water does not close, {gap[i]:+.6f} mm are unaccounted for'
        for i in np.flatnonzero(~(np.abs(gap) <= CLOSURE_TOLERANCE)).tolist()
    ]
    faults += [
        f'zone "{ids[i]}": depth_mm is {gross[i]:.6f}, but its balance holds {depth[i]:.6f}'
        for i in np.flatnonzero(~(np.abs(gross - depth) <= CLOSURE_TOLERANCE)).tolist()
    ]
    faults += [
        f'zone "{ids[i]}": net_depth_mm and uneven_mm do not add up to depth_mm'
        for i in np.flatnonzero(~(np.abs(net + uneven - gross) <= CLOSURE_TOLERANCE)).tolist()
    ]
    return faults


def _cycle_faults(zones: Sequence[ZonePart], time_zone: str) -> list[str]:
    faults = []
    for zone in zones:
        cycles = zone.cycles
        if abs(sum(c.minutes for c in cycles) - zone.minutes) > MINUTES_TOLERANCE:
            faults.append(f'zone "{zone.id}": its cycles do not add up to its {zone.minutes:g} minutes')
        last = None
        for cycle in cycles:
            start, end = cycle.start, cycle.end
            if not _lasts(start, end, cycle.minutes, time_zone):
                faults.append(
                    f'zone "{zone.id}": the cycle from {cycle.start} to {cycle.end} '
                    f"is not {cycle.minutes:g} minutes long"
                )
            if last is not None and start < last:
                faults.append(f'zone "{zone.id}": the cycle at {cycle.start} begins before the one before it ends')
            last = end
    return faults


def _worth_faults(plan: PlanDocument) -> list[str]:
    """Check that one more cubic metre is handed out once, among the plan's surfaces."""
    worth = None if plan.allocation is None else plan.allocation.worth_per_m3
    if worth is None:
        return []
    faults = []
    named, surfaces = set(worth.by_surface), {z.surface for z in plan.zones}
    if named != surfaces:
        faults.append(f"worth_per_m3 names the surfaces {sorted(named)}, but the plan has {sorted(surfaces)}")
    total = sum(row.volume_m3 for row in worth.by_surface.values())
    if not -TOTAL_TOLERANCE <= total <= 1.0 + TOTAL_TOLERANCE:
        faults.append(f"worth_per_m3 hands out {total:g} m3 of one")
    return faults


def _lasts(start: datetime, end: datetime, minutes: float, time_zone: str) -> bool:
    """Whether a run takes `minutes`, also when the clocks change (an hour that occurs twice may mean either)."""
    if abs((end - start).total_seconds() / 60 - minutes) <= MINUTES_TOLERANCE:
        return True
    if start.tzinfo is not None:
        return False
    zone = ZoneInfo(time_zone)
    moments = [[t.replace(tzinfo=zone, fold=fold).timestamp() for fold in (0, 1)] for t in (start, end)]
    return any(abs((b - a) / 60 - minutes) <= MINUTES_TOLERANCE for a in moments[0] for b in moments[1])


def _energy_faults(plan: PlanDocument) -> list[str]:
    """Check that energy and its cost by tariff block add up to the night's, and by pump to the block's."""
    blocks = plan.energy
    if not blocks or not plan.nights:
        return []
    tonight, faults = plan.nights[0], []
    for key, of_night in (("energy_kwh", "energy_kwh"), ("cost", "energy_cost")):
        total = float(sum(getattr(b, key) or 0.0 for b in blocks))
        stated = getattr(tonight, of_night) or 0.0
        if not abs(total - stated) <= ENERGY_TOLERANCE + TOTAL_TOLERANCE * abs(total):
            faults.append(f"night {plan.night}: {of_night} is {stated:g}, but its tariff blocks add up to {total:g}")
    for block in blocks:
        total = float(sum(block.pumps.values()))
        if not abs(total - block.energy_kwh) <= ENERGY_TOLERANCE * (1 + len(block.pumps)):
            faults.append(f"energy from {block.start}: {block.energy_kwh:g} kWh, but its pumps add up to {total:g}")
    volume = float(sum(b.volume_m3 for b in blocks))
    if volume > tonight.volume_m3 + TOTAL_TOLERANCE * max(1.0, volume):
        faults.append(f"night {plan.night}: its tariff blocks pump {volume:g} m3, but only {tonight.volume_m3:g} run")
    return faults


def _total_faults(plan: PlanDocument) -> list[str]:
    faults: list[str] = []
    zones = plan.zones
    running = [z for z in zones if z.minutes > 0]
    if plan.nights:
        tonight = plan.nights[0]
        if tonight.night != plan.night:
            faults.append(f"the first of nights is {tonight.night}, but the plan is for {plan.night}")
        if tonight.zones_running != len(running):
            faults.append(f"night {plan.night}: zones_running is {tonight.zones_running}, but {len(running)} run")
        for key in ("minutes", "volume_m3"):
            total = float(sum(getattr(z, key) for z in zones))
            if not abs(total - getattr(tonight, key)) <= TOTAL_TOLERANCE * max(1.0, total):
                faults.append(
                    f"night {plan.night}: {key} is {getattr(tonight, key):g}, but its zones add up to {total:g}"
                )
    else:
        faults.append("nights is empty; tonight must be its first entry")
    if (plan.status == Status.PLANNED) != bool(running):
        faults.append(f'status is "{plan.status}", but {len(running)} zones run')
    for row in plan.surfaces:
        own = [z for z in zones if z.surface == row.surface]
        on = sum(z.minutes > 0 for z in own)
        if (row.zones, row.running) != (len(own), on):
            faults.append(
                f"surface {row.surface}: {row.zones} zones with {row.running} running are stated, "
                f"but {len(own)} with {on} are listed"
            )
    for zone in zones:
        parts = zone.volumes_m3
        if parts and abs(sum(parts.values()) - zone.volume_m3) > TOTAL_TOLERANCE * max(1.0, zone.volume_m3):
            faults.append(f'zone "{zone.id}": its sources do not add up to {zone.volume_m3:g} m3')
    return faults
