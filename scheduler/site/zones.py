"""zones.csv -> `ZoneTable`: every quantity of every zone, with the default of what is not known.

Defaults, each with a note that counts its zones (common practice, no source, unless a table is named):

====================  ================================================================================
turf                  creeping_bentgrass on greens, else kentucky_bluegrass; bermudagrass within 35 deg of the equator
soil                  loam
field_capacity, ...   the texture's (`models.textures.TEXTURES`), and infiltration with the slope, hydrologic_group
root_depth            the turf's (`models.turf`)
over_gravel           yes for greens and pitches of sand_rootzone: water perches there and feeds turf from 30 cm
flow, rate            each from the other and the area
du_lq                 0.7;  slope 0;  max_run 600 min;  microclimate 1
drained               yes for sand_rootzone
class                 landscape for landscape, else turf
place                 guessed from the name
branch, controller    the only one, if there is one only; otherwise none
sources               all of the site's
====================  ================================================================================
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from models.hydraulics import gross_rate, infiltration_rate
from models.textures import TEXTURES
from models.turf import SPECIES, Turf, parse_mix, turf_of_mix
from scheduler.errors import counted, listing, near_miss, read_but
from scheduler.site.findings import Findings
from scheduler.site.outlines import Rings
from scheduler.site.places import place_of
from scheduler.site.positions import place_zones
from scheduler.site.records import ZoneTable
from scheduler.site.settle import Settings, named
from scheduler.site.tables import Table
from scheduler.site.trade_words import turf_of
from scheduler.site.zone_checks import check_likely, check_stations, check_unique, check_units, notes_for

BUILT_OVER_GRAVEL = ("green", "pitch")  # surfaces whose sand root zone stands over gravel; common practice, no source
DU_LQ, MAX_RUN, MICROCLIMATE = 0.7, 600.0, 1.0  # [-], [min], [-]; of site-format
SOIL = "loam"
WARM_LATITUDE = 35.0  # nearer to the equator the default turf is a warm-season one [deg]; common practice, no source
HIGHEST_RATE = 500.0  # [mm/h] no sprinkler reaches it; as for the column
MOST_APART = 20.0  # [-] of application_rate and flow/area: more is a wrong unit, however heads overlap


def build_zones(
    table: Table, settings: Settings, findings: Findings, outlines: Mapping[str, Rings] | None = None
) -> ZoneTable | None:
    """Put the zones together.

    Parameters
    ----------
    table : Table
        zones.csv as read.
    settings : Settings
        site.toml as read.
    findings : Findings
        Receives every problem and note.
    outlines : mapping, optional
        Rings of longitude and latitude by zone.

    Returns
    -------
    ZoneTable or None
        None if a problem was found, here or before: nothing unknown is left in a ZoneTable.
    """
    if table.rows == 0:
        if not any(p.file == table.file for p in findings.problems):
            findings.problem(table.file, None, None, "the file holds no zone; one row a zone is needed")
        return None
    zone = table.values["zone"]
    check_unique(table, zone, findings)
    note = notes_for(findings, zone)
    turf_mix, turfs = _turf(table, settings, findings, note)
    ground = _ground(table, findings, note)
    check_units(table, findings)
    flow, rate = _flow_and_rate(table, findings)
    branch, pump, controller = _supply(table, settings, findings, note)
    sources = _sources(table, settings, findings, note)
    formerly = _formerly(table, zone, findings)
    places = place_zones(table, zone, outlines or {}, settings, findings)
    if findings.problems or turfs is None:
        return None
    grass = _grass(table, turfs, note)
    check_likely(zone, rate, table.values["area"], grass["root_depth"], flow, branch, pump, settings, findings)
    as_told = _as_told(table, settings, note)
    check_stations(table, controller, zone, findings)
    return ZoneTable(
        zone=zone,
        flow=flow,
        application_rate=rate,
        formerly=formerly,
        branch=branch,
        pump=pump,
        controller=controller,
        sources=sources,
        turf_mix=turf_mix,
        east=places.east,
        north=places.north,
        outline=places.outline,
        **as_told,
        **ground,
        **grass,
    )


def _as_told(table: Table, settings: Settings, note: Callable[[np.ndarray, str, str], None]) -> dict[str, np.ndarray]:
    """Give what a column says, or the default of the site format where it is empty."""
    v = table.values
    zone, surface = v["zone"], v["surface"]
    name = np.where(v["name"] == "", zone, v["name"])
    note(np.isnan(v["du_lq"]), "info", f"du_lq is not given; {DU_LQ:g} is taken: measure it with catch cans")
    return {
        "name": name,
        "surface": surface,
        "place": place_of(zone, name, v["place"]),
        "priority": np.array([settings.surfaces[s].priority for s in surface], dtype=int),
        "area_class": _area_class(v["class"], surface),
        "du_lq": np.where(np.isnan(v["du_lq"]), DU_LQ, v["du_lq"]),
        "max_run": np.where(np.isnan(v["max_run"]), MAX_RUN, v["max_run"]),
        "microclimate": np.where(np.isnan(v["microclimate"]), MICROCLIMATE, v["microclimate"]),
        **{column: v[column] for column in ("station", "exposure", "area", "smallest_run", "longest_cycle", "soak")},
    }


def _grass(table: Table, turfs: list[Turf], note: Callable[[np.ndarray, str, str], None]) -> dict[str, np.ndarray]:
    """Give what a zone's grasses need, bear and reach."""
    roots = table.values["root_depth"]
    note(np.isnan(roots), "info", "root_depth is not given; the turf's usual depth is taken")
    return {
        "root_depth": np.where(np.isnan(roots), [t.root_depth_m for t in turfs], roots),
        "kc_month": np.array([t.kc_month for t in turfs]),
        "depletion_fraction": np.array([t.depletion_fraction for t in turfs]),
        "ece_threshold": np.array([t.ece_threshold for t in turfs]),
        "ece_slope": np.array([t.ece_slope for t in turfs]),
    }


