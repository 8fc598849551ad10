"""site.toml of a new site, with comments in a manager's words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from scheduler.starter.answers import Answers
from scheduler.starter.own_zones import OwnZones

ACRE_FT, GPM = 1233.48183754752, 0.0630901964  # [m3], [L/s]


@dataclass(frozen=True)
class Sized:
    """What follows from the zones: pump [L/s], stations at once, water of the year and used so far [m3]."""

    pump: float
    at_once: int
    volume: float
    used: float


def site_toml(answers: Answers, own: OwnZones, sized: Sized | None, evening: date, invented: tuple[str, ...]) -> str:
    """Give the text of site.toml; without `sized` only what reading the zones needs."""
    us = answers.units == "us"
    parts = [_head(answers, invented)]
    if sized is None:
        parts += [_named("pump", p) + f"capacity = {60}\n" for p in own.names("pump")]
        parts += [_named("branch", b) for b in own.names("branch")]
        parts += [_named("controller", c) for c in _controllers(answers, own)]
        parts += [_named("source", name) + f"ec = {ec:g}\n" for name, ec in _sources(answers, own)]
        return "\n".join(parts)
    pumps = own.names("pump") or ("station",)
    parts += [WINDOW, *(_pump_keys(name, sized.pump, len(pumps), us) for name in pumps)]
    parts += _branch_keys(own.names("branch"), pumps, sized.pump, us)
    parts += [
        _named("controller", name)
        + _line(f"stations_at_once = {sized.at_once}", "how many of its valves may be open together")
        + _line("resolution = 60", "s; its run times go by whole minutes")
        for name in _controllers(answers, own)
    ]
    parts += [_source_keys(name, ec, sized.volume, us) for name, ec in _sources(answers, own)]
    parts.append(
        "[allocation]                 # water of the season; worked out from the zones: put in what you are given\n"
        f"starts = {evening.year}-01-01\nends = {evening.year}-12-31\n"
        f"volume = {_volume(sized.volume, us)}\n"
        + _line(f"used_before = {_volume(sized.used, us)}", "used before the first night of applied.csv")
    )
    return "\n".join([*parts, TAIL])


def _pump_keys(name: str, most: float, pumps: int, us: bool) -> str:
    """One pump of a station that delivers so much in all [L/s]; two or more a little more than their share."""
    each = _flow(most / pumps * (1.3 if pumps > 1 else 1.0), us)
    low, ramp = _flow(most * 0.06, us), _flow(most * 0.4, us, "/min")
    return (
        _named("pump", name) + _line(f"capacity = {each}", "the most it delivers; from its plate or its curve")
        + _line(f"smallest_flow = {low}", "below it the pump starts and stops; leave out if yours does not care")
        + _line(f"ramp = {ramp}", "largest change of flow in a minute, so that pipes do not hammer")
        + _line(f"head = {HEADS[us]}", "pressure it holds; with efficiency it gives energy and cost")
        + "efficiency = 0.70\n"
    )  # fmt: skip


def _branch_keys(branches: Sequence[str], pumps: Sequence[str], most: float, us: bool) -> list[str]:
    """The branches the table names, or an example of one."""
    if not branches:
        return [BRANCH.format(pump=pumps[0], capacity=_flow(most * 0.7, us))]
    pump = f'pump = "{pumps[0]}"\n' if len(pumps) == 1 else ""
    capacity = _line(f"capacity = {_flow(most, us)}", "the most this pipe may carry: put in its own")
    return [_named("branch", b) + pump + capacity for b in branches]


def _source_keys(name: str, ec: float, volume: float, us: bool) -> str:
    """One water, its EC, price and an example of a limit; `volume` is that of the year [m3]."""
    price = '"1.90 per 1000 gal"' if us else "0.90"
    return (
        _named("source", name) + _line(f"ec = {ec:g}", "saltiness, dS/m; from the water report")
        + _line(f"price = {price}", "what you pay" + ("" if us else " for 1 m3"))
        + f"# daily_limit = {_volume(volume / 120, us)}\n"
    )  # fmt: skip


def _head(answers: Answers, invented: tuple[str, ...]) -> str:
    """Tables [site] and [planning]."""
    elevation = f'"{answers.elevation / 0.3048:.0f} ft"' if answers.units == "us" else f"{answers.elevation:g}"
    listed = ", ".join(f'"{n}"' for n in invented)
    return (
        "# What the planner must know of the place. Lines that begin with # are off: take the # away to use them.\n"
        "# `evenfall check` says what was understood. A quantity is a number in the usual unit, or a text with its\n"
        '# unit, such as "600 gal/min" or "38 L/s". scenarios/reference.md names every key.\n\n'
        "[site]\n"
        f'name = "{answers.name}"\n'
        + _line(f"latitude = {answers.latitude:g}", "degrees, south of the equator negative")
        + _line(f"longitude = {answers.longitude:g}", "degrees, west of Greenwich negative")
        + _line(f"elevation = {elevation}", "above the sea")
        + f'time_zone = "{answers.time_zone}"\n'
        + _line(f'units = "{answers.units}"', 'what people see: "us" or "metric"')
        + f'currency = "{answers.currency}"\n'
        + (
            "# These files hold invented samples that show what belongs into them. Put your own in their place, or\n"
            "# delete them, and take their names out of this list; until then a plan is for trying out.\n"
            f"invented = [{listed}]\n"
            if invented
            else ""
        )
        + "\n[planning]\n"
        + _line("nights = 7", "how far ahead, 1 to 14")
    )


def _controllers(answers: Answers, own: OwnZones) -> tuple[str, ...]:
    return own.names("controller") or answers.controllers


def _sources(answers: Answers, own: OwnZones) -> tuple[tuple[str, float], ...]:
    """Sources the table names, with the EC answered for each, else those answered."""
    told = dict(answers.sources)
    names = own.names("sources")
    return tuple((n, told.get(n, answers.sources[0][1])) for n in names) if names else answers.sources


def _named(table: str, name: str) -> str:
    text = name.replace("\\", "/").replace('"', "'")
    return f'[[{table}]]\nname = "{text}"\n'


def _line(text: str, words: str) -> str:
    return f"{text:<30} # {words}\n"


def _flow(lps: float, us: bool, per: str = "") -> str:
    """A flow rounded up to two figures."""
    unit, value = ("gal/min", lps / GPM) if us else ("L/s", lps)
    return f'"{rounded_up(value):g} {unit}{per}"'


def _volume(m3: float, us: bool) -> str:
    """A volume to two figures."""
    unit, value = ("acre_ft", m3 / ACRE_FT) if us else ("m3", m3)
    return f'"{float(f"{value:.2g}"):g} {unit}"'


def rounded_up(value: float) -> float:
    """Round up to two figures.

    >>> rounded_up(431.0), rounded_up(0.0612)
    (440.0, 0.062)
    """
    power = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / power - 1e-9) * power:.10g}")


HEADS = {True: '"110 psi"', False: "75"}
WINDOW = """[window]                     # when water may run; it closes next morning if that is earlier
opens = "21:00"
closes = "05:30"

# [[window.by_day]]          # evenings that differ
# days = ["Friday", "Saturday"]
# opens = "22:00"
"""
BRANCH = """# [[branch]]                 # a pipe loop that carries less than the pump; zones.csv names it as branch
# name = "north loop"
# pump = "{pump}"
# capacity = {capacity}
"""
TAIL = """# [[restriction]]            # a drought order, where one stands
# nights_allowed = ["Monday", "Wednesday", "Friday"]
# hours = ["22:00-04:00"]
# surfaces = ["rough", "landscape"]
# cut = 0.2                  # a fifth less water

# [[tariff]]                 # price of energy by the hour, per kWh; a second block for the rest of the day
# from = "16:00"
# until = "22:00"
# price = 0.34

# [surface.green]            # how a surface is kept: shares of the water its soil holds for the turf
# moisture_floor = 0.5       # not drier
# firmness_limit = 0.95      # not wetter
# event_firmness_limit = 0.8 # not wetter around an event of calendar.csv
# finish_by = "04:30"        # done before the mowers

# [columns.weather]          # the headers of your own weather station: theirs = ours
# "Max Temp" = "tmax [degF]"
"""
