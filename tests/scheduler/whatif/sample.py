"""A what-if with everything on it that a page can hold, in invented numbers."""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.whatif.document import (
    Band,
    CaseNumbers,
    CurvePoint,
    GivesWay,
    NightNumbers,
    OrderNumbers,
    SeasonCase,
    SeasonNumbers,
    SeasonSurface,
    SiteWords,
    SurfaceNumbers,
    SweepNumbers,
    WhatIf,
    WiderLimit,
)

SURFACES = ("green", "tee", "approach", "fairway", "landscape", "rough")
NIGHTS = [(date(2026, 7, 14) + timedelta(days=n)).isoformat() for n in range(7)]
TITLE = "District letter of 10 July, stage {}: three nights a week, no water by day"

ASKED = "Tees, approaches, fairways, landscape and rough: no water from 8:00 am to 8:00 pm. Greens are exempt."


def _surface(name: str, rank: int, dry: int) -> SurfaceNumbers:
    return SurfaceNumbers(
        surface=name, priority=rank, zones=24, water_m3=900.0, water_tonight_m3=120.0, dry_zone_days=dry,
        dry_mm_days=8.0 * dry, worst_dry_mm=12.0, first_dry=NIGHTS[1] if dry else None, soft_zone_days=12,
        soft_mm_days=20.0, worst_soft_mm=2.0, ece_mean_dsm=3.1, ece_highest_dsm=4.4, salty_zone_days=0,
    )  # fmt: skip


def _case(number: int) -> CaseNumbers:
    title = TITLE.format(number) if number else "As it is"
    wider = WiderLimit(
        family="pump_limit", what="capacity of pump hill station", water_m3=230.0, less_dry_zone_days={"fairway": 30},
        less_dry_mm_days={"fairway": 110.0}, cost=1391.0,
        words="capacity of pump hill station, 10 % more: spares 3 dry zone-days on approach and 30 dry zone-days on "
        "fairway; uses 61,700 gal more; costs 1,391 USD",
    )  # fmt: skip
    order = OrderNumbers(
        kind="cut", name="25 % less", allowed_m3=5640.0, used_m3=0.0, left_m3=5640.0, first=NIGHTS[0], last=NIGHTS[-1],
        facts={}, words="25 % less than in the nights from Mon Jun 1 2026 to Tue Jun 30 2026: 1,490,000 gal allowed "
        "from Tue Jul 14 to Mon Jul 20",
    )  # fmt: skip
    nights = [
        NightNumbers(night=n, water_m3=900.0, zones_running=90, allowed=not number or i % 2 == 0, by_source_m3={})
        for i, n in enumerate(NIGHTS)
    ]
    return CaseNumbers(
        name=f"case-{number}", title=title, files=[], same_as_it_is=False, water_m3=8700.0 - 900.0 * number,
        water_tonight_m3=1400.0, water_by_source_m3={"reclaimed": 8500.0, "well": 200.0}, over_use_m3=1360.0,
        energy_kwh=2738.0, cost=5835.0, flushes=19, flushes_not_planned=number,
        surfaces=[_surface(s, rank, 9 * number * rank) for rank, s in enumerate(SURFACES, 1)],
        gives_way=[GivesWay(surface="rough", night=NIGHTS[0], zones=24, words="rough: 24 of 24 zones")],
        limits=[wider] * 3, asked=[ASKED] * bool(number),
        orders=[order] * bool(number), nights=nights, run_minutes_tonight={}, notes=[],
        words="660,000 gal less water (29 %); rough gives way first, from Wed Jul 15; tee keeps as now. Dry "
        "zone-days even on greens, which are served first: 38, at worst 0.07 in short of water.",
    )  # fmt: skip


def _season(cases: int) -> SeasonNumbers:
    band = Band(median=41.0, low=30.0, high=66.0)
    surfaces = [
        SeasonSurface(surface=s, dry_zone_days=band, dry_mm_days=band, soft_zone_days=band, salty_zone_days=band,
                      ece_mean_dsm=band)
        for s in SURFACES
    ]  # fmt: skip
    return SeasonNumbers(
        first=NIGHTS[0], last="2026-09-30", years=["1", "2", "3"], weather="Weather years are put together from pieces "
        "of the record.", forecasts="Forecasts miss as those of forecast.csv have missed.", mismatch=False,
        cases=[
            SeasonCase(name=f"case-{i}", title=TITLE.format(i) if i else "As it is", years=3, water_m3=band,
                       left_m3=band, runs_out=[None, "2026-09-02", None], cost=band, flushes=band, surfaces=surfaces,
                       words="The allocation is used up by Wed Sep 2 in 1 of 3 weather years; more dry zone-days: 67 "
                       "on green, 45 on tee, 180 on approach, 526 on fairway, 96 on landscape, 245 on rough.")
            for i in range(cases)
        ],
        notes=["Real turf will differ."],
    )  # fmt: skip


def sample_whatif(cases: int, season: bool = False, sweep: bool = False) -> WhatIf:
    """So many cases beside the site as it is, and what else is asked for."""
    points = [
        CurvePoint(value=1.0 - 0.05 * i, water_m3=8700.0 - 400.0 * i, cost=5800.0, worth_mm_days=0.2, worth_cost=None,
                   surfaces=[_surface(s, rank, i * rank) for rank, s in enumerate(SURFACES, 1)])
        for i in range(11)
    ]  # fmt: skip
    curve = SweepNumbers(key="allocation_factor", points=points, begins={"rough": 0.95}, words=["rough gives way"])
    return WhatIf(
        site=SiteWords(name="Dry Hills Course", units="us", currency="USD", zones=144),
        night=NIGHTS[0],
        nights=NIGHTS,
        made="2026-07-14T20:00:00",
        cases=[_case(i) for i in range(cases + 1)],
        sweep=curve if sweep else None,
        season=_season(cases + 1) if season else None,
    )
