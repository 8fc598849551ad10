"""Small wrong changes thought of by hand, each for what it would mean: every one must fail a test of its room.

    python -m tests.bench.bench_slips [--only WORD] [--quick SECONDS]

Where `bench_mutants` draws changes blindly, these are slips somebody could make and nobody would see on a screen: a
forecast that was not there yet, a day counted twice, the dearest for the best. `--only` runs those whose meaning or
file holds a word; `--quick` asks only tests that take no longer.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass

from tests.bench.more_slips import MORE
from tests.bench.slips_of_rooms import OF_ROOMS
from tests.bench.standing_changes import ROOT, Mutant, Session, run

DOCUMENT = ["tests/scheduler/document"]
QUICK, MOST = 4.0, 60.0  # [s] of processor time that one test, and those of one slip together, may take
TESTS = {
    "models": ["tests/models", "tests/published", "tests/properties"],
    "scheduler/plan": ["tests/scheduler/plan", "tests/scheduler/document", "tests/scheduler/test_site_hydraulics.py"],
    "scheduler/state": [
        "tests/scheduler/state",
        "tests/scheduler/test_ran.py",
        "tests/scheduler/test_readings.py",
        "tests/scheduler/test_quality.py",
        "tests/scheduler/plan/test_weathers.py",
        "tests/scheduler/document",
    ],
    "scheduler/document": DOCUMENT,
    "scheduler/evening.py": ["tests/scheduler/test_evening_steps.py", "tests/scheduler/test_evening.py"],
    "scheduler/planning.py": ["tests/scheduler/test_evening_steps.py", "tests/scheduler/test_evening.py"],
    "scheduler/events.py": ["tests/scheduler/plan", "tests/scheduler/test_flushes.py", *DOCUMENT],
    "scheduler/feeds": ["tests/scheduler/feeds"],
    "scheduler/ledger": ["tests/scheduler/ledger", "tests/scheduler/test_ledger.py"],
    "scheduler/morning": [
        "tests/scheduler/morning",
        "tests/scheduler/test_walking.py",
        "tests/scheduler/test_response.py",
        "tests/scheduler/test_morning.py",
    ],
    "scheduler/night/": ["tests/scheduler/night", "tests/end_to_end/test_full_nights.py"],
    "scheduler/nightly": ["tests/scheduler/nightly"],
    "scheduler/salinity": [
        "tests/scheduler/salinity",
        "tests/scheduler/test_flushes.py",
        "tests/scheduler/test_upkeep.py",
        "tests/scheduler/test_salinity.py",
    ],
    "scheduler/season": [
        "tests/scheduler/test_season_make.py",
        "tests/scheduler/test_season_money_and_meters.py",
        "tests/scheduler/test_season_otherwise.py",
        "tests/scheduler/test_season_parts.py",
        "tests/scheduler/test_season_record.py",
        "tests/scheduler/test_season_turf.py",
        "tests/scheduler/test_season_words.py",
        "tests/scheduler/test_season_workbook.py",
        "tests/scheduler/test_season.py",
        "tests/end_to_end/test_season_account.py",
    ],
    "scheduler/sheets": ["tests/scheduler/sheets"],
    "scheduler/site": [
        "tests/scheduler/site",
        "tests/scheduler/test_windows.py",
        "tests/scheduler/test_site_folder.py",
        "tests/scheduler/test_site_meter.py",
        "tests/scheduler/test_site_water.py",
    ],
    "scheduler/supply.py": [
        "tests/scheduler/plan",
        "tests/scheduler/test_site_water.py",
        "tests/scheduler/test_supply.py",
    ],
    "scheduler/whatif": ["tests/end_to_end/test_orders_reckoned.py", "tests/scheduler/whatif"],
}


@dataclass(frozen=True)
class Slip:
    """One change: the file, the text that stands there once, what is put in its place, and what it would mean."""

    file: str
    was: str
    now: str
    meaning: str


SLIPS = (
    Slip(
        "scheduler/state/demand.py",
        '["issued"] < today + timedelta(days=1)]',
        '["issued"] < today + timedelta(days=2)]',
        "a forecast issued tomorrow is used",
    ),
    Slip(
        "scheduler/state/demand.py",
        'rain=rows["rain"].fillna(0.0) * probability,',
        'rain=rows["rain"].fillna(0.0),',
        "the probability of rain is ignored",
    ),
    Slip(
        "scheduler/state/evening.py",
        "np.clip(read + rest, 0.0, taw)",
        "np.clip(read, 0.0, taw)",
        "what turf still takes today after a reading is dropped",
    ),
    Slip(
        "scheduler/state/evening.py",
        "np.bincount(inverse, weights=thickness * theta) / weight",
        "np.bincount(inverse, weights=theta) / np.bincount(inverse)",
        "all depths of a zone's probes weigh alike",
    ),
    Slip(
        "scheduler/state/evening.py",
        "drainage_day(depletion, net[:, i - 1],",
        "drainage_day(depletion, net[:, i],",
        "the next night's water counts today",
    ),
    Slip(
        "scheduler/events.py",
        "firm |= event.on(nights, before=1)",
        "firm |= event.on(nights)",
        "the night before an event is not kept firm",
    ),
    Slip(
        "scheduler/plan/inputs.py",
        "np.clip(limit - wet - day.etc, 0.0, margin)",
        "np.zeros_like(limit)",
        "the margin for the spread is dropped",
    ),
    Slip(
        "scheduler/plan/water.py",
        "np.maximum(left[:, 0] - by_source, 0.0)",
        "np.maximum(left[:, 0], 0.0)",
        "a month's use is not counted against its permit",
    ),
    Slip(
        "scheduler/plan/water.py",
        "used = rule.used_before + float(applied_volume(site, ran, rule.starts, dates[0]).sum())",
        "used = rule.used_before",
        "the season's use is not counted",
    ),
    Slip(
        "scheduler/plan/water.py",
        "later_days = pd.date_range(dates[-1] + timedelta(days=2)",
        "later_days = pd.date_range(dates[-1] + timedelta(days=1)",
        "a day counts twice in the season's share",
    ),
    Slip(
        "scheduler/plan/water.py",
        "slice(max(0, i + 1 - DROUGHT.nights), i + 1)",
        "slice(max(0, i - DROUGHT.nights), i + 1)",
        "a drought order is counted over eight nights",
    ),
    Slip(
        "scheduler/plan/water.py",
        "used = np.array([spent[nights.start :].sum() for nights in counted])",
        "used = np.array([spent.sum() for nights in counted])",
        "a drought order counts nights that are past its week",
    ),
    Slip(
        "models/plan/solve.py",
        "self.scale_capacity(name, np.full(capacity.size, LOOSE), night)",
        "self.scale_capacity(name, np.full(capacity.size, LOOSE))",
        "later nights have twice the capacity",
    ),
    Slip(
        "models/plan/flush_ways.py",
        "passes = needs.depth[f, ways.supply] + (ways.on * ways.held(needs)[f]).sum(axis=1)",
        "passes = needs.depth[f, ways.supply] - (ways.on * ways.held(needs)[f]).sum(axis=1)",
        "a flush passes less by what the date takes, not more",
    ),
    Slip(
        "scheduler/salinity/flushes.py",
        "floor = open_ec.min(axis=1)",
        "floor = np.where(np.isfinite(open_ec), open_ec, -np.inf).max(axis=1)",
        "the saltiest for the best water (limit)",
    ),
    Slip(
        "scheduler/salinity/flush_depths.py",
        "best_ec = open_ec.min(axis=1)",
        "best_ec = np.where(np.isfinite(open_ec), open_ec, -np.inf).max(axis=1)",
        "the saltiest for the best water (depth)",
    ),
    Slip(
        "models/salts.py",
        "80.3 - 0.37 * (degrees - 20.0)",
        "80.3 + 0.37 * (degrees - 20.0)",
        "sign of the temperature term of Hilhorst",
    ),
    Slip("models/salts.py", "(146.0 - 76.7 * theta)", "(140.0 - 76.7 * theta)", "Topp's 146 as 140"),
    Slip(
        "models/filter_readings.py",
        "used = np.abs(standard) <= GATE",
        "used = np.abs(standard) <= 10 * GATE",
        "a reading that cannot be is used",
    ),
    Slip(
        "models/filter_readings.py",
        "new.scatter[sensor] = np.where(used, watched, before)",
        "new.scatter[sensor] = watched",
        "readings that are refused teach how far readings scatter",
    ),
    Slip("models/filter_readings.py", "(noise + far)[used]", "noise[used]", "readings far off weigh like all others"),
    Slip(
        "models/night/rounding.py",
        "np.lexsort((-use, like, need[zones]))",
        "np.lexsort((-use, -like, need[zones]))",
        "where a limit breaks those of most worth give first",
    ),
    Slip(
        "models/night/rounding.py",
        "order = liftable[np.lexsort((-(value * resolution_min)[liftable], ~need[liftable]))]",
        "order = liftable[np.lexsort(((value * resolution_min)[liftable], ~need[liftable]))]",
        "least worth is lifted first",
    ),
    Slip(
        "models/night/rounding.py",
        "np.lexsort((-remainder[order], -(value * remainder)[order]))",
        "np.lexsort((-remainder[order], (value * remainder)[order]))",
        "least worth is rounded up first",
    ),
    # ---- rooms that had no tests of their own
    Slip(
        "scheduler/plan/inputs.py",
        "np.where(events.firm, BAND.event_wet_weight, 1.0)",
        "np.ones_like(etc)",
        "softness around an event weighs as on any night",
    ),
    Slip(
        "scheduler/plan/inputs.py",
        "allowed & ~events.dry[:, :, None] & fits_alone(site)[:, None, None]",
        "allowed & fits_alone(site)[:, None, None]",
        "a night that must stay dry is planned with water",
    ),
    Slip(
        "scheduler/state/demand.py",
        "clip((WEATHER.sunset - hours) / (WEATHER.sunset - WEATHER.sunrise), 0.0, 1.0)",
        "clip((WEATHER.sunset - hours) / WEATHER.sunset, 0.0, 1.0)",
        "turf takes up water from midnight on",
    ),
    Slip(
        "scheduler/state/demand.py",
        "return enters * told.chance, runs_off * told.chance",
        "return enters * told.chance, runs_off",
        "runoff of rain that may not fall is taken for certain",
    ),
    Slip(
        "scheduler/state/demand.py",
        'drop_duplicates("date", keep="last")',
        'drop_duplicates("date", keep="first")',
        "the oldest forecast of a past date stands in for its weather",
    ),
    Slip(
        "scheduler/state/evening.py",
        "drift = daily * np.sqrt(np.maximum(age, 0))",
        "drift = daily",
        "an estimate does not grow less sure with time",
    ),
    Slip(
        "scheduler/night/later.py",
        "return draft.result if result is None else _with_prices_of(draft.result, result)",
        "return draft.result",
        "later nights are not planned anew after a night too full",
    ),
    Slip(
        "scheduler/night/later.py",
        "depletion = day.depletion\n",
        "depletion = plan.depletion\n",
        "every later night begins as tonight did",
    ),
    Slip(
        "scheduler/night/finish.py",
        "lead = closes - min(TONIGHT.event_lead, TONIGHT.short_night * (closes - opens))",
        "lead = closes",
        "an event's zones may run until the close",
    ),
    Slip(
        "scheduler/night/finish.py",
        "while minute <= opens:",
        "while minute < opens - 1440.0:",
        "a time after midnight is read as before the window opens",
    ),
    Slip(
        "scheduler/document/limits.py",
        "used = np.cumsum(counted)",
        "used = counted",
        "a drought order is shown with one night's use",
    ),
    Slip(
        "scheduler/document/limits.py",
        "by_supply[:, 0] = run.volumes",
        "pass",
        "tonight's sources are told by the plan, not by what runs",
    ),
    Slip(
        "scheduler/document/pumping.py",
        "cost=round(float(by_pump.sum() * price[a]), 4)",
        "cost=round(float(by_pump.sum() * price[0]), 4)",
        "all energy is priced as the first hours",
    ),
    Slip(
        "scheduler/document/pumping.py",
        "if together < pump.smallest_flow:",
        "if together > pump.smallest_flow:",
        "why a pump runs below its smallest flow is told wrongly",
    ),
    Slip(
        "scheduler/document/words.py",
        "evenings = [format_day_after(d, units)",
        "evenings = [format_short_date(d, units)",
        "a zone is told dry by a day too early",
    ),
    Slip(
        "scheduler/document/words.py",
        "again.argmax(axis=1) + 1, NEVER)",
        "again.argmax(axis=1), NEVER)",
        "the next run is told a night early",
    ),
    Slip(
        "scheduler/salinity/leaching.py",
        "source_ec * water / np.maximum(entered, 1e-9)",
        "source_ec",
        "rain does not dilute the water that leaching is asked for",
    ),
    Slip(
        "scheduler/document/left_out.py",
        "run.left_out.sum() / (run.left_out.sum() + run.minutes.sum())",
        "run.left_out.sum() / run.minutes.sum()",
        "share left out is of what ran, not of what was planned",
    ),
    Slip(
        "scheduler/morning/report.py",
        "max(MORNING.off_minutes, MORNING.off_by * planned)",
        "min(MORNING.off_minutes, MORNING.off_by * planned)",
        "runs a minute off are told as not as planned",
    ),
    Slip(
        "scheduler/morning/report.py",
        "after = state.depletion - depth",
        "after = state.depletion + depth",
        "water makes zones drier on the morning page",
    ),
    Slip(
        "scheduler/morning/report.py",
        "dose = min(depletion - wet[z], BY_HAND.largest_dose)",
        "dose = min(depletion, BY_HAND.largest_dose)",
        "the day crew waters past the firmness limit",
    ),
    Slip(
        "scheduler/salinity/readings.py",
        "calm = (hour >= SALT.calm_from) & (hour < SALT.calm_until)",
        "calm = hour >= 0",
        "readings while water is passing count for salt",
    ),
    Slip(
        "scheduler/salinity/readings.py",
        "0.5 * site.zones.fed_depth[z]",
        "site.zones.fed_depth[z]",
        "probes of the lower half count as upper",
    ),
    Slip(
        "scheduler/plan/stations.py",
        "max(taken, default=0.0)",
        "min(taken, default=0.0)",
        "energy is priced without the friction of the far branch",
    ),
    Slip(
        "scheduler/whatif/orders.py",
        "allowed = (1.0 - keys.cut) * base / nights * so_far",
        "allowed = keys.cut * base / nights * so_far",
        "an order to use 25 % less allows 25 %",
    ),
    Slip(
        "scheduler/whatif/orders.py",
        "(day > first) & (day <= d + DAY)].sum() for d in dates])\n    rain",
        "(day >= first) & (day <= d + DAY)].sum() for d in dates])\n    rain",
        "ETo of the day an order begins on counts too",
    ),
    Slip(
        "scheduler/whatif/orders.py",
        "monday = night - timedelta(days=night.weekday())",
        "monday = night - timedelta(days=night.isoweekday())",
        "weeks of an allowance begin on Sunday",
    ),
    Slip(
        "scheduler/season/money.py",
        "np.clip(used, begin, end) - begin",
        "used - begin",
        "a step of the allocation is billed for all water above it",
    ),
    Slip(
        "scheduler/season/account.py",
        "source_covered(r.metered, name), source_read(r.metered, name)",
        "source_read(r.metered, name), source_read(r.metered, name)",
        "log and meter are compared on nights that one of two meters missed",
    ),
    Slip(
        "scheduler/season/reconcile.py",
        "(metered.covered[of] | ~metered.standing[of]).all(axis=0)",
        "metered.covered[of].any(axis=0)",
        "a source counts as metered with one of its two meters",
    ),
    Slip(
        "scheduler/nightly/hours.py",
        "by = opens - UNATTENDED.before_opening if rule.by is None",
        "by = opens if rule.by is None",
        "a plan may stand only when the window opens",
    ),
    Slip(
        "scheduler/nightly/scaled.py",
        "minutes - extra / plan.net_rate",
        "minutes - 0 * extra",
        "a scaled plan waters on top of rain nobody expected",
    ),
    Slip(
        "scheduler/nightly/scaled.py",
        "if night - timedelta(days=UNATTENDED.oldest_plan) <= of <= night:",
        "if of <= night:",
        "a plan of any age is scaled",
    ),
    Slip(
        "scheduler/feeds/interval_layers.py",
        "wind_at_2m(whole(wind, means(wind, starts, ends)), WIND_HEIGHT)",
        "whole(wind, means(wind, starts, ends))",
        "wind at 10 m is taken as at 2 m",
    ),
    Slip(
        "scheduler/feeds/plausible.py",
        "east = np.radians(longitude - site.longitude)",
        "east = np.radians(longitude + site.longitude)",
        "a place on the other side of Greenwich counts as near",
    ),
    Slip(
        "scheduler/night/smallest.py",
        "short & (lost <= wasted)",
        "short & (lost >= wasted)",
        "short runs wait where waiting is the dearer",
    ),
    Slip("scheduler/salinity/upkeep.py", "share / (1.0 - share)", "share", "upkeep leaches less than the requirement"),
    # ---- rooms and meanings not slipped before
    Slip(
        "scheduler/night/smallest.py",
        "may_run[:, n + 1]",
        "may_run[:, n]",
        "a zone barred tomorrow is taken to wait one night only",
    ),
    Slip(
        "scheduler/night/smallest.py",
        "net = inputs.smallest_run * plan.net_rate",
        "net = 0.0 * inputs.smallest_run",
        "a short run is lengthened without the water that wastes",
    ),
    Slip(
        "scheduler/night/stands.py",
        "ago = range(1, STEADY.looked_back + 1",
        "ago = range(2, STEADY.looked_back + 1",
        "the plan of the evening before does not stand",
    ),
    Slip(
        "scheduler/season/turf.py",
        "return p, dry, np.minimum(wet, 0.8 * dry)",
        "return p, dry, wet",
        "a zone may be told soft and dry at once in the account",
    ),
    Slip(
        "scheduler/season/turf.py",
        "np.maximum(opened - water, 0.0) < soft",
        "np.maximum(opened, 0.0) < soft",
        "the night's water makes no zone soft in the account",
    ),
    Slip(
        "scheduler/season/turf.py",
        "unmet = np.maximum(later[0] - run.etc_actual, 0.0)",
        "unmet = np.zeros_like(later[0])",
        "dry turf misses no water in the account",
    ),
    Slip(
        "scheduler/morning/report.py",
        "minutes = np.where(np.isnan(applied), planned, applied)",
        "minutes = planned",
        "the morning looks at what was planned, not at what ran",
    ),
    Slip(
        "scheduler/morning/response.py",
        "own[some] = np.maximum(",
        "own[some] = np.minimum(",
        "what a probe does on dry nights is taken for an answer",
    ),
    Slip(
        "scheduler/morning/report.py",
        "_no_rain(rain, d) and _no_rain(rain, d + timedelta(days=1))",
        "_no_rain(rain, d)",
        "rain of the morning after is taken for an answer to water",
    ),
    # ---- parts of a night put back, other weathers and cases, the filter's step ahead, uneven catch
    Slip(
        "models/night/putting_back.py",
        "holds &= self.board.remove(",
        "holds = self.board.remove(",
        "of cycles taken off only the last is asked for the ramp",
    ),
    Slip(
        "models/night/putting_back.py",
        "if now > best:",
        "if now < best:",
        "a search ends with the night it stood at, not with the best it found",
    ),
    Slip(
        "models/night/putting_back.py",
        "starts = starts[dear == dear.min()]",
        "starts = starts[dear == dear.max()]",
        "what ends late is put back to end as late as it can",
    ),
    Slip(
        "models/uneven_catch.py",
        "np.add.at(cost, group, course.cost * area[:, None])",
        "np.add.at(cost, group, course.cost)",
        "a small zone decides the extra of its surface as much as a large one",
    ),
    Slip(
        "models/uneven_catch.py",
        "+ worth.soft * harm + worth.run * runs",
        "+ worth.run * runs",
        "soft ground at the wettest place costs nothing",
    ),
    Slip(
        "models/filter_readings.py",
        "above = reading[sensor] - state.bias[sensor] - field_capacity",
        "above = reading[sensor] - field_capacity",
        "a probe that reads high is taken for water on its way down",
    ),
    Slip(
        "models/filter_readings.py",
        " and abs(np.mean(np.sign(standard))) > 0.6:",
        ":",
        "probes off both ways make the balance doubted",
    ),
    Slip(
        "models/filter_ahead.py",
        "rain[:, None] + stress * wanted[:, None], taw",
        "rain[:, None] + wanted[:, None], taw",
        "stressed turf takes up as much as any",
    ),
    Slip(
        "models/filter_ahead.py",
        "rough = np.where(applied > 0, setup.patchiness, 0.0)",
        "rough = np.zeros(applied.size)",
        "water wets all spots of a place alike, so none drains before the mean is full",
    ),
    Slip(
        "models/filter_state.py",
        "setup.spreads.bias**2 * np.diag(setup.probes.evened[block.sensor])",
        "setup.spreads.bias**2 * np.eye(k)",
        "the mean of several probes is as unsure as one",
    ),
    Slip(
        "scheduler/whatif/apply.py",
        "first = monday if part.keys.starts is None else max(monday, part.keys.starts)",
        "first = monday",
        "nights before an order count as nights of its week",
    ),
    Slip(
        "scheduler/whatif/apply.py",
        "volume = used + factor * max(volume - used, 0.0)",
        "volume = factor * volume",
        "a smaller allocation cuts what has been used already",
    ),
    Slip(
        "scheduler/whatif/apply.py",
        "steps = tuple((above, p * price) for above, p in steps)",
        "steps = tuple((above, p) for above, p in steps)",
        "dearer water leaves over-use as cheap as it was",
    ),
    Slip(
        "scheduler/whatif/apply.py",
        "keys.surfaces_off, 0.0, *span)",
        "keys.surfaces_off, 0.0, None, None)",
        "surfaces are off on nights the case does not bind",
    ),
    Slip(
        "scheduler/whatif/apply.py",
        "share[:, on] *= part.keys.pump_capacity_factor",
        "share[:, on] = part.keys.pump_capacity_factor",
        "of two parts that halve the pumps only one counts",
    ),
    Slip(
        "scheduler/whatif/measures.py",
        "-site.surfaces[f[0]].priority, f[0])",
        "site.surfaces[f[0]].priority, f[0])",
        "what is served first is told as giving way first",
    ),
    Slip(
        "scheduler/whatif/measures.py",
        "steps = np.diff([0.0, *(t.price for t in plan.tiers)])",
        "steps = np.array([t.price for t in plan.tiers])",
        "over-use past two tiers is charged for both",
    ),
    Slip(
        "scheduler/whatif/fleet.py",
        "return (one.code == 0, ",
        "return (one.code != 0, ",
        "sites that failed stand last",
    ),
    Slip(
        "scheduler/whatif/weather_years.py",
        "drawn_eto * sun, drawn_rain",
        "drawn_eto * sun.mean(), drawn_rain",
        "a drawn winter has the ET of the year's mean",
    ),
    Slip(
        "models/forecast_skill.py",
        "own = lead == days",
        "own = lead != days",
        "skill of a lead is that of all others",
    ),
    Slip(
        "models/forecast_skill.py",
        "_mean((expected - rain_came)[own])",
        "_mean((expected + rain_came)[own])",
        "rain that came is added to what was expected of it",
    ),
    Slip(
        "models/turf.py",
        "kc_month=KC_COOL if cool else KC_WARM",
        "kc_month=KC_WARM if cool else KC_COOL",
        "cool-season turf drinks as warm-season turf does",
    ),
    Slip(
        "models/uneven_catch.py",
        "level = ground.wet_limit[:, None] + REFILL_LEVEL",
        "level = REFILL_LEVEL",
        "runs are played below the firmness limit",
    ),
    Slip(
        "models/metering.py",
        "missed = after - first > SEASON.longest_interval * usual",
        "missed = after - first > SEASON.longest_interval / usual",
        "an interval of the usual length counts as one that was missed",
    ),
    Slip(
        "models/metering.py",
        "    if tries is not None:\n        gain = gain - (1.0 - gain)",
        "    if tries is not None:\n        gain = gain - 0.0 * (1.0 - gain)",
        "the best of many tried is believed as if it were the only one",
    ),
    Slip(
        "models/practice.py",
        "owed = np.where(allowed[:, t], 0.0, owed)",
        "owed = np.where(allowed[:, t], owed, 0.0)",
        "what a run has replaced is owed again, what it has not is forgotten",
    ),
    Slip(
        "models/probe_standstill.py",
        "real = (s[1:] == s[:-1]) & (change > 1e-6)",
        "real = change > 1e-6",
        "the finest step of a sensor may lie between two sensors",
    ),
    Slip(
        "models/probe_record.py",
        "(np.diff(at) > 1) | (np.diff(record.series[at]) != 0)",
        "(np.diff(record.series[at]) != 0)",
        "two faults of a sensor, days apart, are one",
    ),
    Slip(
        "models/probe_jumps.py",
        "enough = count >= OWN_PEAKS",
        "enough = count > OWN_PEAKS",
        "three peaks of a sensor do not yet tell its own",
    ),
    Slip(
        "models/quality.py",
        "spread = 1.5 * nanmedian",
        "spread = nanmedian",
        "a day's swing makes a temperature a fault",
    ),
    Slip(
        "models/salts.py",
        "return np.where((theta >= 0.0) & (theta <= 0.6), value, np.nan)",
        "return np.where(theta >= 0.0, value, np.nan)",
        "moisture beyond the fit still gives a permittivity",
    ),
    Slip(
        "models/plan/limits.py",
        "several & (most[:, :, None] > inputs.block_length[None])",
        "several & (most[:, :, None] < inputs.block_length[None])",
        "a zone of two sources is planned for more of a block than it has",
    ),
    Slip(
        "models/salt_step.py",
        "    if kept.any():",
        "    if kept.all():",
        "water kept for the date drains at once beside a zone that keeps none",
    ),
    Slip(
        "models/flushing.py",
        "1000.0 * largest_relative_depth * layers.depth",
        "1000.0 * largest_relative_depth",
        "a flush may pass any depth, however shallow the roots",
    ),
    Slip(
        "models/filter_ahead.py",
        "gone = at_night + (settled",
        "gone = (settled",
        "what drained in the night leaves no doubt",
    ),
    Slip(
        "models/filter_readings.py",
        "(2 * setup.spreads.bias) ** 2 + innovation[again] ** 2",
        "(2 * setup.spreads.bias) ** 2",
        "a sensor heard afresh is not taken to be off by what it was",
    ),
    Slip(
        "models/learning.py",
        "off = value[i] - looks[i] @ mean",
        "off = value[i] + looks[i] @ mean",
        "a spot that agrees counts less than one that does not",
    ),
    Slip(
        "models/spot_fit.py",
        "self.speaks[k] = self.gain[k] > 0.1 and (not under or",
        "self.speaks[k] = (not under or",
        "a sensor that moves against its balance teaches it",
    ),
    Slip(
        "models/night/steady.py",
        "cost = self.cost[starts + length] - self.cost[starts]",
        "cost = self.cost[starts + length] + self.cost[starts]",
        "late hours cost more than early ones at one price",
    ),
    Slip(
        "models/night/giving_way.py",
        "self.spare[row, start:end] += sign * amount",
        "self.spare[row, start:end] += sign",
        "a later rank that was taken off still lends its place",
    ),
    Slip(
        "models/night/giving_way.py",
        "lack += np.maximum(amount",
        "lack -= np.maximum(amount",
        "room is made where most must give way",
    ),
    Slip(
        "models/night/blocks.py",
        '"rank": lambda k: (self._rank(blocks[k].zones), -blocks[k].starts',
        '"rank": lambda k: (self._rank(blocks[k].zones), blocks[k].starts',
        "programmes of many starts are laid last",
    ),
    Slip(
        "models/night/blocks.py",
        "self.late += float(",
        "self.late -= float(",
        "what is late makes a laying better",
    ),
    Slip(
        "models/night/outcome.py",
        "grid_start=board.first * job.grid_min",
        "grid_start=board.first / job.grid_min",
        "flows of a night begin at another hour",
    ),
    Slip(
        "models/plan/weathers.py",
        "worth = inputs.tail * prices.insured",
        "worth = inputs.tail",
        "the driest weathers cost next to nothing",
    ),
)


def tests_of(file: str) -> list[str]:
    """Tests of the room a file is in."""
    return next(tests for room, tests in sorted(TESTS.items(), reverse=True) if file.startswith(room))


def changed(slip: Slip) -> Mutant:
    """Make the change.

    Raises
    ------
    ValueError   The text does not stand there exactly once any more.
    """
    path = ROOT / slip.file
    code = path.read_text(encoding="utf-8")
    if code.count(slip.was) != 1:
        raise ValueError(f"{slip.file}: {code.count(slip.was)} times {slip.was!r}")
    line = code[: code.index(slip.was)].count("\n") + 1
    return Mutant(path, "slip", line, code.replace(slip.was, slip.now), slip.was, slip.now)


def main() -> None:
    """Make every slip and tell which no test notices."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="part of a meaning or a file")
    parser.add_argument("--quick", type=float, default=QUICK, help="seconds of processor time one test may take")
    given = parser.parse_args()
    slips = [
        s
        for s in (*SLIPS, *(Slip(*one) for one in (*MORE, *OF_ROOMS)))
        if given.only in s.meaning or given.only in s.file
    ]
    killed = 0

    def judge(killed_by: Callable[[Mutant], str | None]) -> None:
        nonlocal killed
        for slip in slips:
            try:
                one = changed(slip)
            except ValueError as gone:  # the code has moved on: write the slip anew
                sys.stdout.write(f"GONE   {gone}: {slip.meaning}\n")
                continue
            lives = killed_by(one) is None
            killed += not lives
            sys.stdout.write(f"{'LIVES ' if lives else 'killed'} {slip.file}:{one.line} {slip.meaning}\n")
            sys.stdout.flush()

    run(sorted({t for s in slips for t in tests_of(s.file)}), Session(given.quick, MOST, judge))
    sys.stdout.write(f"{killed} of {len(slips)} killed\n")


if __name__ == "__main__":
    main()
