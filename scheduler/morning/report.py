"""The morning after: planned, applied and measured; where to walk first; what the day crew waters by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from models.choices import BY_HAND, MORNING
from models.soil import adjusted_depletion_fraction
from scheduler.document.parts import PlanDocument, Why
from scheduler.document.reading import read_plan
from scheduler.edge import format_area, format_date, format_depth, format_duration, format_volume
from scheduler.errors import NoPlan, counted
from scheduler.ledger import queries
from scheduler.ledger.keeping import Kept
from scheduler.morning.records import FlushEffect, HandSpot, MorningReport, Seen, WeatherRow
from scheduler.morning.response import Answers, answers, around_nights
from scheduler.morning.walking import DRY, SHORT, SILENT, UNREACHED, WET, Stop, walking_list, zone_label
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.state.demand import evening_demand, zone_etc
from scheduler.state.evening import StartState, evening_state
from scheduler.state.quality import believed, examine
from scheduler.state.ran import applied_minutes, minutes_run
from scheduler.state.readings import Sensors, sensors_of
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

LOOKED_BACK = 28  # [d] of nights by which answers are judged
SPOT_AREA = {"metric": 10.0, "us": 9.290304}  # [m2] a spot watered by hand: 10 m2, or 100 ft2


def latest_night(kept: Kept, now: datetime) -> date:
    """Give the latest night to look back on: of a plan or of the log, before now.

    Raises
    ------
    NoPlan   There is neither.
    """
    site, today = kept.site, pd.Timestamp(now.date())
    found = []
    for file in (site.folder / "out").glob("*/plan.json"):
        try:
            found.append(pd.Timestamp(date.fromisoformat(file.parent.name)))
        except ValueError:
            continue
    if len(site.applied):
        found.append(site.applied["night"].max())
    if kept.ledger is not None and (plan := queries.latest_plan(kept.ledger)) is not None:
        found.append(pd.Timestamp(plan.night))
    newest = site.probes["time"].max() if len(site.probes) else today
    ended = [night for night in found if night < today]
    past = [night for night in ended if night < newest.normalize()]  # and read after
    if not ended:
        raise NoPlan("there is no night to look back on: no plan and no log of applied water")
    return max(past or ended).date()


def morning_report(kept: Kept, night: date) -> MorningReport:
    """Look back on a night.

    Parameters
    ----------
    kept : Kept     The site and its ledger.
    night : date
    """
    site, notes = kept.site, []
    opens, closes = site.window.of(night)
    over = pd.Timestamp(night) + timedelta(minutes=closes) + timedelta(hours=MORNING.after_closing)
    demand = evening_demand(site, night, 1)
    site, _ = with_weighed_catch(site, demand)
    plan = _plan_of(kept, night)
    state = evening_state(site, night, opens, demand, net_rates(site))
    planned, limits = _planned(site, plan)
    applied = _ran(site, night)
    if plan is None:
        notes.append(Note("step_down", "plan", "no plan of this night: the log is shown without it"))
    if np.isnan(applied).all():
        words = "taken as planned" if plan is not None else "nothing is known of what ran"
        notes.append(Note("step_down", "applied", f"the log holds nothing of this night: {words}"))
    minutes = np.where(np.isnan(applied), planned, applied)
    rate = site.zones.gross_rate
    depth = np.nan_to_num(minutes) * rate
    dry, wet = _band(site, demand, state, limits)
    after = state.depletion - depth

    sensors = sensors_of(site)
    good = _believed_readings(site, over)
    heard = _answers(site, night, demand.past, sensors, good, depth)
    spots, measured = _spots(site, sensors, heard)
    if not len(spots):
        notes.append(Note("step_down", "probes", "no believed reading of the morning: nothing is measured"))
    silent = _silent_zones(len(site.zones), sensors, heard)
    flushed = _flushed(plan, len(site.zones))
    flushes = _flush_effects(site, night, sensors, good, flushed)
    seen = Seen(planned, applied, minutes, depth, after, measured, dry, wet, silent, flushed)
    verdict, walk = _judge(site, seen)
    walk += _unreached(site, sensors, flushes)
    hand = _by_hand(site, spots, dry, wet)
    weather = _weather(site, night, notes)
    notes += [n for n in state.notes if n.kind != "info"]
    notes += [n for n in site.notes if n.subject in ("ledger", "learned")]
    return MorningReport(
        site, night, _headline(site, night, seen, len(hand)), planned, applied, depth, state.depletion, after, measured,
        dry, wet, silent, tuple(verdict), walking_list(site, walk, planned, applied), tuple(hand), tuple(flushes),
        tuple(weather), tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _believed_readings(site: Site, over: pd.Timestamp) -> pd.DataFrame:
    """Readings of probes of the last days until a night was over, those left out that are doubted."""
    rows = site.probes[(site.probes["time"] <= over) & (site.probes["time"] > over - timedelta(days=LOOKED_BACK + 2))]
    rows = rows.reset_index(drop=True)
    return believed(rows, examine(site, rows).flags) if len(rows) else rows


def _unreached(site: Site, sensors: Sensors, flushes: Sequence[FlushEffect]) -> list[Stop]:
    """Zones to walk to whose flush the probe below did not feel."""
    return [
        Stop((UNREACHED, float(site.zones.priority[sensors.zone[k]]), 0.0), int(sensors.zone[k]), text, text)
        for e in flushes
        if e.lower and e.reached is False
        for k in np.flatnonzero(sensors.probe == e.probe)[:1]
        for text in (f"the flush did not reach probe {e.probe}",)
    ]


def _headline(site: Site, night: date, seen: Seen, by_hand: int) -> str:
    """The morning in one line: what ran by the log, or was planned where the log is silent."""
    zones = counted(int((np.nan_to_num(seen.minutes) > 0).sum()), "zone")
    ran = f"{zones} ran" if not np.isnan(seen.applied).all() else f"{zones} planned, no log of what ran"
    silent = f"{counted(int(seen.silent.sum()), 'zone')} did not respond"
    return f"night of {format_date(night, site.units)}: {ran}; {silent}; {counted(by_hand, 'spot')} to water by hand"


def _plan_of(kept: Kept, night: date) -> PlanDocument | None:
    """Give the plan that stands for a night: the ledger's, else the file."""
    if kept.ledger is not None and (plan := queries.current_plan(kept.ledger, night)) is not None:
        return plan
    file = kept.site.folder / "out" / night.isoformat() / "plan.json"
    return read_plan(file) if file.is_file() else None


