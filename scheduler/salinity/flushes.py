"""Which zones need salt flushed, how deep, by when and on which nights they may: what the plan is given.

A zone comes into question when the mean ECe of its roots passes the limit, now or in the horizon, under plain upkeep
and the rain of the forecast. The limit is the turf's threshold, raised where the water itself does not allow it: a
flush must last a week (`models.choices.FLUSH` holds these numbers). The target is a share of the limit by the mean
over the roots: a deeper flush lasts longer, but wastes water on soil that holds little salt by then. Of 0.60, 0.75 and
0.85 the last took least water over 180 days on water of 1.4 dS/m (sand green; 11, 8 and 6 % more than ET), less than
the textbook's leaching requirement every night (8 to 9 %).

A zone far above its limit is flushed in stages, each from what the one before did: how far a deep flush reaches depends
on how a soil leaches, which nobody knows before. Of the first flushes of 48 zones at 1.1 to 2.5 times their threshold
in each of eleven finer soils (tests/end_to_end/first_flush.py) 98 % end within 20 % of their forecast with stages of a
third of the pore water at most, 83 % where salt disperses most. With stages of up to all of it 58 % did, up to 0.4 of
it 88 %. Where but one of several nights allows a flush, it is not cut into stages.

What is not known for sure is counted in: zones are judged by what three in five of such zones stay under, their ECe and
0.3 of its standard deviation. That counts 0.3 of the ECe at most, over gravel, where more leaches, 0.15, and 1.8 times
as much where no probe reads and nobody sampled: about what zones of tests/physics are off by, where told spreads are
wider. A day over the threshold is bought with about 0.6 mm on all zones (`tests/bench/README.md`).

Shares of water and larger stages were compared when ECe still went over porosity and not over the paste: they rank the
choices and are not figures of today. On the held-out soils of tests/physics (Richards' equation, uneven catch, probes
that read wrong) 62 % of 121 and 74 % of 129 flushes ended within 20 % of their forecast; of greens 76 % of 193, of tees
42 % of 57, before what lingers of a deep night was told on the next evening (`models.lingering`). What misses now is
where a zone was believed to stand, above all where it gets or wants other water than was told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property

import numpy as np

from models.choices import FLUSH, SALT
from models.layers import LayeredState, Layers, ece_of, root_zone_ece, some_layers, state_from_ece
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.inputs import PlanInputs
from models.salt_balance import layered_day
from scheduler.events import protected_nights
from scheduler.notes import Note
from scheduler.salinity.candidates import FlushCandidates, few_names, nobody, spared_notes
from scheduler.salinity.evening import SaltState
from scheduler.salinity.flush_depths import avoidable, flush_drainage, left_by_largest, working_limit
from scheduler.salinity.upkeep import ece_with_upkeep, upkeep_depths
from scheduler.site import Site

AFTER = 7  # [d] beyond the horizon over which waiting is judged
STORM = 1.0  # [mm] of rain drained on a date that counts as a storm


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
    frame = _frame(site, salt, plan, dates, depletion_fraction)
    maybe = _in_question(frame)
    if not maybe.size:
        return nobody(dates, frame.open_ec.shape[1], salt.layers.count)
    view = _look_ahead(frame, maybe)
    row, spared = _due(frame, view, maybe)
    if not row.size:
        return nobody(dates, frame.open_ec.shape[1], salt.layers.count, spared)
    due = _Due(frame, view, maybe[row], row)
    flush = _flushes(due)
    return FlushCandidates(
        needs=_needs(due, flush),
        ece_now=salt.mean[due.z],
        layer_ece=salt.ece[due.z],
        limit=due.limit,
        target=flush.reached,
        passes=due.passes,
        by=tuple(dates[i] for i in _in_time(due.allowed, due.passes)),
        rise=frame.rise[due.z],
        wary=_wary(salt)[due.z],
        staged=flush.staged,
        cause=_causes(due),
        beside=_beside(due, flush),
        spared=spared,
        notes=_notes(site, due.z, due.allowed, spared),
    )


@dataclass(frozen=True)
class _Frame:
    """An evening as salts see it; arrays over all zones.

    open_ec (Z, K): ECw of each supply, inf where it is shut to the zone;  rise (Z,): of the mean ECe under plain upkeep
    [dS/m/d];  floor (Z,): what endless flushing with the best water ends at;  limit (Z,): of the mean ECe [dS/m].
    """

    site: Site
    salt: SaltState
    plan: PlanInputs
    dates: tuple[date, ...]
    fraction: np.ndarray
    open_ec: np.ndarray
    rise: np.ndarray
    floor: np.ndarray
    limit: np.ndarray


@dataclass(frozen=True)
class _Due:
    """Zones that need a flush: their rows in the site (F,), and their rows in the look ahead."""

    frame: _Frame
    view: _View
    z: np.ndarray
    row: np.ndarray

    @property
    def limit(self) -> np.ndarray:
        return self.frame.limit[self.z]

    @cached_property
    def passes(self) -> np.ndarray:
        """Night after which the limit is passed without a flush, 0 if it is now, (F,)."""
        mean, limit = self.view.mean[self.row], self.limit
        over = mean[:, 1 : len(self.frame.dates) + 1] > limit[:, None]
        return np.where(mean[:, 0] > limit, 0, over.argmax(axis=1))

    @cached_property
    def target(self) -> np.ndarray:
        """ECe a flush should bring roots to, (F,) [dS/m]; where they are fed from below what comes stays in them."""
        return self._for_a_week(self.part.depth / self.part.rooted.sum(axis=1))

    @cached_property
    def enough(self) -> np.ndarray:
        """ECe from which no other flush need follow, (F,) [dS/m]."""
        return self._for_a_week(np.ones(self.z.size))

    def _for_a_week(self, faster: np.ndarray) -> np.ndarray:
        lasting = self.limit - FLUSH.least_rest * self.frame.rise[self.z] * faster
        wanted = np.minimum(FLUSH.target_share * self.limit, lasting)
        return np.maximum(wanted, FLUSH.target_margin * self.frame.floor[self.z])

    @cached_property
    def allowed(self) -> np.ndarray:
        """Nights on which a flush may run, (F, N)."""
        frame = self.frame
        return ~protected_nights(frame.site, frame.dates)[self.z] & frame.plan.allowed[self.z].any(axis=2)

    @cached_property
    def part(self) -> Layers:
        """Their layers."""
        return some_layers(self.frame.salt.layers, self.z)

    @cached_property
    def most(self) -> np.ndarray:
        """Most drainage of one flush, (F,) [mm]."""
        plan = self.frame.plan
        once = (self.allowed.sum(axis=1) == 1) & (len(self.frame.dates) > 1)
        share = np.where(once, FLUSH.largest_share, FLUSH.stage_share)  # of one night all is made
        longest = 2.0 * plan.max_run[self.z] * plan.net_rate[self.z] - plan.depletion[self.z]
        return np.maximum(np.minimum(share * self.part.full_water.sum(axis=1), longest), FLUSH.smallest)


@dataclass(frozen=True)
class _Flushes:
    """Drainage with each supply (F, K) [mm], ECe reached (F,) [dS/m], whether more follow, whether rain lessens it."""

    depth: np.ndarray
    reached: np.ndarray
    staged: np.ndarray
    rained: np.ndarray


def _frame(site: Site, salt: SaltState, plan: PlanInputs, dates: tuple[date, ...], fraction: np.ndarray) -> _Frame:
    zones, layers = site.zones, salt.layers
    supply_ec = plan.supply_share @ _source_ec(site)
    open_ec = np.where(plan.zone_supply, supply_ec[None, :], np.inf)
    rise = plan.etc.mean(axis=1) * salt.source_ec / layers.paste_water.sum(axis=1)
    floor = open_ec.min(axis=1) * (layers.field_capacity / layers.paste).mean(axis=1)
    limit = zones.ece_threshold.astype(float)
    asked = np.flatnonzero(zones.drained & salt.known)
    left = left_by_largest(some_layers(layers, asked))
    limit[asked] = working_limit(limit[asked], floor[asked], rise[asked], left)
    return _Frame(site, salt, plan, dates, fraction, open_ec, rise, floor, limit)


def _in_question(frame: _Frame) -> np.ndarray:
    """Zones that could pass their limit within the horizon at all."""
    salt, plan, layers = frame.salt, frame.plan, frame.salt.layers
    comes = (plan.etc.sum(axis=1) + plan.depletion) * salt.source_ec
    held = (saltier(salt).ece * layers.paste_water).sum(axis=1)
    highest = np.nan_to_num((held + comes) / (1000.0 * layers.paste * layers.rooted).sum(axis=1))
    return np.flatnonzero(frame.site.zones.drained & salt.known & (highest > frame.limit))


def _due(frame: _Frame, view: _View, maybe: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Rows of the look ahead that need a flush, and the ids of zones whose flush the forecast rain does."""
    n, limit = len(frame.dates), frame.limit[maybe]
    due = (view.mean[:, : n + 1] > limit[:, None]).any(axis=1)
    rained = _storm_does_it(view, limit, n) & due
    return np.flatnonzero(due & ~rained), tuple(str(frame.site.zones.zone[z]) for z in maybe[rained])


