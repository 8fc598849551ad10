"""What of a site is possible and hardly meant: said by `evenfall check`, each with what to type instead.

Bounds are our choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from scheduler.notes import Note
from scheduler.site.records import Site

DAYTIME = (11 * 60, 16 * 60)  # [min after 00:00] hours that no window of the night holds
OLD_FORECAST = 4  # [d] behind the newest weather
GPM, ACRE_FT = 0.0630901964, 1233.48183754752  # [L/s], [m3]
HOT_WEEKS = (4.0, 80.0)  # [-] of a hot week's demand that a season's allocation is


def doubts(site: Site, hot_week_m3: float) -> tuple[Note, ...]:
    """Give a warning for each.

    Parameters
    ----------
    site : Site
    hot_week_m3 : float   Demand of the hottest week [m3].
    """
    return tuple(Note("warning", *found) for found in (*_window(site), *_pumps(site), *_season(site, hot_week_m3),
                                                       *_forecast(site)))  # fmt: skip


def newest(site: Site) -> date | None:
    """Newest date that weather, forecasts as issued or the log speak of."""
    dates = [
        f[c].max() for f, c in ((site.weather, "date"), (site.forecast, "issued"), (site.applied, "night")) if len(f)
    ]
    return max(d.date() for d in dates) if dates else None


def _window(site: Site) -> Iterator[tuple[str, str]]:
    opens, closes = site.window.default
    closes += 1440 if closes <= opens else 0
    if any(opens <= DAYTIME[0] + day and DAYTIME[1] + day <= closes for day in (0, 1440)) and closes - opens < 1440:
        start, end = (f"{m % 1440 // 60:02d}:{m % 60:02d}" for m in (opens, closes))
        yield (
            "site.toml",
            (
                f"the window lets water run by day, {start} to {end}; if opens and closes are swapped, write "
                f'opens = "{end}" and closes = "{start}"'
            ),
        )


def _pumps(site: Site) -> Iterator[tuple[str, str]]:
    zones = site.zones
    for p, pump in enumerate(site.pumps):
        flows = zones.flow[zones.pump == p]
        if len(flows) > 2 and pump.capacity > flows.sum() and flows.max() <= pump.capacity * GPM <= flows.sum():
            yield (
                "site.toml",
                (
                    f'pump "{pump.name}" can carry {pump.capacity:g} L/s, more than all its zones at once '
                    f'({flows.sum():.3g} L/s); if that is in gal/min, write capacity = "{pump.capacity:g} gal/min"'
                ),
            )


def _season(site: Site, hot_week_m3: float) -> Iterator[tuple[str, str]]:
    allocation, now = site.allocation, newest(site)
    if allocation is None:
        return
    low, high = (share * hot_week_m3 for share in HOT_WEEKS)
    if allocation.volume < low and low <= allocation.volume * ACRE_FT <= high:
        yield (
            "site.toml",
            (
                f"the allocation of {allocation.volume:g} m3 is less than a hot month takes "
                f"({hot_week_m3 * 4:,.0f} m3); "
                f'if it is in acre feet, write volume = "{allocation.volume:g} acre_ft"'
            ),
        )
    if now is not None and allocation.ends < now:
        yield (
            "site.toml",
            (
                f"the season of the allocation ended on {allocation.ends}, and the newest data is of {now}: no "
                "allocation limits this plan; write the dates and the volume of the new season"
            ),
        )


def _forecast(site: Site) -> Iterator[tuple[str, str]]:
    if len(site.forecast) and len(site.weather):
        issued, known = site.forecast["issued"].max().date(), site.weather["date"].max().date()
        if (known - issued).days > OLD_FORECAST:
            yield (
                "forecast.csv",
                (
                    f"the newest forecast was issued on {issued}, {(known - issued).days} days before the newest "
                    "weather; "
                    "add the rows of a new one"
                ),
            )
