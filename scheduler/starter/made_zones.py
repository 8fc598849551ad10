"""Zones of a site that gives no table of its own: usual areas and rates of each surface, to be written over.

All numbers are common practice, no source.
"""

from __future__ import annotations

from scheduler.starter.answers import Answers
from scheduler.starter.own_zones import CODES, OwnZones

WARM = 35.0  # [deg] of latitude nearer than which fairways and tees are of a warm-season grass
# surface: name, soil, root depth [mm], area [m2], rate [mm/h], DU of the lower quarter, slope [%], longest run [min]
KINDS = {
    "green": ("Green", "sand_rootzone", 150, 520.0, 13.5, 0.75, 2, 90),
    "tee": ("Tee", "sandy_loam", 200, 310.0, 13.0, 0.70, 1, 90),
    "approach": ("Approach", "sandy_loam", 200, 420.0, 13.0, 0.70, 2, 90),
    "fairway": ("Fairway", "clay_loam", 300, 1_650.0, 11.5, 0.65, 4, 240),
    "rough": ("Rough", "clay_loam", 300, 1_900.0, 11.0, 0.60, 6, 240),
    "pitch": ("Pitch", "sand_rootzone", 200, 1_200.0, 12.0, 0.75, 1, 120),
    "landscape": ("Bed", "loam", 300, 450.0, 12.0, 0.65, 3, 120),
}
COOL_TURF = {"green": "creeping_bentgrass:0.8|annual_bluegrass:0.2", "pitch": "perennial_ryegrass"}
WARM_TURF = {"green": "bermudagrass", "rough": "tall_fescue", "landscape": "tall_fescue"}
FT2, GPM, INCH = 0.09290304, 0.0630901964, 25.4
COLUMNS = {
    "us": ("root_depth [in]", "area [ft2]", "flow [gal/min]"),
    "metric": ("root_depth", "area", "flow"),
}


def made_zones(answers: Answers) -> OwnZones:
    """Make the zones of the surfaces asked for, shared out among the controllers in order."""
    root, area, flow = COLUMNS[answers.units]
    columns = ("zone", "name", "surface", "turf", "soil", root, area, flow, "du_lq", "controller", "station", "sources",
               "exposure", "slope", "max_run")  # fmt: skip
    total = sum(answers.surfaces.values())
    each = -(-total // len(answers.controllers))
    rows = []
    for surface, count in answers.surfaces.items():
        name, soil, depth, size, rate, du, slope, longest = KINDS[surface]
        for n in range(1, count + 1):
            own = size * (0.92 + 0.04 * (n % 5))  # no two alike, as on the ground
            number = len(rows)
            rows.append((
                f"{CODES[surface]}{n}", f"{name} {n}", surface, _turf(surface, answers), soil,
                *_numbers(depth, own, rate * own / 3600.0, answers.units), f"{du:g}",
                answers.controllers[number // each], str(number % each + 1), "|".join(s for s, _ in answers.sources),
                "shade" if surface == "green" and n % 2 == 0 else "open", str(slope), str(longest),
            ))  # fmt: skip
    return OwnZones(columns, tuple(rows), tuple(range(2, len(rows) + 2)), {}, ())


def _turf(surface: str, answers: Answers) -> str:
    if abs(answers.latitude) < WARM:
        return WARM_TURF.get(surface, "bermudagrass")
    return COOL_TURF.get(surface, "perennial_ryegrass" if surface in ("tee", "approach") else "kentucky_bluegrass")


def _numbers(depth: float, area: float, flow: float, units: str) -> tuple[str, str, str]:
    """Root depth, area and flow as a person of these units writes them."""
    if units == "us":
        return f"{depth / INCH:.0f}", f"{round(area / FT2, -2):.0f}", f"{flow / GPM:.0f}"
    return f"{depth / 10:.0f}", f"{round(area, -1):.0f}", f"{flow:.1f}"
