"""What zones.csv may not say, and what it hardly means: ids and stations twice, another unit, unlikely quantities."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from models.hydraulics import gross_rate
from scheduler.errors import counted, read_but
from scheduler.site.columns import ZONES
from scheduler.site.findings import Findings
from scheduler.site.likely import areas_in_feet, flow_or_area, flows_in_gallons, rates_fit, unit_words
from scheduler.site.settle import Settings
from scheduler.site.tables import Table
from scheduler.site.units import conversion

LIKELY_RATE = (1.0, 150.0)  # application rate [mm/h]; outside it a note asks to look
LIKELY_AREA = (1.0, 200_000.0)  # area of a zone [m2]
LIKELY_ROOTS = (0.03, 1.5)  # root depth [m]
RATE_APART = 0.1  # [-] from which a rate and flow/area do not say the same


def notes_for(findings: Findings, zone: np.ndarray) -> Callable[[np.ndarray, str, str], None]:
    """Give a function that leaves one note for the zones marked."""

    def note(marked: np.ndarray, kind: str, text: str) -> None:
        if marked.any():
            which = "all zones" if marked.all() and len(zone) > 1 else zone_words(zone[marked])
            findings.note(kind, "zones.csv", f"{which}: {text}")

    return note


def zone_words(names: Sequence[str], most: int = 5) -> str:
    """Name a few zones, or count many.

    Examples
    --------
    >>> zone_words(["G1"]), zone_words([f"G{i}" for i in range(9)])
    ('zone G1', '9 zones (G0, G1, G2, G3, G4 and others)')
    """
    names = [str(n) for n in names]
    if len(names) <= most:
        return f"zone{'s' if len(names) > 1 else ''} {', '.join(names)}"
    return f"{counted(len(names), 'zone')} ({', '.join(names[:most])} and others)"


def check_unique(table: Table, zone: np.ndarray, findings: Findings) -> None:
    """Refuse a zone that stands twice."""
    first: dict[str, int] = {}
    twice = np.zeros(len(zone), dtype=bool)
    for row, name in enumerate(zone):
        if name and first.setdefault(name, row) != row:
            twice[row] = True
    table.refuse(
        findings,
        "zone",
        twice,
        lambda row: read_but(zone[row], f"a zone stands once; line {table.line(first[zone[row]])} has it already"),
    )


def check_units(table: Table, findings: Findings) -> None:
    """Refuse whole columns of areas or flows that are in another unit than meant, each in one line."""
    v = table.values
    wrong = set()
    flow, area = v["flow"], v["area"]
    if "flow" not in table.stated and flows_in_gallons(v["surface"], flow, area):
        wrong.add("flow")
        flow = conversion("gal/min", "L/s").column(flow)
    if "area" not in table.stated and areas_in_feet(v["surface"], area) and not rates_fit(flow, area):
        wrong.add("area")
    by_rate = flow_or_area(flow, area)
    if by_rate and by_rate not in table.stated:
        wrong.add(by_rate)
    for name, unit in (("area", "ft2"), ("flow", "gal/min")):
        if name in wrong:
            column = next(c for c in ZONES if c.name == name)
            words = unit_words(column, unit, v[name])
            findings.problem(table.file, table.header_line, table.header(name), words)
            v[name] = conversion(unit, column.unit).column(v[name])


def check_likely(
    zone: np.ndarray, rate: np.ndarray, area: np.ndarray, roots: np.ndarray, flow: np.ndarray,
    branch: np.ndarray, pump: np.ndarray, settings: Settings, findings: Findings,
) -> None:  # fmt: skip
    """Leave a note for what is possible and unlikely."""
    note = notes_for(findings, zone)
    for values, (low, high), name, unit in (
        (rate, LIKELY_RATE, "application rate", "mm/h"),
        (area, LIKELY_AREA, "area", "m2"),
        (roots, LIKELY_ROOTS, "root depth", "m"),
    ):
        unlikely = (values < low) | (values > high)
        if unlikely.any():
            worst = values[unlikely][np.argmax(np.abs(np.log(values[unlikely] / np.sqrt(low * high))))]
            note(
                unlikely,
                "warning",
                f"{name} outside of the usual {low:g} to {high:g} {unit} ({worst:.3g}); please look",
            )
    derived = gross_rate(flow, area)
    differs = np.abs(rate / derived - 1.0) > RATE_APART
    note(differs, "warning", "application_rate differs from flow/area by more than 10 %; the rate is used, please look")
    capacity = np.array([*(p.capacity for p in settings.pumps), np.inf])[pump]
    note(flow > capacity, "warning", "flow is above the capacity of the pump, so it cannot run")
    capacity = np.array([*(b.capacity for b in settings.branches), np.inf])[branch]
    note(flow > capacity, "warning", "flow is above the capacity of the branch, so it cannot run")


def check_stations(table: Table, controller: np.ndarray, zone: np.ndarray, findings: Findings) -> None:
    """Refuse an address that stands twice on a controller; leave a note where there is none."""
    station = table.values["station"]
    first: dict[tuple[int, str], int] = {}
    twice = np.zeros(len(zone), dtype=bool)
    for row, key in enumerate(zip(controller.tolist(), station.tolist(), strict=True)):
        if key[1] and first.setdefault(key, row) != row:
            twice[row] = True

    def words(row: int) -> str:
        other = first[int(controller[row]), str(station[row])]
        return read_but(
            station[row],
            f"an address stands once on a controller; line {table.line(other)} ({zone[other]}) has it already",
        )

    table.refuse(findings, "station", twice, words)
    note = notes_for(findings, zone)
    note(station == "", "info", "station is not given; the run-time table prints the zone instead")
