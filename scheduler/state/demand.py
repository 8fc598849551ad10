"""Weather into water demand: observed days, the forecast in force on the evening, and what stands in for either.

Dates up to and including the evening's are "past": observed, or from a forecast where not yet observed. The horizon of
N nights needs the N dates after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import WEATHER
from models.runoff import curve_number, effective_rain
from models.sky import extraterrestrial_radiation
from models.weather import Climate, Place, reference_et
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.site import Site

LONGEST_PAST = 90  # days of weather the balance is run over [d]; older water no longer matters to turf
SHORT_GAP = 2  # missing days of a forecast that its mean may fill without a step-down [d], site format
FALLBACK = "no weather: assumed"


@dataclass(frozen=True)
class Told:
    """The coming dates as the forecast has them, N dates.

    Parameters
    ----------
    eto : ndarray (N,)      [mm/d]
    amount : ndarray (N,)   Rain where it falls [mm].
    chance : ndarray (N,)   That it falls [-].
    members : ndarray (2, M, N) or None   ETo and rain of each member [mm/d], where there are several.
    """

    eto: np.ndarray
    amount: np.ndarray
    chance: np.ndarray
    members: np.ndarray | None = None

    def times(self, eto: np.ndarray, rain: np.ndarray) -> Told:
        """The same with ETo and rain of every date multiplied, each (N,) [-]."""
        members = None if self.members is None else self.members * np.stack((eto, rain))[:, None, :]
        return Told(self.eto * eto, self.amount * rain, self.chance, members)


@dataclass(frozen=True)
class Demand:
    """Reference ET and rain by date.

    Parameters
    ----------
    past : DataFrame      date, eto [mm/d], rain [mm/d], route; whole days up to the evening's date, none missing.
    future : DataFrame    The same for the N dates of the horizon.
    routes : dict         Days of the past by the route their ETo took.
    newest : date or None         Newest observed date.
    observed_days : int           Observed days used.
    issued : Timestamp or None    Issue of the forecast used.
    forecast_days, members : int  Dates of the horizon it covers; its members.
    notes : tuple of Note
    told : Told or None           Chances of rain by date; None without a forecast.
    """

    past: pd.DataFrame
    future: pd.DataFrame
    routes: dict[str, int]
    newest: date | None
    observed_days: int
    issued: pd.Timestamp | None
    forecast_days: int
    members: int
    notes: tuple[Note, ...]
    told: Told | None = None


def evening_demand(site: Site, night: date, nights: int, longest: int = LONGEST_PAST) -> Demand:
    """Read weather and forecast as they stood on the evening of `night`.

    Parameters
    ----------
    site : Site
    night : date          The evening's date; nothing observed or issued after it is used.
    nights : int          Horizon N.
    longest : int         Most past days [d].

    Returns
    -------
    Demand
    """
    notes: list[Note] = []
    today = pd.Timestamp(night)
    told = _told_rows(site, today)
    observed, told = each_with_eto(site, [site.weather[site.weather["date"] <= today].tail(longest), told])
    latest, older = _forecasts(told, today)
    horizon = pd.date_range(today + timedelta(days=1), periods=nights)

    first = observed["date"].min() if len(observed) else today - timedelta(days=WEATHER.assumed_days)
    days = pd.date_range(max(first, today - timedelta(days=longest)), today)
    past = _fill_past(observed, older, days, site, notes)
    future = _fill_future(latest, past, horizon, site, notes)
    known = observed[observed["eto"].notna()]
    routes = known["route"].value_counts().to_dict()
    covered = int(latest["date"].isin(horizon).sum()) if len(latest) else 0
    issued = latest["issued"].max() if len(latest) else None
    _note_ages(today, known, issued, notes)
    return Demand(
        past=past,
        future=future,
        routes={str(k): int(v) for k, v in routes.items()},
        newest=known["date"].max().date() if len(known) else None,
        observed_days=len(known),
        issued=issued,
        forecast_days=covered,
        members=int(latest["members"].max()) if len(latest) else 0,
        notes=tuple(notes),
        told=_told(latest, future) if covered else None,
    )


def zone_etc(site: Site, days: pd.DataFrame, microclimate: np.ndarray | None = None) -> np.ndarray:
    """ET of every zone without stress, ETc = ETo Kc(month) microclimate, shape (Z, days) [mm/d]."""
    months = days["date"].dt.month.to_numpy() - 1
    factor = site.zones.microclimate if microclimate is None else microclimate
    return np.asarray(site.zones.kc_month[:, months] * factor[:, None] * days["eto"].to_numpy()[None, :])


def zone_rain(site: Site, days: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Effective rain and runoff of every zone, each of shape (Z, days) [mm/d]."""
    return effective_rain(days["rain"].to_numpy()[None, :], curve_number(site.zones.hydrologic_group.tolist()))