def _flushes(due: _Due) -> _Flushes:
    """How deep each flush must be, before or after the rain that comes."""
    open_ec = due.frame.open_ec[due.z]
    depth, reached, staged = flush_drainage(due.part, due.view.at(due.row, due.passes), due.target, open_ec, due.most)
    wet = due.view.storm[due.row]
    rained = np.zeros(due.row.size, dtype=bool)
    if (wet >= 0).any():  # salt the forecast rain carries off need not be flushed
        after_rain = due.view.at(due.row, np.maximum(wet + 1, due.passes))
        after, left, few = flush_drainage(due.part, after_rain, due.target, open_ec, due.most)
        rained = (wet >= 0) & (np.nanmin(after, axis=1) < np.nanmin(depth, axis=1))
        depth = np.where(rained[:, None], after, depth)
        reached, staged = np.where(rained, left, reached), np.where(rained, few, staged)
    staged &= reached > due.enough + 1e-9
    return _Flushes(np.where(np.isnan(depth), np.nan, np.maximum(depth, FLUSH.smallest)), reached, staged, rained)


def _needs(due: _Due, flush: _Flushes) -> FlushNeeds:
    """What the plan takes: depths, nights, the harm of waiting, and what upkeep would do in a flush's place."""
    plan, z, n = due.frame.plan, due.z, len(due.frame.dates)
    mean = due.view.mean[due.row]
    # Against the target even where one flush does not reach it: a stage put off puts off those after it.
    harm = _harm(due, mean[:, 1:])
    lasts = np.maximum((due.limit - flush.reached) / np.maximum(due.frame.rise[z], 1e-6), 1.0)
    return FlushNeeds(
        z.astype(np.int64), flush.depth, due.allowed, harm[:, :n], harm[:, n:].sum(axis=1), lasts=lasts,
        held=SALT.slow * plan.etc[z], upkeep=_upkeep(due, flush),
    )  # fmt: skip


