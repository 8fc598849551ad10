"""What the same season would have taken under plain practice: simulations, never records.

Three practices over the same weather, soils and limits: ET replaced in full by a coefficient a surface, a programme of
fixed days set for the hottest month, and the log of a base year repeated. The log itself goes through the same
balance, so that like is set beside like. Each runs for a few pictures of what is not known, and the band is their least
and most: the coefficient used and the turf's true ET each 10 % less and more, the water a soil holds 20 % less and more
(our choice; no source gives the spread of a site).

A night's flow is held to the branches, the pumps, the permits of a day and the allocation where it is a hard limit;
start times are not packed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from models.choices import SALT, TOLD
from models.layers import LayeredState, Layers, ece_of, root_zone_ece, state_from_ece
from models.practice import replace_et, weekly_programme, within_limits, within_total
from models.salt_balance import layered_day
from models.soil import run_balance
from scheduler.events import event_nights
from scheduler.salinity.readings import site_layers
from scheduler.season.turf import Turf, limits_of
from scheduler.site import Site
from scheduler.site.windows import night_windows
from scheduler.state.demand import zone_etc, zone_rain
from scheduler.supply import fits_alone, usual_source_ec

# practice's coefficient, the turf's true ET, water the soil holds; each against what the site's files say [-]
PICTURES = (
    (1.0, 1.0, 1.0),
    (1.0, 0.9, 1.0),
    (1.0, 1.1, 1.0),
    (0.9, 1.0, 1.0),
    (1.1, 1.0, 1.0),
    (1.0, 1.0, 0.8),
    (1.0, 1.0, 1.2),
)
MANY = 400  # nights above which only the first three pictures are drawn, without salts
PROGRAMME_NIGHTS = 3  # runs a week of the fixed programme; common practice, no source
L_PER_M3 = 1000.0


@dataclass(frozen=True)
class Outcome:
    """One practice in one picture, over all zones of zones.csv.

    water : [m3];  dry, soft : zone-days;  ece_end : mean ECe at the end over the zones followed [dS/m], NaN if none;
    above : zone-days above the salt threshold.
    """

    water: float
    dry: int
    soft: int
    ece_end: float
    above: int


@dataclass(frozen=True)
class Practice:
    """A practice with its pictures, the first of them the middle one.

    key : "as_logged", "et_replacement", "fixed_programme" or "base_year".
    """

    key: str
    outcomes: tuple[Outcome, ...]


def plain_practices(
    site: Site, days: pd.DataFrame, turf: Turf, logged: np.ndarray, base: np.ndarray | None, ece_start: np.ndarray
) -> tuple[Practice, ...]:
    """Simulate the season under each practice.

    Parameters
    ----------
    site : Site
    days : DataFrame             date, eto, rain of the season, none missing.
    turf : Turf                  Where zones stood at the first opening.
    logged : ndarray (Z, N)      The log [m3].
    base : ndarray (Z, N)        The log of the base year on the same days [m3]; None without one.
    ece_start : ndarray (Z, 2)   ECe at the first opening [dS/m], NaN = not followed.
    """
    pictures = PICTURES if len(days) <= MANY else PICTURES[:3]
    etc, (rain, _) = zone_etc(site, days), zone_rain(site, days)
    allowed, groups, longest = _limits(site, days)
    per_mm = site.zones.area / L_PER_M3 / site.net_share  # m3 for one mm net

    def held(net: np.ndarray) -> np.ndarray:
        volume = within_limits(net * per_mm[:, None], longest, groups)
        rule = site.allocation
        hard = rule.volume - rule.used_before if rule is not None and not rule.tiers else np.inf
        return within_total(volume, max(hard, 0.0))

    surface_kc = _surface_coefficient(site, days)
    need = surface_kc * days["eto"].to_numpy()[None, :]
    weekly = 7.0 * _hottest_month(days, need)
    weekday = days["date"].dt.weekday.to_numpy()
    run_on = _programme_days(weekday, allowed)
    asked: list[tuple[str, list[np.ndarray]]] = [("as_logged", [logged] * len(pictures))]
    by_factor = {f: held(replace_et(f * need, rain, allowed)) for f in {p[0] for p in pictures}}
    asked.append(("et_replacement", [by_factor[p[0]] for p in pictures]))
    by_factor = {f: held(weekly_programme(f * weekly, weekday, run_on, allowed)) for f in {p[0] for p in pictures}}
    asked.append(("fixed_programme", [by_factor[p[0]] for p in pictures]))
    if base is not None:
        asked.append(("base_year", [within_limits(base, longest, groups)] * len(pictures)))
    water = [v for _, v in asked]
    if len(days) <= MANY:
        outcomes = _play(site, days, etc, rain, turf.start, ece_start, pictures, water, per_mm)
    else:
        outcomes = _water_only(site, days, etc, rain, turf.start, pictures, water, per_mm)
    return tuple(Practice(key, tuple(found)) for (key, _), found in zip(asked, outcomes, strict=True))


def _surface_coefficient(site: Site, days: pd.DataFrame) -> np.ndarray:
    """Mean Kc of each zone's surface by area, on every date, (Z, N) [-]: plain practice knows no zone."""
    zones, month = site.zones, days["date"].dt.month.to_numpy() - 1
    found = np.empty((len(zones), len(days)))
    for surface in set(zones.surface):
        of = zones.surface == surface
        mean = zones.area[of] @ zones.kc_month[of] / zones.area[of].sum()
        found[of] = mean[month]
    return found


