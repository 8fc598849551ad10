"""The season ahead: every case lived through every weather year, kept as each is done, and what it comes to."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import Any, NoReturn

import numpy as np
import pandas as pd

from models.choices import YEARS
from scheduler.edge import format_money, format_short_date, format_volume
from scheduler.errors import InputProblems, NoPlan, Problem, counted
from scheduler.site import Site
from scheduler.state.filtered import run_record
from scheduler.state.ran import what_ran
from scheduler.state.readings import recent
from scheduler.whatif.ahead import KEPT, Lived, Start, Truth, live
from scheduler.whatif.case import AS_IT_IS, Case
from scheduler.whatif.document import Band, SeasonCase, SeasonNumbers, SeasonSurface
from scheduler.whatif.door import Door, Workers, problem_of, run_all
from scheduler.whatif.evening import Standing
from scheduler.whatif.quick import reached
from scheduler.whatif.weather_years import NO_FORECASTS, WeatherYear, forecast_errors, weather_years

DAY = timedelta(days=1)
MOST_NIGHTS = 400
PROBED_DAYS = 60  # [d] of readings behind what the filter believes of the zones
USUAL_ERROR = 0.1  # [-] standard deviation of a factor on ET and on the rate, where no filter speaks; no source
TRUTH = (
    "What runs is followed by evenfall's own balance of water and salt, which the plan also uses: real turf will "
    "differ."
)
MISMATCH = (
    "Every zone has true factors on its water use and its application rate, drawn from what the filter does not know "
    "of it; the plan does not know them, and sees probed zones through readings as uncertain as tonight's."
)


@dataclass(frozen=True)
class Ahead:
    """How the season is to be lived: until when, on which weather, how many years, with which seed and workers."""

    until: date | None = None
    weather: str = "drawn"
    years: int = 5
    seed: int = 1
    mismatch: bool = False
    resume: bool = False
    workers: Workers = Workers()


class Shelf:
    """Where finished years are kept by key; this one forgets."""

    def get(self, key: str) -> Lived | None:
        """A year kept under a key."""
        return None

    def put(self, key: str, lived: Lived) -> None:
        """Keep a year, once."""


def season_ahead(
    standing: Standing,
    cases: Sequence[Case],
    ahead: Ahead,
    shelf: Shelf,
    told: Callable[[int, int], None] = lambda done, of: None,
    door: Door | None = None,
) -> tuple[SeasonNumbers, list[dict[str, Any]]]:
    """Live every case through every weather year.

    Parameters
    ----------
    standing : Standing
    cases : sequence of Case   Without the site as it is, which is added.
    ahead : Ahead
    shelf : Shelf              Keeps finished years; with `ahead.resume` those it has are taken from it.
    told : callable            Told how many nights of all case-years are done, and of how many.
    door : Door, optional      Where the years are lived; one for `ahead.workers` if not given.

    Returns
    -------
    tuple   The season, and one row a night, case and weather year.

    Raises
    ------
    InputProblems   The dates or the weather cannot be used.
    NoPlan          A case-year failed; those that were done are kept.
    """
    site, night = standing.planned.site, standing.planned.night
    last = _last(site, night, ahead)
    start, years, words = _start(standing, ahead, last)
    every = [AS_IT_IS, *cases]
    tasks = [(case, year) for case in every for year in years]
    with door or Door(ahead.workers, len(tasks), live.__module__) as where:
        lived = _lived(start, tasks, ahead, shelf, told, where)
    by_case = [[lived[i] for i, (c, _) in enumerate(tasks) if c is case] for case in every]
    numbers = SeasonNumbers(
        first=night.isoformat(),
        last=last.isoformat(),
        years=[y.name for y in years],
        weather=words,
        forecasts=NO_FORECASTS if start.errors is None else start.errors.words,
        mismatch=ahead.mismatch,
        cases=[_summed(site, case, found, by_case[0]) for case, found in zip(every, by_case, strict=True)],
        notes=[TRUTH, *([MISMATCH] if ahead.mismatch else [])],
    )
    return numbers, [row for i in range(len(tasks)) for row in lived[i].rows]


def _lived(
    start: Start,
    tasks: Sequence[tuple[Case, WeatherYear]],
    ahead: Ahead,
    shelf: Shelf,
    told: Callable[[int, int], None],
    door: Door,
) -> dict[int, Lived]:
    """Every case-year by its place among the tasks: taken from the shelf, or lived and put on it."""
    begins = _begins(start)
    keys = [_key(begins, case, year) for case, year in tasks]
    lived: dict[int, Lived] = {}
    if ahead.resume:
        lived = {i: found for i, key in enumerate(keys) if (found := shelf.get(key)) is not None}
    nights = (start.last - start.night) // DAY + 1

    def nightly(done: int, of: int) -> None:
        told(len(lived) * nights + done, len(tasks) * nights)

    nightly(0, nights)
    todo = [i for i in range(len(tasks)) if i not in lived]
    kinds = [tasks[i][0].key for i in todo]
    failed: list[tuple[int, BaseException]] = []
    here = () if door.elsewhere else (nightly,)  # another process cannot tell each night
    for done in run_all(live, [(start, *tasks[i], *here) for i in todo], door, kinds):
        place = todo[done.place]
        if done.failure is None:
            lived[place] = done.value
            shelf.put(keys[place], done.value)
        else:
            failed.append((place, done.failure))
        nightly(0, nights)
    if failed:
        _tell(failed[0][1], *tasks[failed[0][0]], f"{counted(len(lived), 'case-year')} of {len(tasks)}")
    return lived


def _tell(failure: BaseException, case: Case, year: WeatherYear, kept: str) -> NoReturn:
    """Raise what a case-year failed with, and say how many others are kept."""
    if isinstance(failure, InputProblems):
        raise failure
    words = f"{case.title}, {year.name}: {problem_of(failure)}; {kept} are kept, --resume goes on from there"
    raise NoPlan(words) from failure


def _last(site: Site, night: date, ahead: Ahead) -> date:
    """Last night of the season ahead."""
    rule = site.allocation
    last = ahead.until
    if last is None:
        inside = rule is not None and rule.starts <= night <= rule.ends
        last = rule.ends if inside and rule is not None else night + YEARS.without_allocation * DAY
    if not night <= last < night + MOST_NIGHTS * DAY:
        words = f"read {last}; a date from {night} to {night + (MOST_NIGHTS - 1) * DAY} is allowed"
        raise InputProblems([Problem("--until", None, None, words)])
    return last


def _start(standing: Standing, ahead: Ahead, last: date) -> tuple[Start, tuple[WeatherYear, ...], str]:
    planned = standing.planned
    site, night = planned.site, planned.night
    years, words = weather_years(
        site, night + DAY, last + (site.nights + 1) * DAY, ahead.weather, ahead.years, ahead.seed
    )
    lean = replace(site, probes=site.probes.head(0), samples=site.samples.head(0))
    log = standing.log
    start = Start(
        site=lean,
        night=night,
        last=last,
        demand=planned.demand,
        state=planned.state,
        salt=planned.salt,
        share=reached(planned.inputs.plan, planned.run),
        errors=forecast_errors(site, night, site.nights),
        log=log[["night", "zone", "minutes", "volume"]],
        seed=ahead.seed,
        truth=believed_truth(standing, ahead.seed) if ahead.mismatch else None,
    )
    return start, years, words


def believed_truth(standing: Standing, seed: int) -> Truth:
    """Draw true factors of the zones from the spread the filter believes, each with its own seed.

    The filter gives 95 % intervals of the factor on ET and of the rate; zones it does not speak of take `USUAL_ERROR`.
    """
    planned = standing.planned
    site, night, demand = planned.site, planned.night, planned.demand
    zones = len(site.zones)
    width = np.full((2, zones), USUAL_ERROR)
    readings = recent(site, night, planned.opens, PROBED_DAYS)
    filtered = run_record(site, demand, what_ran(site, night, demand.past, []), readings)
    if filtered is not None:
        told = filtered.estimate
        for i, (low, high, mean) in enumerate(
            (
                (told.microclimate_low, told.microclimate_high, told.microclimate),
                (told.rate_low, told.rate_high, told.rate),
            )
        ):
            width[i, filtered.rows] = (high - low) / (2.0 * 1.96 * np.maximum(mean, 0.1))
    rng = np.random.default_rng([seed, 7])
    drawn = np.exp(rng.normal(0.0, 1.0, (2, zones)) * np.clip(width, 0.0, 0.5))
    read = np.isin(planned.state.origin.astype(str), ("probe", "kin"))
    return Truth(drawn[0], drawn[1], read, planned.state.spread)


ONLY_SHOWN = ("name", "place", "formerly", "east", "north", "outline")  # columns of zones that no plan asks for


def _key(begins: str, case: Case, year: WeatherYear) -> str:
    """The same for the same season: where it begins (`_begins`), the case, the weather."""
    told = (begins, case.key, year.name, year.eto.tobytes(), year.rain.tobytes())
    return hashlib.sha256(pickle.dumps(told)).hexdigest()


def _begins(start: Start) -> str:
    """The same where a season begins alike: evening, site and zones, what ran, where zones stand, past forecasts."""
    site, since, errors = start.site, pd.Timestamp(start.night) - pd.Timedelta(days=KEPT), start.errors
    columns = [getattr(site.zones, f.name) for f in fields(site.zones) if f.name not in ONLY_SHOWN]
    zones = [column.tolist() if isinstance(column, np.ndarray) else column for column in columns]
    forecasts = () if errors is None else (errors.ratio, errors.wet, errors.dry)
    told = (
        "season/2", str((start.night, start.last, start.seed)), str(zones), np.asarray(site.net_share).tobytes(),
        start.state.depletion.tobytes(), start.salt.ece.tobytes(), start.salt.source_ec.tobytes(),
        "" if start.truth is None else str([value.tolist() for value in vars(start.truth).values()]),
        str({k: v.tolist() for k, v in start.share.items()}), str([[a.tolist() for a in f] for f in forecasts]),
        str((site.window, site.pumps, site.branches, site.controllers, site.sources, site.allocation, site.tariffs)),
        str((site.restrictions, dict(site.surfaces), site.nights, site.caution, site.price_of_a_run, site.method)),
        site.calendar.to_csv(), start.log[start.log["night"] >= since].to_csv(),
        start.demand.past[["date", "eto", "rain"]].to_csv(),
    )  # fmt: skip
    return hashlib.sha256("\0".join(map(str, told)).encode()).hexdigest()


def band(values: Sequence[float]) -> Band:
    """Median and the ends of the middle 80 %."""
    low, median, high = np.quantile(np.asarray(values, dtype=float), (0.1, 0.5, 0.9))
    return Band(median=round(float(median), 6), low=round(float(low), 6), high=round(float(high), 6))


def _summed(site: Site, case: Case, found: list[Lived], usual: list[Lived]) -> SeasonCase:
    surfaces = []
    for surface in found[0].surfaces:
        own = [one.surfaces[surface] for one in found]
        ece = [o["ece_mean_dsm"] for o in own]
        surfaces.append(
            SeasonSurface(
                surface=surface,
                dry_zone_days=band([o["dry_zone_days"] or 0.0 for o in own]),
                dry_mm_days=band([o["dry_mm_days"] or 0.0 for o in own]),
                soft_zone_days=band([o["soft_zone_days"] or 0.0 for o in own]),
                salty_zone_days=band([o["salty_zone_days"] or 0.0 for o in own]),
                ece_mean_dsm=None if any(e is None for e in ece) else band([float(e or 0.0) for e in ece]),
            )
        )
    cost = [sum(r["cost"] for r in one.rows) for one in found]
    return SeasonCase(
        name=case.name,
        title=case.title,
        years=len(found),
        water_m3=band([sum(r["water_m3"] for r in one.rows) for one in found]),
        left_m3=None if found[0].left is None else band([one.left or 0.0 for one in found]),
        runs_out=[one.runs_out for one in found],
        cost=band(cost) if any(cost) else None,
        flushes=band([sum(r["flushes"] for r in one.rows) for one in found]),
        surfaces=surfaces,
        words=_words(site, found, usual),
    )


def _words(site: Site, found: list[Lived], usual: list[Lived]) -> str:
    """What the season comes to, in a sentence or two."""
    out = sorted(one.runs_out for one in found if one.runs_out is not None)
    parts = []
    if site.allocation is not None:
        if out:
            middle = format_short_date(date.fromisoformat(out[len(out) // 2]), site.units)
            years = "" if len(found) == 1 else f" in {len(out)} of {len(found)} weather years"
            parts.append(f"the allocation is used up by {middle}{years}")
        else:
            parts.append("the allocation lasts" + ("" if len(found) == 1 else f" in all {len(found)} weather years"))

    def median(of: list[Lived], value: Callable[[Lived], float]) -> float:
        return float(np.median([value(one) for one in of]))

    if found is not usual:
        water, was = (median(of, lambda one: sum(r["water_m3"] for r in one.rows)) for of in (found, usual))
        more = format_volume(abs(water - was), site.units, beside=was)
        parts.append(f"{more} {'less' if water < was else 'more'} water than as it is")
        cost, had = (median(of, lambda one: sum(r["cost"] for r in one.rows)) for of in (found, usual))
        if abs(cost - had) >= 1.0:
            parts.append(
                f"the bill {'falls' if cost < had else 'rises'} by {format_money(abs(cost - had), site.currency)}"
            )
    changes = []
    for surface in found[0].surfaces:
        dry = median(found, lambda one, s=surface: one.surfaces[s]["dry_zone_days"] or 0.0)
        was = 0.0 if found is usual else median(usual, lambda one, s=surface: one.surfaces[s]["dry_zone_days"] or 0.0)
        if dry - was >= 1.0:
            changes.append(f"{dry - was:,.0f} on {surface}")
    more = "" if found is usual else "more "
    parts.append(f"{more}dry zone-days: {', '.join(changes)}" if changes else f"no {more}dry zone-days to speak of")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."
