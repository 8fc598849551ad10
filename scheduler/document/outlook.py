"""Weather, events and advice of the plan document."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import ADVICE
from models.turf import SPECIES
from models.turf_weather import DOLLAR_SPOT_ACTION, DOLLAR_SPOT_DAYS, dollar_spot_probability
from scheduler.document.parts import AdviceKind, AdvicePart, EventPart, WeatherDay
from scheduler.document.planned import Planned
from scheduler.edge import format_depth, format_percent, format_short_date, format_temperature, format_wind
from scheduler.events import calendar_events
from scheduler.site import Site
from scheduler.state.outlook import outlook

PRACTICE = "common practice, no source"
SMITH = "Smith et al. (2018), PLoS ONE 13(3), e0194216, coefficients from memory; action from 20 %"


def weather_table(planned: Planned) -> pd.DataFrame:
    """Weather of the days around tonight, as `outlook` gives it."""
    return outlook(planned.site, planned.night, planned.plan.nights)


def weather_parts(table: pd.DataFrame) -> tuple[WeatherDay, ...]:
    """One part a date that is known."""

    def known(value: float, digits: int = 3) -> float | None:
        return None if np.isnan(value) else round(float(value), digits)

    return tuple(
        WeatherDay(
            day=day.date(),
            observed=bool(row["observed"]),
            eto_mm=known(row["eto"]),
            rain_mm=known(row["rain"]),
            rain_probability=known(row["rain_probability"]),
            tmin_degc=known(row["tmin"]),
            tmax_degc=known(row["tmax"]),
            rh_percent=known(row["rh"]),
            wind_ms=known(row["wind"]),
        )
        for day, row in table.iterrows()
    )


def event_parts(planned: Planned) -> tuple[EventPart, ...]:
    """Events that hold something back on a night of the plan, or lie within it."""
    dates = planned.inputs.dates
    found = []
    for event in calendar_events(planned.site, dates):
        if event.begins <= dates[-1] + timedelta(days=1) and event.until >= dates[0]:
            found.append(
                EventPart(
                    begins=event.begins,
                    until=event.until,
                    kind=event.kind,
                    target=event.target,
                    zones=event.zones,
                    note=event.note,
                    firm_nights=event.firm,
                    dry_nights=event.dry,
                    no_flush_nights=event.no_flush,
                )
            )
    return tuple(sorted(found, key=lambda e: (e.begins, e.target)))


def advice_parts(planned: Planned, days: tuple[WeatherDay, ...]) -> tuple[AdvicePart, ...]:
    """What the weather of tonight and tomorrow asks people to look at."""
    of = {d.day: d for d in days}
    tomorrow = planned.night + timedelta(days=1)
    near = [of[d] for d in (planned.night, tomorrow) if d in of]
    found = (
        _drift(near, planned.night, planned.site.units),
        _heat(planned.site, of.get(tomorrow)),
        _frost(of.get(tomorrow), planned.site.units),
        _dollar_spot([of.get(tomorrow - timedelta(days=d)) for d in range(DOLLAR_SPOT_DAYS)]),
    )
    return tuple(advice for advice in found if advice is not None)


def _drift(near: list[WeatherDay], night: date, units: str) -> AdvicePart | None:
    """Wind in which sprinklers drift, tonight or tomorrow."""
    windy = [d for d in near if (d.wind_ms or 0.0) >= ADVICE.drift_wind]
    if not windy:
        return None
    worst = max(windy, key=lambda d: d.wind_ms or 0.0)
    when = "today" if worst.day == night else "tomorrow"
    words = (
        f"mean wind {format_wind(worst.wind_ms, units)} {when}: spray drifts and falls unevenly. Keep reclaimed water "
        "off paths, play and food"
    )
    return AdvicePart(kind=AdviceKind.DRIFT, words=words, source=PRACTICE)


def _heat(site: Site, tomorrow: WeatherDay | None) -> AdvicePart | None:
    """Heat of cool-season turf, and syringing of closely mown greens."""
    cool = np.array([sum(s for key, s in mix if SPECIES[key].season == "cool") >= 0.5 for mix in site.zones.turf_mix])
    if tomorrow is None or tomorrow.tmax_degc is None or tomorrow.tmax_degc < ADVICE.hot or not cool.any():
        return None
    words = f"tomorrow up to {format_temperature(tomorrow.tmax_degc, site.units)}: heat stress for cool-season turf"
    if (cool & (site.zones.surface == "green")).any():
        words += (
            ". Look at the greens from noon on; where leaves wilt though the soil is moist, syringe lightly: it cools "
            "leaves and is no watering"
        )
    return AdvicePart(kind=AdviceKind.HEAT, words=words, source=PRACTICE)


def _frost(tomorrow: WeatherDay | None, units: str) -> AdvicePart | None:
    """Frost by the lowest temperature of tomorrow's date."""
    if tomorrow is None or tomorrow.tmin_degc is None or tomorrow.tmin_degc > ADVICE.frost:
        return None
    words = (
        f"down to {format_temperature(tomorrow.tmin_degc, units)} before morning: expect frost on the grass. Keep "
        "traffic off until it has gone; water on paths may freeze"
    )
    return AdvicePart(kind=AdviceKind.FROST, words=words, source=PRACTICE)


def _dollar_spot(days: list[WeatherDay | None]) -> AdvicePart | None:
    """Dollar spot by the five days to tomorrow, where all of them are known."""
    told = [
        (d.rh_percent, (d.tmin_degc + d.tmax_degc) / 2.0)
        for d in days
        if d is not None and None not in (d.rh_percent, d.tmin_degc, d.tmax_degc)
    ]
    if len(told) < DOLLAR_SPOT_DAYS:
        return None
    humidity, mean = np.mean(np.array(told, float), axis=0)
    chance = float(dollar_spot_probability(humidity, mean))
    if not chance >= DOLLAR_SPOT_ACTION:
        return None
    words = (
        f"the last days' humidity and warmth make it {format_percent(chance)} likely on susceptible turf. "
        "Look for small bleached spots in the dew"
    )
    return AdvicePart(kind=AdviceKind.DOLLAR_SPOT, words=words, source=SMITH)


def weather_line(days: tuple[WeatherDay, ...], night: date, units: str) -> str:
    """Tonight's and tomorrow's weather in one line; "" where nothing is known."""
    tomorrow = next((d for d in days if d.day == night + timedelta(days=1)), None)
    if tomorrow is None:
        return ""
    parts = []
    if tomorrow.tmin_degc is not None:
        parts.append(f"tonight down to {format_temperature(tomorrow.tmin_degc, units)}")
    if tomorrow.tmax_degc is not None:
        parts.append(f"tomorrow up to {format_temperature(tomorrow.tmax_degc, units)}")
    if tomorrow.eto_mm is not None:
        parts.append(f"ETo {format_depth(tomorrow.eto_mm, units)}")
    if tomorrow.rain_mm is not None:
        chance = "" if tomorrow.rain_probability is None else f" ({format_percent(tomorrow.rain_probability)} likely)"
        parts.append("no rain" if tomorrow.rain_mm < 0.05 else f"rain {format_depth(tomorrow.rain_mm, units)}{chance}")
    if tomorrow.wind_ms is not None:
        parts.append(f"wind {format_wind(tomorrow.wind_ms, units)}")
    day = format_short_date(tomorrow.day, units)
    return f"{', '.join(parts)} ({day}, {'observed' if tomorrow.observed else 'forecast'})"
