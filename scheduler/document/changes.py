"""What is otherwise than the plan of the evening before meant."""

from __future__ import annotations

from datetime import timedelta

from models.choices import TOLD
from scheduler.document.parts import ChangesPart, PlanDocument
from scheduler.document.reading import read_plan
from scheduler.files import finish_sets
from scheduler.site import Site


def earlier_plan(site: Site, document: PlanDocument) -> PlanDocument | None:
    """Give the plan of the nearest evening before, from the site's folder; None if there is none of late."""
    for days in range(1, TOLD.looked_back + 1):
        folder = site.folder / "out" / (document.night - timedelta(days=days)).isoformat()
        finish_sets(folder)
        if not (folder / "plan.json").is_file():
            continue
        try:
            plan = read_plan(folder / "plan.json")
        except (OSError, ValueError):
            return None
        return plan if plan.site.name == document.site.name else None
    return None


def changes_part(before: PlanDocument, now: PlanDocument) -> ChangesPart:
    """Compare tonight as an earlier plan meant it with tonight as it is planned now."""
    meant = {z.id: p.minutes for z in before.zones for p in z.path if p.night == now.night}
    running = {z.id: z.minutes for z in now.zones}
    both = [z for z in running if z in meant]
    then = next((n.volume_m3 for n in before.nights if n.night == now.night), None)
    old, new = ({w.subject for w in plan.warnings} for plan in (before, now))
    return ChangesPart(
        since=before.night,
        meant_m3=then,
        volume_m3=now.nights[0].volume_m3,
        now_running=tuple(z for z in both if running[z] > 0 and not meant[z] > 0),
        no_longer_running=tuple(z for z in both if meant[z] > 0 and not running[z] > 0),
        new_warnings=tuple(sorted(new - old)),
        gone_warnings=tuple(sorted(old - new)),
    )
