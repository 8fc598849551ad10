"""Which zones need salt flushed, how deep, by when and on which nights they may: what the plan is given.

A zone comes into question when the mean ECe of its roots passes the limit, now or in the horizon, under plain upkeep
and the rain of the forecast. The limit is the turf's threshold, raised where the water itself does not allow it: a
flush must last `LEAST_REST` days. The target is a share of the limit by the mean over the roots: a deeper flush lasts
longer, but wastes water on soil that holds little salt by then. Measured over 180 days of 4 to 6.5 mm ET on water of
1.4 dS/m (sand green, threshold 3.7): 0.60 took 11 % more water than ET, 0.75 took 8 %, 0.85 took 6 % in 24 flushes; the
textbook's leaching requirement every night 8 to 9 %.

A zone far above its limit is flushed in stages, each from what the one before did: how far a deep flush reaches hangs
on how a soil leaches, which nobody knows before. Measured on the first flush of 48 zones at 1.1 to 2.5 times their
threshold in each of eleven finer soils (tests/end_to_end/first_flush.py), target 0.75: ECe was within 20 % of its
forecast after 58 % of the flushes that passed up to all the pore water, 88 % up to 0.4 and 94 % up to a third of it.
Where but one of several nights allows a flush, it is not cut into stages.

What is not known for sure is counted in: zones are judged by their ECe and `WARY` of its standard deviation, which
counts an eighth of it at most. Measured over 150 evenings in a finer soil (tests/bench/bench_reclaimed.py): 29 of 564
zone-days over the threshold were left, for 5.4 % more water than plain replacement of ET took; leaching every night
took 8.9 %. Over 90 evenings without any probe 27 of 324 were left for 8.3 %, against 8.7 %; with a target of 0.75 and a
spread that counted in full none, but for 12.5 %.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from models.flushing import flush_depth
from models.layers import LayeredState, Layers, ece_of, root_zone_ece, some_layers, state_from_ece
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.inputs import PlanInputs
from models.salt_balance import layered_day, lead_in
from models.salts import hoffman_depth, salt_stress
from scheduler.events import protected_nights
from scheduler.notes import Note
from scheduler.salinity.evening import SaltState
from scheduler.salinity.history import SLOW
from scheduler.salinity.upkeep import ece_with_upkeep, upkeep_depths
from scheduler.site import Site

TARGET_SHARE = 0.85  # [-] of the limit a flush brings the mean ECe to; measured, see above
WARY = 0.65  # [-] standard deviations of the ECe by which a zone may be saltier than believed; measured, see above
WIDEST = 0.125  # [-] of the ECe that a standard deviation counts at most: that nobody measured is no reason to flush
LEAST_REST = 7.0  # [d] a flush must last; our choice
FLOOR_MARGIN = 1.25  # [-] the limit is never nearer to what endless flushing ends at; our choice
TARGET_MARGIN = 1.1  # [-] nor the target; our choice
LARGEST_SHARE = 1.0  # [-] of the root zone's water at field capacity that flushing a zone passes at most; our choice
STAGE_SHARE = 1.0 / 3.0  # [-] of the same that one of several flushes passes at most; measured, see above
SMALLEST = 2.0  # [mm] less cannot be told from uneven watering; our choice
SALTIER_PART = 1.25  # [-] ECe of the saltier part of a zone against its mean, where harm is judged; our choice
MOST_OWED = 3.0  # [-] flushes owed at the end of the horizon that count at most; our choice
AFTER = 7  # [d] beyond the horizon over which waiting is judged
STORM = 1.0  # [mm] of rain drained on a date that counts as a storm


@dataclass(frozen=True)
class FlushCandidates:
    """The zones in question and why; arrays over them, (F,) unless said.

    Parameters
    ----------
    needs : FlushNeeds             What the plan takes.
    ece_now : ndarray              Mean ECe tonight [dS/m].
    layer_ece : ndarray (F, L)     ECe by layer tonight [dS/m].
    limit, target : ndarray        Limit of the mean ECe and what the flush brings it to [dS/m].
    passes : ndarray               Night after which the limit is passed without a flush, 0 if it is now.
    by : tuple of date             Last night on which the flush is in time.
    hoffman : ndarray              Drainage by Hoffman's relation, for comparison [mm].
    staged : ndarray               More flushes will be needed: one cannot do it.
    reason : tuple of str
    spared : tuple of str          Zone ids whose flush the forecast rain does.
    notes : tuple of Note
    """

    needs: FlushNeeds
    ece_now: np.ndarray
    layer_ece: np.ndarray
    limit: np.ndarray
    target: np.ndarray
    passes: np.ndarray
    by: tuple[date, ...]
    hoffman: np.ndarray
    staged: np.ndarray
    reason: tuple[str, ...]
    spared: tuple[str, ...]
    notes: tuple[Note, ...]


def flush_needs(
    site: Site, salt: SaltState, plan: PlanInputs, dates: tuple[date, ...], depletion_fraction: np.ndarray
) -> FlushCandidates:
    """Find the zones that need a flush within the horizon.

    Parameters
    ----------
    site : Site
    salt : SaltState
    plan : PlanInputs      Demand, rain, supplies and blocks of the nights.
    dates : tuple of date  The nights.
    depletion_fraction : ndarray (Z, N)   p [-].

    Returns
    -------
    FlushCandidates   With no zones where nothing is due.
    """
    zones = site.zones
    supply_ec = plan.supply_share @ _source_ec(site)
    open_ec = np.where(plan.zone_supply, supply_ec[None, :], np.inf)
    best_ec = open_ec.min(axis=1)
    rise = plan.etc.mean(axis=1) * salt.source_ec / salt.layers.paste_water.sum(axis=1)
    floor = best_ec * (salt.layers.field_capacity / salt.layers.paste).mean(axis=1)
    limit = zones.ece_threshold.astype(float)
    asked = np.flatnonzero(zones.drained & salt.known)
    left = _left_by_largest(some_layers(salt.layers, asked))
    limit[asked] = working_limit(limit[asked], floor[asked], rise[asked], left)
    wary = saltier(salt)
    highest = wary.mean + (plan.etc.sum(axis=1) + plan.depletion) * salt.source_ec / salt.layers.paste_water.sum(axis=1)
    maybe = np.flatnonzero(zones.drained & salt.known & (np.nan_to_num(highest) > limit))
    if not maybe.size:
        return nobody(dates, supply_ec.size, salt.layers.count)
    view = _look_ahead(wary, maybe, plan, depletion_fraction)
    n = len(dates)
    over = view.mean[:, 1 : n + 1] > limit[maybe, None]
    due = over.any(axis=1) | (view.mean[:, 0] > limit[maybe])
    rained = _storm_does_it(view, limit[maybe], n) & due
    spared = tuple(str(zones.zone[z]) for z in maybe[rained])
    row = np.flatnonzero(due & ~rained)
    if not row.size:
        return nobody(dates, supply_ec.size, salt.layers.count, spared)
    z = maybe[row]
    passes = np.where(view.mean[row, 0] > limit[z], 0, over[row].argmax(axis=1))
    target = np.maximum(
        np.minimum(TARGET_SHARE * limit[z], limit[z] - LEAST_REST * rise[z]), TARGET_MARGIN * floor[z]
    )  # fmt: skip
    allowed = ~protected_nights(site, dates)[z] & plan.allowed[z].any(axis=2)
    once = (allowed.sum(axis=1) == 1) & (n > 1)
    share = np.where(once, LARGEST_SHARE, STAGE_SHARE)  # of one night all is made
    most = np.minimum(
        share * salt.layers.full_water[z].sum(axis=1),
        2.0 * plan.max_run[z] * plan.net_rate[z] - plan.depletion[z],
    )
    most = np.maximum(most, SMALLEST)
    part = some_layers(salt.layers, z)
    before = view.at(row, passes)
    depth, reached, staged = _depths(part, before, target, open_ec[z], most)
    wet = view.storm[row]
    if (wet >= 0).any():  # salt the forecast rain carries off need not be flushed
        after, left, few = _depths(part, view.at(row, np.maximum(wet + 1, passes)), target, open_ec[z], most)
        better = (wet >= 0) & (np.nanmin(after, axis=1) < np.nanmin(depth, axis=1))
        depth = np.where(better[:, None], after, depth)
        reached, staged = np.where(better, left, reached), np.where(better, few, staged)
    else:
        better = np.zeros(row.size, dtype=bool)
    # Against the target even where one flush does not reach it: a stage put off puts off those after it.
    harm = _avoidable(view.mean[row, 1:], limit[z], target, zones.ece_threshold[z], zones.ece_slope[z])
    etc = np.concatenate((plan.etc[z], np.repeat(plan.etc[z].mean(axis=1, keepdims=True), AFTER, axis=1)), axis=1)
    harm *= etc
    depth = np.where(np.isnan(depth), np.nan, np.maximum(depth, SMALLEST))
    lasts = np.maximum((limit[z] - reached) / np.maximum(rise[z], 1e-6), 1.0)
    leach = upkeep_depths(plan, z, allowed, limit[z], salt.source_ec[z])
    tonight = view.at(row, np.zeros(row.size, dtype=np.int64))
    kept = ece_with_upkeep(
        plan, z, (part, tonight), leach, salt.source_ec[z], depletion_fraction[z], SLOW, AFTER
    )  # fmt: skip
    still = _avoidable(kept, limit[z], target, zones.ece_threshold[z], zones.ece_slope[z]) * etc
    room = np.maximum(limit[z] - reached, 1e-3)
    upkeep = Upkeep(
        depth=leach,
        harm=still[:, :n],
        harm_after=still[:, n:].sum(axis=1),
        owed=np.clip((kept[:, n - 1] - reached) / room, 0.0, MOST_OWED),
        owed_without=np.clip((view.mean[row, n] - reached) / room, 0.0, MOST_OWED),
    )
    late = harm[:, n:].sum(axis=1)
    needs = FlushNeeds(
        z.astype(np.int64), depth, allowed, harm[:, :n], late, lasts=lasts, held=SLOW * plan.etc[z], upkeep=upkeep
    )  # fmt: skip
    by = tuple(dates[i] for i in _in_time(allowed, passes))
    return FlushCandidates(
        needs=needs,
        ece_now=salt.mean[z],
        layer_ece=salt.ece[z],
        limit=limit[z],
        target=reached,
        passes=passes,
        by=by,
        hoffman=hoffman_depth(root_zone_ece(part, ece_of(part, before)), np.maximum(reached, 1e-6), part.depth),
        staged=staged,
        reason=_reasons(site, z, salt, limit[z], reached, passes, dates, allowed, staged, better, floor[z]),
        spared=spared,
        notes=_notes(site, z, allowed, spared),
    )


def saltier(salt: SaltState) -> SaltState:
    """The same state with every layer's ECe raised by `WARY` of the zone's uncertainty, `WIDEST` of its ECe at most."""
    more = 1.0 + WARY * np.minimum(np.nan_to_num(salt.spread / np.maximum(salt.mean, 1e-6)), WIDEST)
    return replace(salt, ece=salt.ece * more[:, None])


def working_limit(threshold: np.ndarray, floor: np.ndarray, rise: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Mean ECe above which a zone asks for a flush [dS/m]: the turf's threshold, or what its water allows.

    The largest flush takes a zone from L to floor + left (L - floor), as the layers are linear in salt; it lasts
    `LEAST_REST` days where L >= floor + LEAST_REST rise / (1 - left).

    Parameters
    ----------
    threshold, floor : ndarray (Z,)   The turf's limit; what endless flushing with the best water ends at [dS/m].
    rise : ndarray (Z,)               Daily rise of the mean ECe under plain upkeep [dS/m/d].
    left : ndarray (Z,)               Share of the salt above the floor that the largest flush leaves [-].
    """
    lasts = floor + LEAST_REST * rise / (1.0 - left)
    return np.maximum(threshold, np.maximum(FLOOR_MARGIN * floor, lasts))


