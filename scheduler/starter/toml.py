"""site.toml of a new site, with comments in a manager's words."""

from __future__ import annotations

import math
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
    flow = _flow(sized.pump, us)
    pumps = own.names("pump") or ("station",)
    parts.append(WINDOW)
    for name in pumps:
        each = _flow(sized.pump / len(pumps) * (1.3 if len(pumps) > 1 else 1.0), us)
        low, ramp = _flow(sized.pump * 0.06, us), _flow(sized.pump * 0.4, us, "/min")
        lines = (
            _named("pump", name) + _line(f"capacity = {each}", "the most it delivers; from its plate or its curve")
            + _line(f"smallest_flow = {low}", "below it the pump starts and stops; leave out if yours does not care")
            + _line(f"ramp = {ramp}", "largest change of flow in a minute, so that pipes do not hammer")
        )  # fmt: skip
        lines += _line(f"head = {HEADS[us]}", "pressure it holds; with efficiency it gives energy and cost")
        lines += "efficiency = 0.70\n"
        parts.append(lines)
    parts += [
        _named("branch", b)
        + (f'pump = "{pumps[0]}"\n' if len(pumps) == 1 else "")
        + _line(f"capacity = {flow}", "the most this pipe may carry: put in its own")
        for b in own.names("branch")
    ]
    if not own.names("branch"):
        parts.append(BRANCH.format(pump=pumps[0], capacity=_flow(sized.pump * 0.7, us)))
    for name in _controllers(answers, own):
        parts.append(
            _named("controller", name)
            + _line(f"stations_at_once = {sized.at_once}", "how many of its valves may be open together")
            + _line("resolution = 60", "s; its run times go by whole minutes")
        )
    for name, ec in _sources(answers, own):
        price = '"1.90 per 1000 gal"' if us else "0.90"
        parts.append(
            _named("source", name) + _line(f"ec = {ec:g}", "saltiness, dS/m; from the water report")
            + _line(f"price = {price}", "what you pay" + ("" if us else " for 1 m3"))
            + f"# daily_limit = {_volume(sized.volume / 120, us)}\n"
        )  # fmt: skip
    parts.append(
        "[allocation]                 # water of the season; worked out from the zones: put in what you are given\n"
        f"starts = {evening.year}-01-01\nends = {evening.year}-12-31\n"
        f"volume = {_volume(sized.volume, us)}\n"
        + _line(f"used_before = {_volume(sized.used, us)}", "used before the first night of applied.csv")
    )
    return "\n".join([*parts, TAIL])


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