def _ground(table: Table, findings: Findings, note: Callable[[np.ndarray, str, str], None]) -> dict[str, np.ndarray]:
    """Give what a zone's soil holds and takes in, and what it stands on."""
    v = table.values
    soil, capacity, wilting, infiltration, slowest, slope = _soil(table, findings, note)
    sand = soil == "sand_rootzone"
    return {
        "soil": soil,
        "field_capacity": capacity,
        "wilting_point": wilting,
        "infiltration": infiltration,
        "slowest_intake": slowest,
        "slope": slope,
        "hydrologic_group": _group(table, soil, note),
        "drained": _told_or(v["drained"], sand),
        "over_gravel": _told_or(v["over_gravel"], sand & np.isin(v["surface"], BUILT_OVER_GRAVEL)),
    }


def _told_or(told: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """Yes or no as told, else as usual; None is untold."""
    return np.array([u if t is None else t for t, u in zip(told, usual.tolist(), strict=True)], dtype=bool)


def _turf(
    table: Table, settings: Settings, findings: Findings, note: Callable[[np.ndarray, str, str], None]
) -> tuple[tuple[tuple[tuple[str, float], ...], ...], list[Turf] | None]:
    """Read the mixes, each different text once."""
    written, surface = table.values["turf"], table.values["surface"]
    warm = abs(settings.latitude) < WARM_LATITUDE
    rest = "bermudagrass" if warm else "kentucky_bluegrass"
    default = np.where(surface == "green", "bermudagrass" if warm else "creeping_bentgrass", rest)
    unknown = written == ""
    note(unknown, "step_down", f"turf is not given; {listing(sorted(set(default[unknown])))} is taken")
    keys = np.array([re.sub(r"(?<=[a-z])[ -]+(?=[a-z])", "_", str(t).casefold()) for t in written], dtype=object)
    text = np.where(unknown, default, keys)
    read: dict[str, tuple[tuple[tuple[str, float], ...], Turf] | str] = {}
    for mix in dict.fromkeys(text):
        try:
            shares = parse_mix(mix)
            read[mix] = shares, turf_of_mix(shares, settings.latitude)
        except ValueError as reason:
            read[mix] = str(reason)
    bad = np.array([isinstance(read[mix], str) for mix in text], dtype=bool)
    table.refuse(
        findings, "turf", bad, lambda row: read_but(text[row], _turf_words(str(written[row]), read[text[row]]))
    )
    if bad.any():
        return (), None
    return tuple(read[mix][0] for mix in text), [read[mix][1] for mix in text]  # type: ignore[misc]


def _turf_words(written: str, reason: object) -> str:
    """Say what may stand for a grass, first what is probably meant."""
    meant = turf_of(written)
    if meant != written and all(part.split(":")[0] in SPECIES for part in meant.split("|")):
        return f'write "{meant}"' + (", with the shares of each" if "|" in meant else "")
    return str(reason)


def _soil(
    table: Table, findings: Findings, note: Callable[[np.ndarray, str, str], None]
) -> tuple[np.ndarray, ...]:
    """Give soil, field capacity, wilting point, infiltration as it is taken to be and at its slowest, and slope."""
    v = table.values
    both = ~np.isnan(v["field_capacity"]) & ~np.isnan(v["wilting_point"])
    unknown = v["soil"] == ""
    note(unknown & ~both, "step_down", f"soil is not given; {SOIL} is taken")
    note(
        unknown & both & np.isnan(v["infiltration"]), "info", f"soil is not given; the infiltration of {SOIL} is taken"
    )
    soil = np.where(unknown, SOIL, v["soil"])
    texture = [TEXTURES[s] for s in soil]
    capacity = np.where(np.isnan(v["field_capacity"]), [t.field_capacity for t in texture], v["field_capacity"])
    wilting = np.where(np.isnan(v["wilting_point"]), [t.wilting_point for t in texture], v["wilting_point"])
    backwards = capacity <= wilting
    by_capacity = ~np.isnan(v["field_capacity"])
    for column, bad, read, words, other in (
        ("field_capacity", backwards & by_capacity, capacity, "above the wilting point", wilting),
        ("wilting_point", backwards & ~by_capacity, wilting, "below the field capacity", capacity),
    ):
        table.refuse(
            findings, column, bad,
            lambda row, read=read, words=words, other=other: read_but(
                f"{read[row]:.6g}", f"a value {words}, {other[row]:.6g} m3/m3, is allowed"
            ),
        )  # fmt: skip
    slope = np.where(np.isnan(v["slope"]), 0.0, v["slope"])
    told = v["infiltration"]
    infiltration, slowest = (
        np.where(np.isnan(told), infiltration_rate(level, slope), told)
        for level in ([t.infiltration for t in texture], [t.conductivity for t in texture])
    )
    return soil.astype(object), capacity, wilting, infiltration, slowest, slope


def _group(table: Table, soil: np.ndarray, note: Callable[[np.ndarray, str, str], None]) -> np.ndarray:
    """Give the hydrologic soil group: as written, or that of the texture."""
    written = table.values["hydrologic_group"]
    group = np.where(written == "", [TEXTURES[s].hydrologic_group for s in soil], written).astype(object)
    drains = np.array([bool(d) for d in table.values["drained"]], dtype=bool)
    note(
        drains & (written == "") & np.isin(group, ("C", "D")),
        "info",
        "rain runs off as its texture says; where drains or regular coring take it in faster, give a better "
        "hydrologic_group in zones.csv",
    )
    return group


def former_names(zones: ZoneTable) -> dict[str, str]:
    """Give today's id of a zone for each id that it had before."""
    return {old: str(zone) for zone, names in zip(zones.zone, zones.formerly, strict=True) for old in names}


def _formerly(table: Table, zone: np.ndarray, findings: Findings) -> tuple[tuple[str, ...], ...]:
    """Read the ids each zone had before; one that a zone has today, or two zones claim, is refused."""
    found = tuple(
        tuple(dict.fromkeys(part.strip() for part in text.split("|") if part.strip()))
        for text in table.values["formerly"]
    )
    today, claims = set(zone), Counter(name for names in found for name in names)

    def wrong(row: int) -> str:
        return next((name for name in found[row] if name in today or claims[name] > 1), "")

    bad = np.array([bool(wrong(row)) for row in range(len(found))], dtype=bool)
    words = "ids it had before, separated by |, are allowed: none that a zone has today, each for one zone"
    table.refuse(findings, "formerly", bad, lambda row: read_but(wrong(row), words))
    return found


def _area_class(written: np.ndarray, surface: np.ndarray) -> np.ndarray:
    """Give the class of area an agency counts a zone to: as written, else landscape or turf by its surface."""
    usual = np.where(surface == "landscape", "landscape", "turf")
    return np.where(written == "", usual, written).astype(object)


def _flow_and_rate(table: Table, findings: Findings) -> tuple[np.ndarray, np.ndarray]:
    """Give flow [L/s] and application rate [mm/h], each from the other where it is not known."""
    flow, rate, area = (table.values[name] for name in ("flow", "application_rate", "area"))
    refused = {p.line for p in findings.problems if p.file == table.file}
    neither = np.isnan(flow) & np.isnan(rate)
    if neither.any() and refused:
        neither &= ~np.isin(table.lines_of_rows(), [line for line in refused if line is not None])
    table.refuse(
        findings, "flow", neither, lambda row: "neither flow nor application_rate is given; one of them is needed"
    )
    known = ~np.isnan(area) & ~np.isnan(flow)
    from_flow = np.full(flow.shape, np.nan)
    from_flow[known] = gross_rate(flow[known], area[known])
    apart = (rate > MOST_APART * from_flow) | (from_flow > MOST_APART * rate)
    table.refuse(findings, "application_rate", apart, lambda row: read_but(
        f"{table.values['application_rate'][row]:g} mm/h",
        f"flow and area make {from_flow[row]:.3g} mm/h; up to {MOST_APART:g} times more or less is allowed, so one of "
        "the three is in another unit",
    ))  # fmt: skip
    fast = np.isnan(rate) & (from_flow > HIGHEST_RATE)
    table.refuse(findings, "flow", fast, lambda row: (
        f"flow and area make {from_flow[row]:.3g} mm/h; up to {HIGHEST_RATE:g} mm/h is allowed"
    ))  # fmt: skip
    return np.where(np.isnan(flow), rate * area / 3600.0, flow), np.where(np.isnan(rate), from_flow, rate)


def _index(table: Table, column: str, names: Sequence[str] | None, findings: Findings) -> np.ndarray:
    """Turn the names of a column into indices, -1 for none; refuse those not known."""
    written = table.values[column]
    if names is None:
        return np.full(len(written), -1)
    place = {name: i for i, name in enumerate(names)}
    place[""] = -1
    kind = column.rstrip("s")
    bad = np.array([name not in place for name in written], dtype=bool)

    def words(row: int) -> str:
        name = written[row]
        allowed = f"allowed: {listing(names)}{near_miss(name, names)}" if names else f"site.toml has no [[{kind}]]"
        return read_but(name, allowed)

    table.refuse(findings, column, bad, words)
    return np.array([place.get(name, -1) for name in written], dtype=int)


def _supply(
    table: Table, settings: Settings, findings: Findings, note: Callable[[np.ndarray, str, str], None]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find branch, pump and controller of every zone."""
    v = table.values
    branch = _index(table, "branch", named(settings, "branch"), findings)
    pump = _index(table, "pump", named(settings, "pump"), findings)
    controller = _index(table, "controller", named(settings, "controller"), findings)
    if len(settings.branches) == 1:
        branch = np.where((branch < 0) & (v["branch"] == "") & (pump < 0), 0, branch)
    if len(settings.controllers) == 1:
        controller = np.where(controller < 0, 0, controller)
    of_branch = (
        np.array([*(b.pump for b in settings.branches), -1], dtype=int)[branch]
        if settings.branches
        else np.full(table.rows, -1)
    )
    names = named(settings, "pump") or ()
    clash = (pump >= 0) & (of_branch >= 0) & (pump != of_branch)
    table.refuse(
        findings, "pump", clash,
        lambda row: read_but(v["pump"][row], f'the branch of this zone hangs on "{names[of_branch[row]]}"'),
    )  # fmt: skip
    pump = np.where(of_branch >= 0, of_branch, pump)
    if len(settings.pumps) == 1:
        pump = np.where(pump < 0, 0, pump)
    elif settings.pumps:
        note(
            pump < 0,
            "warning",
            "neither a branch nor a pump is given and there are several pumps; no pump limits the flow",
        )
    return branch, pump, controller


def _sources(
    table: Table, settings: Settings, findings: Findings, note: Callable[[np.ndarray, str, str], None]
) -> tuple[tuple[int, ...], ...]:
    """Find the sources every zone can take."""
    written, names = table.values["sources"], named(settings, "source")
    if names is None:
        return ()
    every = tuple(range(len(settings.sources)))
    read: dict[str, tuple[int, ...] | str] = {"": every}
    for text in dict.fromkeys(written):
        parts = [part.strip() for part in text.split("|")]
        unknown = next((part for part in parts if part not in names), None)
        if text and unknown is None:
            read[text] = tuple(dict.fromkeys(names.index(part) for part in parts))
        elif text:
            allowed = (
                f"allowed: {listing(names)}, separated by |{near_miss(str(unknown), names)}"
                if names
                else "site.toml has no [[source]]"
            )
            read[text] = allowed
    bad = np.array([isinstance(read[text], str) for text in written], dtype=bool)
    table.refuse(findings, "sources", bad, lambda row: read_but(written[row], str(read[written[row]])))
    if len(settings.sources) > 1:
        note(written == "", "info", "sources is not given; any source of the site may be taken")
    found = tuple(every if isinstance(read[text], str) else read[text] for text in written)
    if len(settings.sources) != len(names) or bad.any():
        return found  # type: ignore[return-value]
    for blend, count in Counter(found).items():
        shares = [settings.sources[s].share for s in blend]
        if None not in shares and abs(sum(shares) - 1.0) > 0.005:  # type: ignore[arg-type]
            text = f"the shares of the sources of {counted(count, 'zone')} sum to {sum(shares):g}, not 1"  # type: ignore[arg-type]
            findings.note("warning", "site.toml", text)
    return found  # type: ignore[return-value]