def _upkeep(due: _Due, flush: _Flushes) -> Upkeep:
    """Leaching with a zone's own watering, and what it leaves owed at the end of the horizon."""
    plan, z, n = due.frame.plan, due.z, len(due.frame.dates)
    ec = due.frame.salt.source_ec[z]
    leach = upkeep_depths(plan, z, due.allowed, due.limit, ec)
    tonight = due.view.at(due.row, np.zeros(due.row.size, dtype=np.int64))
    kept = ece_with_upkeep(plan, z, (due.part, tonight), leach, ec, due.frame.fraction[z], SALT.slow, AFTER)
    still = _harm(due, kept)
    room = np.maximum(due.limit - flush.reached, 1e-3)
    return Upkeep(
        depth=leach,
        harm=still[:, :n],
        harm_after=still[:, n:].sum(axis=1),
        owed=np.clip((kept[:, n - 1] - flush.reached) / room, 0.0, FLUSH.most_owed),
        owed_without=np.clip((due.view.mean[due.row, n] - flush.reached) / room, 0.0, FLUSH.most_owed),
    )


def _harm(due: _Due, ece: np.ndarray) -> np.ndarray:
    """ET lost on each date for want of a flush (F, T) [mm], from the ECe of the dates."""
    zones, etc = due.frame.site.zones, due.frame.plan.etc[due.z]
    lost = avoidable(ece, due.limit, due.target, zones.ece_threshold[due.z], zones.ece_slope[due.z])
    return lost * np.concatenate((etc, np.repeat(etc.mean(axis=1, keepdims=True), AFTER, axis=1)), axis=1)


def saltier(salt: SaltState) -> SaltState:
    """The same state with every layer's ECe raised by a part of the zone's uncertainty, and of its ECe at most."""
    return replace(salt, ece=salt.ece * _wary(salt)[:, None])


def _wary(salt: SaltState) -> np.ndarray:
    """What zones may be saltier by, over what is believed (Z,) [-]."""
    fed = salt.layers.depth > salt.layers.rooted.sum(axis=1) + 1e-9
    widest = np.where(fed, FLUSH.widest_fed, FLUSH.widest)
    widest = np.where(np.isin(salt.origin, ("kin", "balance")), FLUSH.unread, 1.0) * widest
    return 1.0 + FLUSH.wary * np.minimum(np.nan_to_num(salt.spread / np.maximum(salt.mean, 1e-6)), widest)


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