def _planned(site: Site, plan: PlanDocument | None) -> tuple[np.ndarray, np.ndarray]:
    """Give planned minutes (Z,) and the band (Z, 2) [mm]; NaN where there is no plan of a zone."""
    minutes, limits = np.full(len(site.zones), np.nan), np.full((len(site.zones), 2), np.nan)
    of_zone = {} if plan is None else {z.id: z for z in plan.zones}
    for i, name in enumerate(site.zones.zone):
        if (zone := of_zone.get(name)) is not None:
            minutes[i] = zone.minutes
            limits[i] = zone.limits.dry_limit_mm, zone.limits.wet_limit_mm
    return minutes, limits


def _ran(site: Site, night: date) -> np.ndarray:
    """Give the minutes of the log, (Z,); 0 where it is silent on a zone, NaN all over where it has no row."""
    rows = site.applied[site.applied["night"] == pd.Timestamp(night)]
    if not len(rows):
        return np.full(len(site.zones), np.nan)
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    zone = rows["zone"].map(index)
    known = zone.notna()
    zone, rows = zone[known].to_numpy(np.int64), rows[known]
    return np.bincount(zone, weights=np.nan_to_num(minutes_run(site, rows)), minlength=len(site.zones))


def _band(site: Site, demand: Any, state: StartState, limits: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the dry and wet limit of each zone [mm]: the plan's, else what its turf and surface say."""
    etc = zone_etc(site, demand.future)[:, 0]
    raw = adjusted_depletion_fraction(site.zones.depletion_fraction, etc) * state.taw
    rules = [site.surfaces[s] for s in site.zones.surface]
    dry = np.array([r if rule.moisture_floor is None else (1 - rule.moisture_floor) * t
                    for r, t, rule in zip(raw, state.taw, rules, strict=True)])  # fmt: skip
    wet = np.array([(1 - rule.firmness_limit) * t for t, rule in zip(state.taw, rules, strict=True)])
    dry, wet = (np.where(np.isnan(own), usual, own) for own, usual in zip(limits.T, (dry, wet), strict=True))
    return dry, np.minimum(wet, dry)


def _answers(
    site: Site, night: date, past: pd.DataFrame, sensors: Sensors, good: pd.DataFrame, tonight: np.ndarray
) -> Answers:
    """Judge whether probes answered this night."""
    minutes, newest, _ = applied_minutes(site, night, past, [])
    days = pd.DatetimeIndex(past["date"])[-LOOKED_BACK - 1 :]
    depth = minutes[:, -len(days) :] * (site.zones.gross_rate)[:, None]
    first = site.applied["night"].min() if len(site.applied) else pd.Timestamp.max
    outside = (days < first) | (days > pd.Timestamp(newest)) if newest is not None else np.ones(len(days), dtype=bool)
    depth[:, outside] = np.nan
    depth[:, -1] = tonight
    rain = site.weather.set_index("date")["rain"]
    dry = np.array([_no_rain(rain, d) and _no_rain(rain, d + timedelta(days=1)) for d in days])
    return answers(site, sensors, good, days, depth, dry)


def _no_rain(rain: pd.Series, day: pd.Timestamp) -> bool:
    """Say whether a date had no rain as far as the record goes; a date not observed yet counts as dry."""
    value = rain.get(day, 0.0)
    return not (value > 0.5)


def _spots(site: Site, sensors: Sensors, heard: Answers) -> tuple[list[tuple[int, str, float]], np.ndarray]:
    """Give each spot's zone, probes and depletion in the morning [mm], and the mean of each zone's spots, (Z,)."""
    zones, found = site.zones, []
    frame = pd.DataFrame(
        {"zone": sensors.zone, "spot": sensors.spot, "probe": sensors.probe, "after": heard.after}
    ).dropna(subset=["after"])
    for (zone, _), rows in frame.groupby(["zone", "spot"], sort=True):
        depletion = 1000.0 * (zones.field_capacity[zone] - rows["after"].mean()) * zones.fed_depth[zone]
        found.append((int(zone), ", ".join(rows["probe"]), float(depletion)))
    measured = np.full(len(zones), np.nan)
    if found:
        table = pd.DataFrame(found, columns=["zone", "probe", "depletion"]).groupby("zone")["depletion"].mean()
        measured[table.index.to_numpy()] = table.to_numpy()
    return found, measured


def _silent_zones(count: int, sensors: Sensors, heard: Answers) -> np.ndarray:
    """Say which zones no asked probe of theirs answered, (Z,)."""
    asked = np.bincount(sensors.zone, weights=heard.asked, minlength=count)
    silent = np.bincount(sensors.zone, weights=heard.silent, minlength=count)
    return (asked > 0) & (silent == asked)


def _flushed(plan: PlanDocument | None, count: int) -> np.ndarray:
    """Say which zones the plan flushed this night, (Z,) in the order of the plan."""
    if plan is None or len(plan.zones) != count:
        return np.zeros(count, dtype=bool)
    return np.array([z.why == Why.FLUSH and z.minutes > 0 for z in plan.zones])


def _flush_effects(
    site: Site, night: date, sensors: Sensors, good: pd.DataFrame, flushed: np.ndarray
) -> list[FlushEffect]:
    """Give what each probe of a flushed zone read before and after."""
    own = sensors.part(np.flatnonzero(flushed[sensors.zone])) if len(sensors) else sensors
    if not len(own):
        return []
    nights = pd.DatetimeIndex([night])
    before, highest, last = (a[:, 0] for a in around_nights(site, own, good, nights))
    ec_before, _, ec_last = (a[:, 0] for a in around_nights(site, own, good, nights, "ec"))
    zones = site.zones
    found = []
    for k in np.lexsort((own.depth, own.zone)):
        if np.isnan(before[k]) and np.isnan(last[k]):
            continue
        lower = bool(own.depth[k] >= 0.5 * zones.root_depth[own.zone[k]])
        reached: bool | None = None  # without a reading from before, or after, nobody knows
        if highest[k] >= zones.field_capacity[own.zone[k]]:
            reached = True
        elif not np.isnan(highest[k] - before[k]):
            reached = bool(highest[k] - before[k] > MORNING.moved)
        found.append(
            FlushEffect(
                zones.zone[own.zone[k]],
                own.probe[k],
                float(own.depth[k]),
                (float(before[k]), float(last[k])),
                (float(ec_before[k]), float(ec_last[k])),
                lower,
                reached,
            )  # fmt: skip
        )
    return found


def _judge(site: Site, seen: Seen) -> tuple[list[str], list[Stop]]:
    """Say what is not as it should be with each zone, and where to walk."""
    verdict, walk = [], []
    for z in range(len(site.zones)):
        troubles = [t for judge in (_silent, _off, _dry, _wet) if (t := judge(site, seen, z)) is not None]
        verdict.append("; ".join(words for words, _ in troubles))
        walk += [stop for _, stop in troubles if stop is not None]
    return verdict, walk


Trouble = tuple[str, Stop | None]  # the words of the table, and where to walk, if anywhere


def _silent(site: Site, seen: Seen, z: int) -> Trouble | None:
    """A zone whose probes did not move where water is known to have run."""
    if not seen.silent[z]:
        return None
    what = f"{format_duration(seen.minutes[z])} ran, and no probe of it moved: broken head or closed valve?"
    return "did not respond", Stop(
        (SILENT, float(site.zones.priority[z]), -seen.stands[z] / seen.dry[z]), z, what, what
    )


def _off(site: Site, seen: Seen, z: int) -> Trouble | None:
    """A zone whose log and plan differ."""
    applied, planned = seen.applied[z], seen.planned[z]
    if not abs(applied - planned) > max(MORNING.off_minutes, MORNING.off_by * planned):
        return None
    text = f"{format_duration(applied)} ran of {format_duration(planned)} planned"
    if applied > planned:
        return text, None
    return text, Stop((SHORT, float(site.zones.priority[z]), float(applied - planned)), z, text, text)


def _dry(site: Site, seen: Seen, z: int) -> Trouble | None:
    """A zone past its dry limit, by its probes or by the estimate."""
    stands, dry = seen.stands[z], seen.dry[z]
    if seen.silent[z] or not stands > dry:
        return None
    how = "its probes find" if not np.isnan(seen.measured[z]) else "the estimate finds"
    brief = f"{how} it short by {format_depth(stands, site.units)}, its limit is {format_depth(dry, site.units)}"
    text = f"under-watered: {brief}"
    return text, Stop((DRY, float(site.zones.priority[z]), float(dry - stands)), z, text, brief)


def _wet(site: Site, seen: Seen, z: int) -> Trouble | None:
    """A zone that the log gives more than its roots hold, beyond its plan; a run as planned is never called that."""
    spare = -seen.after[z]
    beyond = np.isnan(seen.planned[z]) or seen.applied[z] > seen.planned[z] + MORNING.as_planned
    if np.isnan(seen.applied[z]) or not beyond or seen.flushed[z]:
        return None
    if not (seen.depth[z] > 0 and spare > MORNING.too_much) or seen.measured[z] > seen.wet[z]:
        return None
    brief = f"{format_depth(spare, site.units)} more than its roots could hold"
    text = f"over-watered: {brief}"
    return text, Stop((WET, float(site.zones.priority[z]), float(-spare)), z, text, brief)


def _by_hand(site: Site, spots: list[tuple[int, str, float]], dry: np.ndarray, wet: np.ndarray) -> list[HandSpot]:
    """List spots drier than their zone's dry limit, the driest against it first; the dose brings them into the band."""
    area, units, found = SPOT_AREA[site.units], site.units, []
    for z, probe, depletion in spots:
        dose = min(depletion - wet[z], BY_HAND.largest_dose)
        if depletion <= dry[z] or dose < BY_HAND.least_dose:
            continue
        spot, whole = dose * area / 1000.0, dose * site.zones.area[z] / 1000.0
        small = f"{1000 * spot:,.0f} L" if units == "metric" else format_volume(spot, units)
        words = f"{format_depth(dose, units)}, {small} on {format_area(area, units)}"
        words += f" or {format_volume(whole, units)} on the whole zone"
        reason = f"it is short by {format_depth(depletion, units)}, its dry limit is {format_depth(dry[z], units)}"
        name, limit = site.zones.zone[z], float(dry[z])
        found.append(HandSpot(name, zone_label(site, z), probe, depletion, limit, dose, spot, whole, words, reason))
    return sorted(found, key=lambda s: s.dry_limit - s.depletion)


def _weather(site: Site, night: date, notes: list[Note]) -> list[WeatherRow]:
    """Set the forecast in force the evening before a date against what came, for the night's date and the next."""
    found = []
    for day in (night, night + timedelta(days=1)):
        seen = evening_demand(site, day, 1)
        if seen.newest is None or seen.newest < day:
            continue
        told = evening_demand(site, day - timedelta(days=1), 1)
        came, told_day = seen.past.iloc[-1], told.future.iloc[0]
        given = told_day["route"] == "forecast"
        found.append(
            WeatherRow(
                day,
                (float(told_day["eto"]) if given else np.nan, float(came["eto"])),
                (float(told_day["rain"]) if given else np.nan, float(came["rain"])),
            )
        )
    if not found:
        notes.append(Note("step_down", "weather", "no weather observed on the night's date: nothing to hold against"))
    elif all(np.isnan(row.eto[0]) for row in found):
        notes.append(Note("step_down", "forecast", "no forecast of these dates: nothing to hold the weather against"))
    return found