def _hottest_month(days: pd.DataFrame, need: np.ndarray) -> np.ndarray:
    """Mean daily need in the month that asks most, (Z,) [mm]."""
    month = days["date"].dt.to_period("M").astype(str).to_numpy()
    names, counts = np.unique(month, return_counts=True)
    whole = names[counts >= min(15, counts.max())]
    return np.max([need[:, month == m].mean(axis=1) for m in whole], axis=0)


def _programme_days(weekday: np.ndarray, allowed: np.ndarray) -> Sequence[int]:
    """Three weekdays of those most often allowed, as far apart as they come: Monday, Wednesday, Friday if all are."""
    often = [float(allowed[:, weekday == d].mean()) if (weekday == d).any() else 0.0 for d in range(7)]
    best = max(often)
    open_days = [d for d in range(7) if often[d] >= 0.5 * best and best > 0]
    usual = [d for d in (0, 2, 4) if d in open_days]
    if len(usual) == PROGRAMME_NIGHTS or len(open_days) <= PROGRAMME_NIGHTS:
        return usual if len(usual) == PROGRAMME_NIGHTS else open_days
    return [open_days[round(i * (len(open_days) - 1) / (PROGRAMME_NIGHTS - 1))] for i in range(PROGRAMME_NIGHTS)]


def _limits(site: Site, days: pd.DataFrame) -> tuple[np.ndarray, list[tuple[np.ndarray, np.ndarray]], np.ndarray]:
    """Where zones may run (Z, N), what they share (members (G, Z), limits (G, N) [m3]), and each zone's most (Z,)."""
    zones = site.zones
    nights = tuple(d.date() for d in days["date"])
    minutes, allowed = np.zeros(len(nights)), np.zeros((len(zones), len(nights)), dtype=bool)
    known: dict[tuple[object, ...], tuple[float, np.ndarray]] = {}
    for i, night in enumerate(nights):
        key = (night.weekday(), *(r.stands(night) for r in site.restrictions))
        if key not in known:
            window = night_windows(site, night, 1)[0]
            known[key] = float(sum(b - a for a, b in window.pieces)), window.mask(zones.surface).any(axis=1)
        minutes[i], allowed[:, i] = known[key]
    allowed &= ~event_nights(site, nights).dry & fits_alone(site)[:, None]
    litres = minutes[None, :] * 60.0 / L_PER_M3
    groups: list[tuple[np.ndarray, np.ndarray]] = []
    for of_zone, parts in ((zones.branch, site.branches), (zones.pump, site.pumps)):
        if parts:
            member = (of_zone[None, :] == np.arange(len(parts))[:, None]).astype(float)
            groups.append((member, np.array([p.capacity for p in parts])[:, None] * litres))
    daily = np.array([s.daily_limit for s in site.sources])
    if np.isfinite(daily).any():
        first = np.array([s[0] if s else 0 for s in zones.sources])
        member = (first[None, :] == np.arange(len(daily))[:, None]).astype(float)
        groups.append((member, np.repeat(daily[:, None], len(nights), axis=1)))
    longest = np.minimum(zones.max_run, minutes.max(initial=0.0)) * zones.flow * 60.0 / L_PER_M3
    return allowed, groups, longest


def _play(
    site: Site,
    days: pd.DataFrame,
    etc: np.ndarray,
    rain: np.ndarray,
    start: np.ndarray,
    ece_start: np.ndarray,
    pictures: Sequence[tuple[float, float, float]],
    water: Sequence[Sequence[np.ndarray]],
    per_mm: np.ndarray,
) -> list[list[Outcome]]:
    """Run all practices and pictures side by side through the layered balance."""
    z, k, m = len(site.zones), len(water), len(pictures)
    held, truth = (np.tile(np.repeat([p[i] for p in pictures], z), k) for i in (2, 1))
    layers = _stacked(site_layers(site), held)
    followed = np.isfinite(ece_start).all(axis=1)
    whole = layers.available.sum(axis=1)
    ece = np.tile(np.nan_to_num(ece_start), (k * m, 1))
    runs = _Runs(
        copies=k * m,
        layers=layers,
        state=state_from_ece(layers, np.minimum(np.tile(start, k * m), whole), ece),
        net=np.concatenate([v / per_mm[:, None] for members in water for v in members]),
        held=held,
        truth=truth,
        salty=np.tile(followed, k * m),
    )
    dry, soft, above, mean = (a.reshape(k, m, z) for a in _counted(site, days, etc, rain, runs))
    return [
        [
            Outcome(
                float(water[i][j].sum()), int(dry[i, j].sum()), int(soft[i, j].sum()),
                float(mean[i, j][followed].mean()) if followed.any() else float("nan"), int(above[i, j].sum()),
            )
            for j in range(m)
        ]
        for i in range(k)
    ]  # fmt: skip