def _left_by_largest(layers: Layers) -> np.ndarray:
    """Share of evenly spread salt that the largest flush leaves, with clean water (Z,) [-]."""
    even = state_from_ece(layers, np.zeros(layers.zones), 1.0)
    return root_zone_ece(
        layers, ece_of(layers, lead_in(layers, even, LARGEST_SHARE * layers.full_water.sum(axis=1), 0.0))
    )


@dataclass(frozen=True)
class _View:
    """Plain upkeep over the horizon and the days after; M zones, T = N + AFTER dates.

    mean (M, T + 1) with tonight first; state (T + 1 of them); storm (M,): last date within the horizon on which rain
    drained, -1 without one.
    """

    mean: np.ndarray
    states: tuple[LayeredState, ...]
    storm: np.ndarray

    def at(self, row: np.ndarray, step: np.ndarray) -> LayeredState:
        """State of each row at the opening of its own night."""
        depletion = np.stack([s.depletion for s in self.states])[step, row]
        return LayeredState(depletion, np.stack([s.salt for s in self.states])[step, row])


def _look_ahead(salt: SaltState, zones: np.ndarray, plan: object, fraction: np.ndarray) -> _View:
    """Run the zones with ET less rain replaced every night, without any flush."""
    part = some_layers(salt.layers, zones)
    state = state_from_ece(part, salt.depletion[zones], salt.ece[zones])
    etc, rain, p = plan.etc[zones], plan.effective_rain[zones], fraction[zones]  # type: ignore[attr-defined]
    n = etc.shape[1]
    mean = [root_zone_ece(part, ece_of(part, state))]
    states, storm = [state], np.full(zones.size, -1)
    for i in range(n + AFTER):
        demand = etc[:, i] if i < n else etc.mean(axis=1)
        fall = rain[:, i] if i < n else np.zeros(zones.size)
        share = p[:, i] if i < n else p[:, -1]
        water = np.minimum(state.total_depletion, np.maximum(demand - fall, 0.0))
        day = layered_day(part, state, water, salt.source_ec[zones], demand, fall, share, slow=SLOW)
        state = day.state
        states.append(state)
        mean.append(root_zone_ece(part, ece_of(part, state)))
        storm = np.where(day.drainage > STORM, i, storm)
    return _View(np.stack(mean, axis=1), tuple(states), storm)