def et_to_come(hours: np.ndarray) -> np.ndarray:
    """Share of a date's ET that turf still takes after these hours of it, evenly between sunrise and sunset [-]."""
    return np.asarray(np.clip((WEATHER.sunset - hours) / (WEATHER.sunset - WEATHER.sunrise), 0.0, 1.0))


def expected_rain(site: Site, demand: Demand) -> tuple[np.ndarray, np.ndarray]:
    """Expected effective rain and runoff of the coming dates, each of shape (Z, N) [mm/d].

    The curve number is not linear: 10 mm that fall one time in two run off, 5 mm do not. So each member's rain, or the
    rain where it falls, is taken for itself and the mean comes after.
    """
    told = demand.told
    if told is None:
        return zone_rain(site, demand.future)
    numbers = curve_number(site.zones.hydrologic_group.tolist())
    if told.members is None:
        enters, runs_off = effective_rain(told.amount[None, :], numbers)
        return enters * told.chance, runs_off * told.chance
    each = [effective_rain(rain[None, :], numbers) for rain in told.members[1]]
    return np.mean([e for e, _ in each], axis=0), np.mean([r for _, r in each], axis=0)


def seasonal_eto(site: Site, past: pd.DataFrame, days: pd.DatetimeIndex) -> np.ndarray:
    """Expected ETo of later dates: the recent mean, moved with the sun's radiation over the year, shape (days,) [mm/d].

    ETo(d) = mean ETo of the recent days * Ra(d) / mean Ra of those days. Ra is FAO-56 Eq. 21; scaling is our choice.
    """
    recent = past.tail(WEATHER.recent_days)
    now = extraterrestrial_radiation(recent["date"].dt.dayofyear.to_numpy(), site.latitude)
    then = extraterrestrial_radiation(days.dayofyear.to_numpy(), site.latitude)
    return np.asarray(recent["eto"].mean() * then / max(float(now.mean()), 1e-6))