@dataclass(frozen=True)
class _Runs:
    """All zones once for each practice and picture, R rows.

    layers, state : Layers, LayeredState
    net : ndarray (R, N)             Net water of each night [mm].
    held, truth : ndarray (R,)       What the soil holds and the turf asks for, against what was told [-].
    salty : ndarray (R,)             Whether salts are followed.
    """

    copies: int
    layers: Layers
    state: LayeredState
    net: np.ndarray
    held: np.ndarray
    truth: np.ndarray
    salty: np.ndarray


def _counted(
    site: Site, days: pd.DataFrame, etc: np.ndarray, rain: np.ndarray, runs: _Runs
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Dry and soft days and days above the turf's salinity, and the mean ECe at the end, each (R,)."""
    layers, state, times = runs.layers, runs.state, runs.copies
    whole = layers.available.sum(axis=1)
    p, dry_limit, wet_limit = limits_of(site, etc, site.zones.taw, tuple(d.date() for d in days["date"]))
    source, threshold = (np.tile(v, times) for v in (usual_source_ec(site), site.zones.ece_threshold))
    dry, soft, above = (np.zeros(whole.size, dtype=np.int64) for _ in range(3))
    mean = np.zeros(whole.size)
    for n in range(len(days)):
        last = n + 1 >= len(days)
        date = n if last else n + 1  # the night of a date comes before the next date's ET
        asked = np.zeros_like(whole) if last else np.tile(etc[:, date], times) * runs.truth
        fell = np.zeros_like(whole) if last else np.tile(rain[:, date], times)
        opened, net = state.total_depletion, runs.net[:, n]
        state = layered_day(layers, state, net, source, asked, fell, np.tile(p[:, date], times), slow=SALT.slow).state
        soft += np.maximum(opened - net, 0.0) < np.tile(wet_limit[:, n], times) * runs.held - TOLD.apart * whole
        if not last:
            dry += state.total_depletion > np.tile(dry_limit[:, date], times) * runs.held + TOLD.apart * whole
        if runs.salty.any():
            mean = root_zone_ece(layers, ece_of(layers, state))
            above += runs.salty & (mean >= threshold)
    return dry, soft, above, mean


def _water_only(
    site: Site,
    days: pd.DataFrame,
    etc: np.ndarray,
    rain: np.ndarray,
    start: np.ndarray,
    pictures: Sequence[tuple[float, float, float]],
    water: Sequence[Sequence[np.ndarray]],
    per_mm: np.ndarray,
) -> list[list[Outcome]]:
    """Run practices and pictures through the one-layer balance, which knows no salt: the same water, less time."""
    taw = site.zones.taw
    p, dry_limit, wet_limit = limits_of(site, etc, taw, tuple(d.date() for d in days["date"]))

    def of_next(values: np.ndarray) -> np.ndarray:
        """Values of the date after each night; nothing after the last."""
        return np.concatenate((values[:, 1:], np.zeros((len(values), 1))), axis=1)

    found = []
    for members in water:
        outcomes = []
        for volume, (_, truth, hold) in zip(members, pictures, strict=True):
            whole, net = taw * hold, volume / per_mm[:, None]
            run = run_balance(np.minimum(start, whole), net, of_next(etc) * truth, of_next(rain), whole, of_next(p))
            opened = np.concatenate((np.minimum(start, whole)[:, None], run.depletion[:, :-1]), axis=1)
            edge = TOLD.apart * whole[:, None]
            soft = np.maximum(opened - net, 0.0) < wet_limit * hold - edge
            dry = run.depletion[:, :-1] > dry_limit[:, 1:] * hold + edge
            outcomes.append(Outcome(float(volume.sum()), int(dry.sum()), int(soft.sum()), float("nan"), 0))
        found.append(outcomes)
    return found


def _stacked(one: Layers, hold: np.ndarray) -> Layers:
    """The layers of all zones once for each run, holding more or less water above the wilting point."""
    arrays = {f.name: np.tile(getattr(one, f.name), (len(hold) // one.zones, 1)) for f in fields(one)}
    wilting = arrays["field_capacity"] - (arrays["field_capacity"] - arrays["wilting_point"]) * hold[:, None]
    arrays["wilting_point"] = np.maximum(wilting, 0.0)
    return replace(one, **arrays)
