"""Who gives way: no zone goes dry while one of a later rank gets water it could spare. Part of the judge of an evening.

The timetable is tried in half minutes. What a zone's own soil asks for is taken from plan.json: the rest between two of
its cycles (`soak_min`) and the longest run there is room for in tonight's hours; everything else from the folder.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

from tests.end_to_end.folder_reader import Zone, cycles_of, number, open_spans, orders

PRIORITY = {"green": 1, "tee": 2, "pitch": 2, "approach": 3, "fairway": 3, "landscape": 4, "rough": 5}  # our defaults
STEP = 0.5  # [min]


def could_run(
    spans: list[tuple[int, int]],
    own: list[tuple[float, float]],
    soak: float,
    least: float,
    rooms: Iterable[tuple[float, float, list[tuple[float, float, float]]]],
) -> bool:
    """Whether `least` minutes fit somewhere.

    Parameters
    ----------
    spans : list of (opens, closes)       When the zone may run [min].
    own : list of (start, end)            Its cycles [min].
    soak, least : float                   [min].
    rooms : iterable of (capacity, use, runs)   Each limit it draws on: what there is, what it uses, and the (start,
                                          end, use) of those that do not give way.
    """
    blocked = [(a - soak, b + soak) for a, b in own]
    for capacity, use, runs in rooms:
        level, since = 0.0, None
        turns = sorted((t, change) for a, b, q in runs for t, change in ((a, q), (b, -q)))
        for moment, change in turns:
            level += change
            full = level + use > capacity * (1 + 1e-6)
            if full and since is None:
                since = moment
            elif not full and since is not None:
                blocked.append((since, moment))
                since = None
    for opens, closes in spans:
        start = float(opens)
        while start + least <= closes + 1e-9:
            in_way = [b for a, b in blocked if a < start + least - 1e-9 and b > start + 1e-9]
            if not in_way:
                return True
            start += STEP * max(1.0, -(-(max(in_way) - start) // STEP))
    return False


def order_faults(
    plan: dict[str, Any],
    zones: dict[str, Zone],
    site: dict[str, Any],
    pump_of: dict[str, str | None],
    events: list[tuple[str, date, date]],
) -> list[str]:
    """On no night a zone goes dry while one of a later rank on the same branch gets water it could spare.

    A zone could have had more if it is short of its longest run, of its window and of field capacity by more than one
    step, its flow fits its pipes, its controller has room or is the other's too, and both take the same sources. A
    drought cut gives each surface its own water, which others cannot take. Tonight it must also find a moment: with the
    later ranks' cycles taken away, a smallest run must fit beside its own cycles and their soaks. Later nights are
    checked with tonight's dry limit, moved with ET as the Table 22 footnote of FAO-56 moves RAW.
    """
    faults = []
    rank = {s: site.get("surface", {}).get(s, {}).get("priority", r) for s, r in PRIORITY.items()}
    at_once = {c["name"]: number(c.get("stations_at_once")) for c in site.get("controller", [])}
    carried: dict[str | None, float] = defaultdict(lambda: float("inf"))
    for part in (*site.get("pump", []), *site.get("branch", [])):
        carried[part["name"]] = number(part.get("capacity")) or float("inf")
    find = _finder(plan, zones, site, pump_of, rank)
    nights = [date.fromisoformat(x["night"]) for x in plan["nights"]]
    widest = {
        s: max(max(sum(b - a for a, b in open_spans(site, s, night)) for night in nights), 1e-9)
        for s in {z.surface for z in zones.values()}
    }
    tonight = {s: sum(b - a for a, b in open_spans(site, s, nights[0])) for s in widest}
    for n, night in enumerate(nights):
        dry_tonight = {name for name, first, last in events if first <= night <= last}
        spans = {s: open_spans(site, s, night) for s in {z.surface for z in zones.values()}}
        cut = {
            s: max((o.get("cut", 0.0) for o in orders(site, night) if s in o.get("surfaces", [s])), default=0.0)
            for s in spans
        }
        kin = {
            i: (z.branch, pump_of[i], z.sources, str(spans[z.surface]), z.surface if cut[z.surface] else "")
            for i, z in zones.items()
        }
        busy: dict[str, float] = defaultdict(float)
        givers: dict[tuple[Any, ...], list[tuple[int, str, float]]] = defaultdict(list)
        for entry in plan["zones"]:
            name, minutes = entry["id"], entry["path"][n]["minutes"]
            busy[zones[name].controller or ""] += minutes
            if minutes > 0:
                givers[kin[name]].append((rank[zones[name].surface], name, minutes))
        for entry in plan["zones"]:
            name = entry["id"]
            zone, limits, today = zones[name], entry["limits"], entry["path"][n]
            step = limits["resolution_s"] / 60
            one = step * zone.rate / 60  # [mm] of one step
            least = smallest_run(zone, step)
            before = entry["path"][n - 1]["depletion_mm"] if n else entry["before"]["depletion_mm"]
            milder = 0.0 if n == 0 else _unstressed(entry, zone, 0) - _unstressed(entry, zone, n)
            # RAW moves by 0.04 TAW a mm of ET (FAO-56 Table 22), a limit past RAW, counted from 2 RAW, by twice that
            steeper = 2.0 if limits["dry_limit_mm"] > limits["raw_mm"] else 1.0
            limit = limits["dry_limit_mm"] + steeper * max(0.0, 0.04 * milder * limits["taw_mm"])
            dry = today["depletion_mm"] - limit
            room = before - today["minutes"] * zone.net
            open_minutes = sum(b - a for a, b in spans[zone.surface])
            held_by_soaks = limits["max_run_min"] < min(widest[zone.surface], zone.max_run)
            share = open_minutes / widest[zone.surface] if held_by_soaks else 1.0  # on a short night
            most = min(limits["max_run_min"] * share, open_minutes, zone.max_run)
            if open_minutes <= tonight[zone.surface]:  # its soil leaves no room for more in hours as short
                most = min(most, entry["make"]["longest_run_min"])
            full = at_once.get(zone.controller or "")
            crowded = full is not None and busy[zone.controller or ""] > 0.8 * full * open_minutes
            held = name in dry_tonight or zone.flow > min(carried[zone.branch], carried[pump_of[name]])
            slack = max(2 * one, least * zone.rate / 60) + 0.5 * one * n  # later nights are rounded one by one
            if min(dry, room) <= slack or most - today["minutes"] <= least or held:
                continue
            for other, giver, minutes in givers[kin[name]]:
                could = minutes * zones[giver].flow > 2 * step * zone.flow
                helps = not crowded or zones[giver].controller == zone.controller
                if other > rank[zone.surface] and could and helps and (n > 0 or find(entry, least)):
                    faults.append(
                        f"{night}: {name} ({zone.surface}) goes {dry:.2f} mm too dry with {today['minutes']} min, "
                        f"{giver} ({zones[giver].surface}) gets {minutes} min"
                    )
                    break
    return faults


def smallest_run(zone: Zone, step: float) -> float:
    """A shorter run is not worth its wetting [min], by our rule: past leaves and thatch, a rotor turns."""
    depth = {"green": 1.0, "tee": 1.5}.get(zone.surface, 2.0)  # [mm] gross
    least = max(5.0 if zone.rate < 20.0 else 2.0, 60.0 * depth / zone.rate)
    return max(1.0, -(-min(least, zone.max_run) // step)) * step


def _finder(
    plan: dict[str, Any],
    zones: dict[str, Zone],
    site: dict[str, Any],
    pump_of: dict[str, str | None],
    rank: dict[str, int],
) -> Callable[[dict[str, Any], float], bool]:
    """A test of whether a zone of the plan could have run some minutes more tonight, had later ranks given way."""
    night = date.fromisoformat(plan["night"])
    most = {
        (kind, part["name"]): number(part.get(key))
        for kind, key in (("pump", "capacity"), ("branch", "capacity"), ("controller", "stations_at_once"))
        for part in site.get(kind, [])
    }
    cycles = {e["id"]: cycles_of(e, night) for e in plan["zones"]}

    def parts(name: str) -> tuple[tuple[str, str | None, float], ...]:
        z = zones[name]
        return ("pump", pump_of[name], z.flow), ("branch", z.branch, z.flow), ("controller", z.controller, 1.0)

    def find(entry: dict[str, Any], least: float) -> bool:
        name = entry["id"]
        rooms = []
        for kind, part, use in parts(name):
            capacity = most.get((kind, part)) if part else None
            if capacity is not None:
                beside = [(i, q) for i in zones for k, p, q in parts(i) if (k, p) == (kind, part) and i != name]
                stay = [(i, q) for i, q in beside if rank[zones[i].surface] <= rank[zones[name].surface]]
                rooms.append((capacity, use, [(a, b, q) for i, q in stay for a, b in cycles[i]]))
        spans = open_spans(site, zones[name].surface, night)
        return could_run(spans, cycles[name], entry["limits"]["soak_min"], least, rooms)

    return find


def _unstressed(entry: dict[str, Any], zone: Zone, n: int) -> float:
    """ET of a date had the zone not been stressed [mm], by FAO-56 Eq. 84 turned round; with tonight's RAW throughout.

    A zone too dry to tell counts as on a cold day, which makes its later limit wide and the check say nothing.
    """
    taw, raw = entry["limits"]["taw_mm"], entry["limits"]["raw_mm"]
    before = entry["path"][n - 1]["depletion_mm"] if n else entry["before"]["depletion_mm"]
    net = entry["path"][n]["minutes"] * zone.net
    stress = min(1.0, (taw - max(before - net, 0.0)) / (taw - raw))
    if stress < 0.2:
        return 0.0 if n else 1e3
    return entry["path"][n]["etc_mm"] / stress