def with_eto(site: Site, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with their reference ET and the route it took."""
    return each_with_eto(site, [rows])[0]


def each_with_eto(site: Site, tables: Sequence[pd.DataFrame]) -> list[pd.DataFrame]:
    """The same for several tables at once, which takes no longer than one."""
    names = ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine", "eto")
    columns = {name: np.concatenate([rows[name].to_numpy(float) for rows in tables]) for name in names}
    climate = Climate(
        day_of_year=np.concatenate([pd.DatetimeIndex(rows["date"]).dayofyear.to_numpy(float) for rows in tables]),
        eto_given=columns.pop("eto"),
        **columns,
    )
    ends = np.cumsum([len(rows) for rows in tables])
    if not ends[-1]:
        return [rows.assign(eto=pd.Series(dtype=float), route=pd.Series(dtype=object)) for rows in tables]
    result = reference_et(climate, Place(site.latitude, site.elevation), site.method)
    parts = zip(tables, np.split(result.eto, ends[:-1]), np.split(result.route, ends[:-1]), strict=True)
    return [rows.assign(eto=eto, route=route) for rows, eto, route in parts]


def _told_rows(site: Site, today: pd.Timestamp) -> pd.DataFrame:
    """Rows of the forecast in force this evening, and of all that spoke of dates up to today."""
    rows = site.forecast[site.forecast["issued"] < today + timedelta(days=1)]
    rows = rows[rows["issued"] >= today - timedelta(days=LONGEST_PAST)]
    return rows[(rows["issued"] == rows["issued"].max()) | (rows["date"] <= today)]


def _forecasts(rows: pd.DataFrame, today: pd.Timestamp) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forecast in force this evening, and for each date up to today the newest one that spoke of it."""
    if not len(rows):
        empty = pd.DataFrame(columns=["issued", "date", "eto", "rain", "route", "members"])
        return empty, empty
    newest = rows["issued"].max()
    probability = rows["rain_probability"].fillna(1.0)
    rows = rows.assign(
        rain=rows["rain"].fillna(0.0) * probability, chance=probability.where(rows["rain"].fillna(0.0) > 0.0, 0.0)
    )
    daily = (
        rows.groupby(["issued", "date"], as_index=False)
        .agg(eto=("eto", "mean"), rain=("rain", "mean"), chance=("chance", "mean"), members=("member", "nunique"))
        .assign(route="forecast")
    )
    daily["single"] = _by_member(rows, daily)
    latest = daily[(daily["issued"] == newest) & (daily["date"] > today) & daily["eto"].notna()]
    older = daily[daily["date"] <= today].sort_values("issued").drop_duplicates("date", keep="last")
    return latest, older


def _by_member(rows: pd.DataFrame, daily: pd.DataFrame) -> pd.Series:
    """ETo and rain of each member of a date, as pairs, a row of the daily table; None where there is but one."""
    if int(daily["members"].max()) < 2:
        return pd.Series([None] * len(daily), index=daily.index, dtype=object)
    pairs = rows.sort_values("member").groupby(["issued", "date"])[["eto", "rain"]].apply(lambda d: d.to_numpy(float))
    return pd.Series(list(pairs.reindex(pd.MultiIndex.from_frame(daily[["issued", "date"]]))), index=daily.index)


def _told(latest: pd.DataFrame, future: pd.DataFrame) -> Told:
    """Chances of the coming dates; of dates the forecast does not reach, the mean that stands in falls for certain."""
    spoken = latest.set_index("date").reindex(future["date"])
    rain = future["rain"].to_numpy(float)
    chance = np.where(spoken["chance"].isna(), 1.0, spoken["chance"].to_numpy(float))
    amount = np.divide(rain, chance, out=np.zeros_like(rain), where=chance > 0)
    sizes = {len(m) if isinstance(m, np.ndarray) else 0 for m in spoken["single"]}
    members = np.stack(list(spoken["single"])).transpose(2, 1, 0) if len(sizes) == 1 and min(sizes) > 1 else None
    if members is not None and np.isnan(members).any():
        members = None
    return Told(future["eto"].to_numpy(float), amount, np.where(rain > 0, chance, 0.0), members)


def _fill_past(
    observed: pd.DataFrame, older: pd.DataFrame, days: pd.DatetimeIndex, site: Site, notes: list[Note]
) -> pd.DataFrame:
    """Whole days up to today: observed, else forecast, else the mean of the days around."""
    table = observed.set_index("date")[["eto", "rain", "route"]].reindex(days)
    spoken = older.set_index("date")[["eto", "rain"]].reindex(days) if len(older) else table[["eto", "rain"]] * np.nan
    for name in ("eto", "rain"):
        unknown = table[name].isna()
        from_forecast = unknown & spoken[name].notna()
        table.loc[from_forecast, name] = spoken.loc[from_forecast, name]
        if name == "eto":
            table.loc[from_forecast, "route"] = "forecast"
        left = int(table[name].isna().sum())
        if from_forecast.any() and len(observed):
            notes.append(
                Note("info", "weather", f"{name} of {counted(int(from_forecast.sum()), 'day')} is from the forecast")
            )
        if name == "rain" and left and len(observed):
            notes.append(Note("warning", "weather", f"rain of {counted(left, 'day')} is not known and counts as none"))
    gaps = table["eto"].isna()
    if gaps.any() and not gaps.all():
        around = table["eto"].rolling(2 * WEATHER.recent_days + 1, center=True, min_periods=1).mean()
        table.loc[gaps, "eto"] = around[gaps].fillna(table["eto"].mean())
        table.loc[gaps, "route"] = "mean of the days around"
        notes.append(
            Note("warning", "weather", f"ET of {counted(int(gaps.sum()), 'day')} is the mean of the days around")
        )
    elif gaps.all():
        table["eto"] = _assumed_eto(site, days)
        table["route"] = FALLBACK
    table["rain"] = table["rain"].fillna(0.0)
    return table.rename_axis("date").reset_index()


def _fill_future(
    latest: pd.DataFrame, past: pd.DataFrame, horizon: pd.DatetimeIndex, site: Site, notes: list[Note]
) -> pd.DataFrame:
    """Every date of the horizon: forecast, its mean where it is too short, else the recent mean and no rain."""
    table = (
        latest.set_index("date")[["eto", "rain", "route"]].reindex(horizon)
        if len(latest)
        else pd.DataFrame({"eto": np.nan, "rain": np.nan, "route": None}, index=horizon)
    )
    missing = table["eto"].isna()
    if missing.all():
        assumed = (past["route"] == FALLBACK).all()
        table["eto"] = seasonal_eto(site, past, horizon)
        table["rain"], table["route"] = 0.0, "no forecast"
        what = "a warm dry day is assumed" if assumed else "the mean of the last two weeks stands in, without rain"
        notes.append(Note("step_down", "forecast", f"no forecast for the coming dates: {what}"))
    elif missing.any():
        table.loc[missing, ["eto", "rain"]] = table.loc[~missing, ["eto", "rain"]].mean().to_numpy()
        table.loc[missing, "route"] = "mean of the forecast"
        tail_only = bool(missing.to_numpy()[-int(missing.sum()) :].all())
        kind = "info" if tail_only and missing.sum() <= SHORT_GAP else "step_down"
        dates = counted(int(missing.sum()), "date")
        text = f"{dates} of the coming {len(horizon)} missing: the mean of the others is used"
        notes.append(Note(kind, "forecast", text))
    table["rain"] = table["rain"].fillna(0.0)
    return table.rename_axis("date").reset_index()


def _assumed_eto(site: Site, days: pd.DatetimeIndex) -> np.ndarray:
    """ETo of an assumed warm dry day, Hargreaves (FAO-56 Eq. 52), where nothing at all is known [mm/d]."""
    climate = Climate.of(
        days.dayofyear.to_numpy(float),
        tmin=np.full(len(days), WEATHER.mean - WEATHER.range / 2),
        tmax=np.full(len(days), WEATHER.mean + WEATHER.range / 2),
    )
    return reference_et(climate, Place(site.latitude, float("nan"))).eto


def _note_ages(today: pd.Timestamp, known: pd.DataFrame, issued: pd.Timestamp | None, notes: list[Note]) -> None:
    """Say how old weather and forecast are where that matters."""
    if not len(known):
        notes.append(Note("step_down", "weather", "no weather observed: a warm dry day is assumed for every past date"))
    elif (age := (today - known["date"].max()).days) > 1:
        notes.append(
            Note("step_down", "weather", f"newest observed day is {age} days old; later days are stood in for")
        )
    if issued is not None and (age := (today - issued.normalize()).days) > 1:
        notes.append(Note("step_down", "forecast", f"newest forecast is {age} days old"))