def _look_ahead(frame: _Frame, zones: np.ndarray) -> _View:
    """Run the zones, as salty as they may be, with ET less rain replaced every night, without any flush."""
    salt, plan, fraction = saltier(frame.salt), frame.plan, frame.fraction
    part = some_layers(salt.layers, zones)
    state = state_from_ece(part, salt.of_roots[zones], salt.ece[zones])
    etc, rain, p = plan.etc[zones], plan.effective_rain[zones], fraction[zones]
    n = etc.shape[1]
    mean = [root_zone_ece(part, ece_of(part, state))]
    states, storm = [state], np.full(zones.size, -1)
    for i in range(n + AFTER):
        demand = etc[:, i] if i < n else etc.mean(axis=1)
        fall = rain[:, i] if i < n else np.zeros(zones.size)
        share = p[:, i] if i < n else p[:, -1]
        water = np.minimum(state.total_depletion, np.maximum(demand - fall, 0.0))
        day = layered_day(part, state, water, salt.source_ec[zones], demand, fall, share, slow=SALT.slow)
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


def _in_time(allowed: np.ndarray, passes: np.ndarray) -> list[int]:
    """Last night a flush may run before the limit is passed; the night of passing where none may."""
    night = np.arange(allowed.shape[1])[None, :]
    open_before = allowed & (night <= passes[:, None])
    last = allowed.shape[1] - 1 - open_before[:, ::-1].argmax(axis=1)
    return np.where(open_before.any(axis=1), last, passes).tolist()


def _causes(due: _Due) -> tuple[str, ...]:
    """Why each candidate asks for a flush."""
    salt, z, words = due.frame.salt, due.z, []
    mean = salt.mean
    threshold = due.frame.site.zones.ece_threshold[z]
    wary = _wary(salt)
    for i in range(z.size):
        text = f"ECe {mean[z[i]]:.1f} dS/m "
        bound = f"the limit of {due.limit[i]:.1f}"
        if due.limit[i] > threshold[i] + 0.005:
            bound += f" (its turf wants {threshold[i]:.1f}; with this water a flush to that would not last a week)"
        day = due.frame.dates[int(due.passes[i])] + timedelta(days=1)
        if mean[z[i]] > due.limit[i]:
            alike = f"{mean[z[i]]:.1f}" == f"{due.limit[i]:.1f}"
            text += f"{'has reached' if alike else 'is above'} {bound}"
        else:
            text += f"passes {bound} on {day.day} {day:%B}"
            if salt.spread[z[i]] > 0.05:
                more = (wary[z[i]] - 1.0) * mean[z[i]]
                text += f", as it may be {more:.1f} saltier than believed"
        words.append(text)
    return tuple(words)


def _beside(due: _Due, flush: _Flushes) -> tuple[str, ...]:
    """What else is to be said of each flush: whether another follows, what lessens it, which nights are shut to it."""
    floor, words = due.frame.floor[due.z], []
    for i in range(due.z.size):
        text = ""
        if flush.staged[i]:
            text += ", as far as one flush goes"
        if flush.reached[i] < FLUSH.target_margin * floor[i] + 0.01 and not flush.staged[i]:
            text += ", the least this water can reach"
        if flush.rained[i]:
            text += "; less water is needed because of the rain in the forecast"
        if not due.allowed[i].any():
            text += "; no night of these allows it (events, fertigation or orders)"
        elif not due.allowed[i, : due.passes[i] + 1].any():
            text += "; no night in time allows it (events, fertigation or orders)"
        words.append(text)
    return tuple(words)


def _notes(site: Site, z: np.ndarray, allowed: np.ndarray, spared: tuple[str, ...]) -> tuple[Note, ...]:
    notes = []
    shut = [str(site.zones.zone[i]) for i in z[~allowed.any(axis=1)]]
    if shut:
        text = f"a flush is due and no night of these allows it: {few_names(shut)}"
        notes.append(Note("warning", "salts", text))
    return (*notes, *spared_notes(spared))


def _source_ec(site: Site) -> np.ndarray:
    """ECw of each source, as the plan counts them (W,) [dS/m]."""
    return np.nan_to_num(np.array([s.ec for s in site.sources] or [0.0], dtype=float))
