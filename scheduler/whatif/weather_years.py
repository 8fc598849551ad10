"""Weather for a season ahead: years of a record as they were, or drawn from it; and forecasts as good as past ones.

A drawn year is a chain of blocks of days in a row, so that a dry spell stays a dry spell. Blocks come from the same
time of the year where the record holds enough of it, else from all of it; ETo is moved with the sun's radiation from
the date it was observed on to the date it stands for, ETo(d) = ETo(s) Ra(d) / Ra(s) with Ra after FAO-56 Eq. 21. Rain
stays as it fell. The block bootstrap is Kuensch (1989), The Annals of Statistics 17; the block length is our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from models.choices import WEATHER, YEARS
from models.sky import extraterrestrial_radiation
from scheduler.errors import InputProblems, Problem, counted
from scheduler.site import Site
from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.series import build_weather
from scheduler.site.tables import read_table
from scheduler.state.demand import seasonal_eto, with_eto
from scheduler.state.skill import past_forecasts

LEAST_RECORD = 30  # [d] observed, without which no year is drawn
COVERED = 0.9  # [-] of the dates a year of a record must hold to be taken as it was; the others are stood in for
WET = 1.0  # [mm] of rain that makes a date wet; common practice, no source
MOST_RATIO = 3.0  # [-] of forecast ETo against what came that is believed


@dataclass(frozen=True)
class WeatherYear:
    """One weather year: its name, and eto, rain [mm/d] of every date from `first` on, arrays (T,)."""

    name: str
    first: date
    eto: np.ndarray
    rain: np.ndarray


def weather_years(
    site: Site, first: date, last: date, how: str, years: int, seed: int
) -> tuple[tuple[WeatherYear, ...], str]:
    """Give the weather years of a season ahead and what they are, in words.

    Parameters
    ----------
    site : Site
    first, last : date   Dates they must hold, both counted.
    how : str            "drawn", "record" (the site's own past years), or the path of a file of years.
    years : int          How many, at most; for a record or file as many as it holds if there are fewer.
    seed : int           Of the drawing.

    Raises
    ------
    InputProblems        The record does not hold enough.
    """
    record = _observed(site, None if how in ("drawn", "record") else Path(how))
    if how == "drawn":
        if len(record) < LEAST_RECORD:
            words = (
                f"weather.csv holds {counted(len(record), 'day')} with a reference ET and {LEAST_RECORD} are needed to "
                "draw years from; give a file of years with --weather FILE"
            )
            raise InputProblems([Problem("weather.csv", None, None, words)])
        drawn = tuple(draw_year(record, site.latitude, first, last, seed, i) for i in range(years))
        span = f"{record['date'].iloc[0].date()} to {record['date'].iloc[-1].date()}"
        return drawn, (
            f"Weather years are put together from pieces of {YEARS.block} days of the site's record ({span}): "
            f"reference ET as the sun of each date would have it, rain as it fell; seed {seed}."
        )
    found = as_they_were(record, site, first, last)
    name = "the site's own record" if how == "record" else Path(how).name
    if not found:
        have = f"{record['date'].iloc[0].date()} to {record['date'].iloc[-1].date()}" if len(record) else "no day"
        words = (
            f"no year of {name} holds {COVERED:.0%} of the dates {first:%d %B} to {last:%d %B} (it holds {have}); draw "
            "years from the record instead (--weather drawn)"
        )
        raise InputProblems([Problem("weather.csv" if how == "record" else how, None, None, words)])
    kept = found[-years:]
    return kept, f"Weather is that of {', '.join(y.name for y in kept)} as {name} has it."


def _observed(site: Site, path: Path | None) -> pd.DataFrame:
    """Days with a known reference ET: date, eto, rain; a day without rain in the record counts as dry."""
    rows = site.weather
    if path is not None:
        findings = Findings()
        table = None
        if not path.is_file():
            findings.problem(str(path), None, None, "there is no such file")
        else:
            table = read_table(path.parent, path.name, FILES["weather"], findings, time_zone=site.time_zone)
        rows = site.weather.head(0) if table is None else build_weather(table, site.wind_height, findings)
        if findings.problems:
            raise InputProblems(findings.problems)
    days = with_eto(site, rows)[["date", "eto", "rain"]]
    return days[days["eto"].notna()].fillna({"rain": 0.0}).reset_index(drop=True)


def as_they_were(record: pd.DataFrame, site: Site, first: date, last: date) -> tuple[WeatherYear, ...]:
    """Years of a record that hold the dates wanted; single days that are missing are the mean of their neighbours."""
    dates = pd.date_range(first, last)
    found = []
    for year in sorted({t.year for t in record["date"]}):
        moved = pd.DatetimeIndex([_in_year(d.date(), year + d.year - first.year) for d in dates])
        rows = record.set_index("date").reindex(moved)
        if rows["eto"].notna().mean() < COVERED:
            continue
        eto = rows["eto"].interpolate(limit_direction="both").to_numpy(float)
        found.append(WeatherYear(str(year), first, eto, rows["rain"].fillna(0.0).to_numpy(float)))
    return tuple(found)


def _in_year(day: date, year: int) -> pd.Timestamp:
    try:
        return pd.Timestamp(day.replace(year=year))
    except ValueError:  # 29 February
        return pd.Timestamp(year, 2, 28)


def draw_year(record: pd.DataFrame, latitude: float, first: date, last: date, seed: int, number: int) -> WeatherYear:
    """Draw one year from a record in blocks of days in a row.

    Parameters
    ----------
    record : DataFrame      date, eto, rain; sorted.
    latitude : float        [deg].
    first, last : date      Dates wanted, both counted.
    seed, number : int      The same two give the same year.
    """
    rng = np.random.default_rng([seed, number])
    dates = pd.date_range(first, last)
    days = record["date"].to_numpy("datetime64[D]")
    radiation = extraterrestrial_radiation(record["date"].dt.dayofyear.to_numpy(), latitude)
    relative = record["eto"].to_numpy(float) / np.maximum(radiation, 1e-6)
    rain = record["rain"].to_numpy(float)
    of_year = record["date"].dt.dayofyear.to_numpy()
    in_a_row = np.concatenate((np.diff(days) == np.timedelta64(1, "D"), [False]))
    drawn_eto, drawn_rain = np.empty(len(dates)), np.empty(len(dates))
    at, left = 0, 0
    for i, day in enumerate(dates):
        if left == 0 or not in_a_row[at]:
            at = int(rng.choice(_starts(of_year, day.dayofyear)))
            left = int(rng.integers(YEARS.block // 2, YEARS.block + 1))
        else:
            at += 1
        left -= 1
        drawn_eto[i], drawn_rain[i] = relative[at], rain[at]
    sun = extraterrestrial_radiation(dates.dayofyear.to_numpy(), latitude)
    return WeatherYear(f"drawn {number + 1}", first, drawn_eto * sun, drawn_rain)


def _starts(of_year: np.ndarray, day: int) -> np.ndarray:
    """Days of a record on which a block for a day of the year may begin."""
    away = np.abs((of_year - day + 182) % 365 - 182)
    near = np.flatnonzero(away <= YEARS.near)
    return near if near.size >= YEARS.enough else np.arange(of_year.size)


# ------------------------------------------------------------------------------------------------- forecasts


@dataclass(frozen=True)
class ForecastErrors:
    """How forecasts have been, by lead day 1 to L: samples to draw from.

    ratio : forecast ETo over what came;  wet : forecast rain over what came, of dates that were wet
    dry : forecast rain [mm] of dates that stayed dry.  None where nothing is known.
    """

    ratio: tuple[np.ndarray, ...]
    wet: tuple[np.ndarray, ...]
    dry: tuple[np.ndarray, ...]
    words: str


def forecast_errors(site: Site, until: date, leads: int) -> ForecastErrors | None:
    """Gather what forecasts said of days that then came, up to an evening; None where there are too few."""
    rows = past_forecasts(site, pd.Timestamp(until))
    if not len(rows) or rows["issued"].nunique() < YEARS.least_forecasts:
        return None
    rain = rows["rain"].fillna(0.0) * rows["rain_probability"].fillna(1.0)
    rows = rows.assign(
        ratio=rows["eto"] / rows["eto_came"].clip(lower=0.1), said=rain, came=rows["rain_came"].fillna(0.0)
    )
    farthest = int(rows["lead"].max())
    ratio, wet, dry = [], [], []
    for lead in range(1, leads + 1):
        own = rows[rows["lead"] == min(lead, farthest)]
        good = own["ratio"].dropna().clip(1.0 / MOST_RATIO, MOST_RATIO)
        ratio.append(good.to_numpy(float) if len(good) else np.ones(1))
        fell = own[own["came"] >= WET]
        wet.append((fell["said"] / fell["came"]).to_numpy(float) if len(fell) else np.ones(1))
        stayed = own[own["came"] < WET]
        dry.append(stayed["said"].to_numpy(float) if len(stayed) else np.zeros(1))
    count = rows["issued"].nunique()
    words = f"Forecasts miss as those of forecast.csv have missed ({count} of them held against what came)."
    return ForecastErrors(tuple(ratio), tuple(wet), tuple(dry), words)


NO_FORECASTS = (
    "There are too few past forecasts to judge by: the coming days are taken to be like the last two weeks, without "
    "rain."
)


def forecast_of(
    errors: ForecastErrors | None,
    site: Site,
    past: pd.DataFrame,
    days: pd.DataFrame,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """What a forecast of that quality says on one evening of the days that will come: date, eto, rain, route.

    Parameters
    ----------
    errors : ForecastErrors or None
    site : Site
    past : DataFrame       Days up to the evening.
    days : DataFrame       date, eto, rain as they will come.
    rng : Generator
    """
    if errors is None:
        dates = pd.DatetimeIndex(days["date"])
        return days.assign(eto=seasonal_eto(site, past.tail(WEATHER.recent_days), dates), rain=0.0, route="no forecast")
    came = days["rain"].to_numpy(float)
    eto = days["eto"].to_numpy(float).copy()
    rain = came.copy()
    for i in range(len(days)):
        lead = min(i, len(errors.ratio) - 1)
        eto[i] *= rng.choice(errors.ratio[lead])
        rain[i] = came[i] * rng.choice(errors.wet[lead]) if came[i] >= WET else rng.choice(errors.dry[lead])
    return days.assign(eto=eto, rain=rain, route="forecast")