def _storm_does_it(view: _View, limit: np.ndarray, nights: int) -> np.ndarray:
    """Zones that stand within their limit from a storm in the forecast until the end of the horizon."""
    step = np.arange(1, nights + 1)[None, :]
    since = step > view.storm[:, None]
    return (view.storm >= 0) & ((view.mean[:, 1 : nights + 1] <= limit[:, None]) | ~since).all(axis=1)


def _depths(
    part: Layers, before: LayeredState, target: np.ndarray, open_ec: np.ndarray, most: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Drainage with each supply (F, K) [mm], the ECe it reaches (F,), and whether one flush is not enough (F,).

    Where a supply that could reach the target in the end does not do so within `most`, one flush goes as far as the
    poorest of such supplies takes it: otherwise every such flush would be left to the best water alone.
    """
    best_ec = open_ec.min(axis=1)
    widest = float((most / (1000.0 * part.depth)).max()) * 1.01
    share = (part.field_capacity / part.paste).mean(axis=1)
    able = (TARGET_MARGIN * open_ec * share[:, None] <= target[:, None] + 1e-9) | (open_ec == best_ec[:, None])
    able &= np.isfinite(open_ec)
    needed, reach = np.full(open_ec.shape, np.nan), np.full(open_ec.shape, np.nan)
    for k in np.flatnonzero(able.any(axis=0)):
        rows = np.flatnonzero(able[:, k])
        some = (some_layers(part, rows), LayeredState(before.depletion[rows], before.salt[rows]))
        found = flush_depth(*some, target[rows], open_ec[rows, k], largest_relative_depth=widest)
        needed[rows, k] = np.where(found.drainage <= most[rows], found.drainage, np.nan)
        led = lead_in(*some, some[1].total_depletion + most[rows], open_ec[rows, k])
        reach[rows, k] = root_zone_ece(some[0], ece_of(some[0], led))
    staged = (able & np.isnan(needed)).any(axis=1)
    if not staged.any():
        return needed, target, staged
    target = np.where(staged, np.where(able, reach, 0.0).max(axis=1), target)
    poorest = np.where(able, reach, 0.0).argmax(axis=1)
    for k in np.flatnonzero((able & staged[:, None]).any(axis=0)):
        rows = np.flatnonzero(able[:, k] & staged)
        some = (some_layers(part, rows), LayeredState(before.depletion[rows], before.salt[rows]))
        found = flush_depth(*some, target[rows] + 1e-6, open_ec[rows, k], largest_relative_depth=widest)
        needed[rows, k] = np.where(poorest[rows] == k, most[rows], np.minimum(found.drainage, most[rows]))
    return needed, target, staged


def _avoidable(
    ece: np.ndarray, limit: np.ndarray, target: np.ndarray, threshold: np.ndarray, slope: np.ndarray
) -> np.ndarray:
    """Share of ET lost on each date because the zone was not flushed (F, T) [-]: above the limit, in its saltier part.

    Ks by FAO-56 Eq. 90 at 1.25 times the mean ECe, against Ks at 1.25 times the target.
    """
    now = salt_stress(SALTIER_PART * ece, threshold[:, None], slope[:, None])
    then = salt_stress(SALTIER_PART * target, threshold, slope)[:, None]
    return np.where(ece > limit[:, None], np.maximum(then - now, 0.0), 0.0)


def _in_time(allowed: np.ndarray, passes: np.ndarray) -> list[int]:
    """Last night a flush may run before the limit is passed; the night of passing where none may."""
    night = np.arange(allowed.shape[1])[None, :]
    open_before = allowed & (night <= passes[:, None])
    last = allowed.shape[1] - 1 - open_before[:, ::-1].argmax(axis=1)
    return np.where(open_before.any(axis=1), last, passes).tolist()


def _reasons(
    site: Site,
    z: np.ndarray,
    salt: SaltState,
    limit: np.ndarray,
    target: np.ndarray,
    passes: np.ndarray,
    dates: tuple[date, ...],
    allowed: np.ndarray,
    staged: np.ndarray,
    rained: np.ndarray,
    floor: np.ndarray,
) -> tuple[str, ...]:
    """One sentence a candidate."""
    threshold, words = site.zones.ece_threshold[z], []
    for i in range(z.size):
        upper, lower = salt.ece[z[i]]
        text = f"ECe {salt.mean[z[i]]:.1f} dS/m (upper half {upper:.1f}, lower half {lower:.1f}) "
        bound = f"the limit of {limit[i]:.1f}"
        if limit[i] > threshold[i] + 0.005:
            bound += f" (its turf wants {threshold[i]:.1f}; with this water a flush to that would not last a week)"
        day = dates[int(passes[i])] + timedelta(days=1)
        if salt.mean[z[i]] > limit[i]:
            text += f"is above {bound}"
        else:
            text += f"passes {bound} on {day.day} {day:%B}"
            if salt.spread[z[i]] > 0.05:
                more = WARY * min(salt.spread[z[i]], WIDEST * salt.mean[z[i]])
                text += f", as it may be {more:.1f} saltier than believed"
        text += f"; a flush brings it to {target[i]:.1f}"
        if staged[i]:
            text += ", which is what one flush can do: another will be needed"
        if target[i] < TARGET_MARGIN * floor[i] + 0.01 and not staged[i]:
            text += ", the least this water can reach"
        if rained[i]:
            text += "; less water is needed because of the rain in the forecast"
        if not allowed[i].any():
            text += "; no night of these allows it (events, fertigation or orders)"
        elif not allowed[i, : passes[i] + 1].any():
            text += "; no night in time allows it (events, fertigation or orders)"
        words.append(text)
    return tuple(words)


def _notes(site: Site, z: np.ndarray, allowed: np.ndarray, spared: tuple[str, ...]) -> tuple[Note, ...]:
    notes = []
    shut = [str(site.zones.zone[i]) for i in z[~allowed.any(axis=1)]]
    if shut:
        text = f"a flush is due and no night of these allows it: {_some(shut)}"
        notes.append(Note("warning", "salts", text))
    if spared:
        notes.append(Note("info", "salts", f"no flush where the forecast rain is expected to do it: {_some(spared)}"))
    return tuple(notes)


def _some(names: list[str] | tuple[str, ...]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _source_ec(site: Site) -> np.ndarray:
    """ECw of each source, as the plan counts them (W,) [dS/m]."""
    return np.nan_to_num(np.array([s.ec for s in site.sources] or [0.0], dtype=float))


def nobody(
    dates: tuple[date, ...], supplies: int, layers: int, spared: tuple[str, ...] = ()
) -> FlushCandidates:  # fmt: skip
    """No zone in question, over so many supplies and layers of soil."""
    none, n = np.zeros(0), len(dates)
    needs = FlushNeeds(
        np.zeros(0, dtype=np.int64), np.zeros((0, supplies)), np.zeros((0, n), dtype=bool), np.zeros((0, n)), none
    )
    notes = ()
    if spared:
        notes = (Note("info", "salts", f"no flush where the forecast rain is expected to do it: {_some(spared)}"),)
    return FlushCandidates(
        needs, none, np.zeros((0, layers)), none, none, none.astype(int), (), none, none.astype(bool), (), spared, notes
    )
