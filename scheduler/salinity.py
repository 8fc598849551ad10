"""How salty each zone stands at opening time, and how salty it will be.

Three things speak: laboratory samples, probes (bulk EC taken to ECe, corrected by the samples), and the layered balance
of what was applied and what fell. The balance runs from a stated start and takes in every sample on its date. Where
probes read, it runs again through weeks of their readings, each weighted by how sure it is (`scheduler.followed`). A
zone without either learns from its kin how far the balance is off. A site without salt in its water, its samples and
its probes has no salinity at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from models.hydraulics import lower_quarter_factor
from models.layers import TWO_LAYER_ROOTS, LayeredState, Layers, ece_of, root_zone_ece, some_layers, state_from_ece
from models.salt_balance import layered_day, run_layers
from models.salts import boundary_concentration, raised_moisture_floor, salt_stress
from models.soil import adjusted_depletion_fraction
from scheduler.demand import Demand, zone_etc, zone_rain
from scheduler.errors import counted
from scheduler.followed import DRIFT, LABORATORY_SPREAD, UNKNOWN_SPREAD, Follower, evening_ece
from scheduler.leached import learned_layers
from scheduler.notes import Note
from scheduler.ran import runs_before
from scheduler.salt_readings import PLAUSIBLE_ECE, layer_samples, probe_factors, recent_readings, site_layers
from scheduler.site import Site

if TYPE_CHECKING:
    from scheduler.state import StartState

START_LEACHING = 0.15  # [-] leaching fraction whose steady state a zone is taken to start from; our choice
KIN_SPREAD = 0.25  # natural-log spread between zones of one surface, soil and water; our choice
LOWEST_FLOOR = 0.5  # [-] of RAW: salt never asks for soil wetter than this; our choice
# [-] of a date's ET that water above field capacity gives before it drains, see `models.salt_balance`; our choice
# between 0 (all drains in the night) and 1 (FAO-56 Eq. 88). Measured after flushes of sand in finer soils
# (tests/end_to_end/fine_soil.py): 0 where it drains at once, 0.5 with K by all pores to the 9th power, 0.8 with K by
# pores above field capacity to the 3rd. With 0.5 a flush where it drains at once ended 23 % under its forecast.
SLOW = 0.2
SALTLESS = 0.05  # [dS/m] water below it brings no salt worth following


@dataclass(frozen=True)
class SaltPast:
    """Water and leaching of the past days, arrays (Z,) [mm], 0 where salinity is not known.

    since : first date;  water, rain : net irrigation and rain that entered;  drained : what left the roots.
    """

    since: date
    water: np.ndarray
    rain: np.ndarray
    drained: np.ndarray


@dataclass(frozen=True)
class SaltState:
    """Salinity at tonight's opening; NaN where it is not known.

    Parameters
    ----------
    layers : Layers              Two layers a zone.
    depletion : ndarray (Z,)     [mm], as the state of the evening has it.
    ece : ndarray (Z, L)         ECe by layer, top first [dS/m].
    spread : ndarray (Z,)        One standard deviation of the mean ECe [dS/m].
    origin : ndarray (Z,)        "laboratory", "probe", "kin", "balance", or "" where not known.
    source_ec : ndarray (Z,)     ECw of the water each zone usually takes [dS/m].
    newest_sample : date or None
    newest_reading : Timestamp or None
    corrections : dict           Factor by which each probe's ECe is multiplied, for sampled sites.
    notes : tuple of Note
    past : SaltPast or None      None where no salinity is known.
    """

    layers: Layers
    depletion: np.ndarray
    ece: np.ndarray
    spread: np.ndarray
    origin: np.ndarray
    source_ec: np.ndarray
    newest_sample: date | None
    newest_reading: pd.Timestamp | None
    corrections: dict[str, float]
    notes: tuple[Note, ...]
    past: SaltPast | None = None

    @property
    def known(self) -> np.ndarray:
        """Zones whose salinity is known, shape (Z,)."""
        return np.isfinite(self.ece).all(axis=1)

    @property
    def mean(self) -> np.ndarray:
        """Mean ECe over the root depth, shape (Z,) [dS/m]."""
        return root_zone_ece(self.layers, self.ece)


@dataclass(frozen=True)
class SaltForecast:
    """ECe at the end of each date of the horizon: by layer (Z, L, N) and the mean (Z, N) [dS/m], NaN if not known.

    drainage : ndarray (Z, N)   What leaves the roots with its salt [mm], NaN if not known.
    """

    ece: np.ndarray
    mean: np.ndarray
    drainage: np.ndarray


def salt_state(site: Site, night: date, opens: int, demand: Demand, state: StartState) -> SaltState:
    """Estimate how salty each zone stands at opening time.

    Parameters
    ----------
    site : Site
    night : date          The evening's date; nothing read or sampled after its opening is used.
    opens : int           Opening time [min after 00:00 of the evening's date].
    demand : Demand       Its past days carry the balance.
    state : StartState    Depletion at opening time.

    Returns
    -------
    SaltState
    """
    layers = site_layers(site)
    source_ec = usual_source_ec(site)
    opening = pd.Timestamp(night) + timedelta(minutes=opens)
    samples = layer_samples(site, opening)
    readings = recent_readings(site, opening)
    salted = source_ec > SALTLESS
    salted[samples["z"].to_numpy(np.int64)] = True
    salted[readings["z"].to_numpy(np.int64)] = True
    zones = np.flatnonzero(salted)
    shape = layers.thickness.shape
    ece, spread = np.full(shape, np.nan), np.full(shape[0], np.nan)
    origin = np.full(shape[0], "", dtype=object)
    notes: list[Note] = []
    corrections: dict[str, float] = {}
    past = None
    if zones.size:
        run = salt_history(site, layers, source_ec, zones, demand.past, samples, night)
        notes += run.notes
        correction = probe_factors(site, samples, opening)
        corrections = {probe: factor for probe, (factor, _) in correction.items()}
        read = evening_ece(site, layers, run.dates, opening, correction)
        layers, learned = learned_layers(site, layers, run, source_ec, read, SLOW)
        if learned is not None:
            notes.append(learned)
            run = salt_history(site, layers, source_ec, zones, demand.past, samples, night)
        follower = Follower(layers, read)
        followed = salt_history(site, layers, source_ec, read.zones, demand.past, samples, night, follower)
        found = _joined(site, zones, source_ec, run, followed, follower)
        ece[zones], spread[zones], origin[zones] = found
        _note_origins(site, origin[zones], notes)
        past = _past(site, run, demand.past)
    return SaltState(
        layers=layers,
        depletion=state.depletion,
        ece=ece,
        spread=spread,
        origin=origin,
        source_ec=source_ec,
        newest_sample=samples["date"].max().date() if len(samples) else None,
        newest_reading=readings["time"].max() if len(readings) else None,
        corrections=corrections,
        notes=tuple(notes),
        past=past,
    )


def _past(site: Site, run: SaltRun, past: pd.DataFrame) -> SaltPast:
    """Water and leaching of the days the balance ran over."""
    water, rain, drained = np.zeros((3, len(site.zones)))
    water[run.zones], drained[run.zones] = run.depth.sum(axis=1), run.drainage.sum(axis=1)
    rain[run.zones] = zone_rain(site, past)[0][run.zones, 1:].sum(axis=1)
    return SaltPast(run.dates[0].date(), water, rain, drained)


def forecast_salt(
    salt: SaltState,
    net_irrigation: np.ndarray,
    source_ec: np.ndarray,
    etc: np.ndarray,
    effective_rain: np.ndarray,
    p: np.ndarray,
) -> SaltForecast:
    """Carry salinity through the horizon under given water.

    Parameters
    ----------
    salt : SaltState
    net_irrigation, etc, effective_rain : ndarray (Z, N)   [mm].
    source_ec : ndarray (Z, N)                             ECw of each night's water [dS/m].
    p : ndarray (Z, N)                                     Depletion fraction [-].

    Returns
    -------
    SaltForecast
    """
    z, n = net_irrigation.shape
    ece, mean, drainage = (np.full(shape, np.nan) for shape in ((z, salt.layers.count, n), (z, n), (z, n)))
    on = np.flatnonzero(salt.known)
    if on.size:
        part = some_layers(salt.layers, on)
        start = state_from_ece(part, salt.depletion[on], salt.ece[on])
        run = run_layers(
            part, start, net_irrigation[on], source_ec[on], etc[on], effective_rain[on], p[on], slow=SLOW
        )  # fmt: skip
        ece[on], mean[on], drainage[on] = run.ece, run.mean_ece, run.drainage
    return SaltForecast(ece, mean, drainage)


def salt_dry_limit(site: Site, salt: SaltState, taw: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Depletion not to pass where salt stresses the turf: RAW, or less where ECe is above the threshold.

    Parameters
    ----------
    site : Site
    salt : SaltState
    taw : ndarray (Z,)     [mm].
    p : ndarray (Z, N)     Depletion fraction [-].

    Returns
    -------
    ndarray (Z, N)   [mm]; at least half of RAW. Source: `models.salts.raised_moisture_floor` (FAO-56 Eq. 84, 90, 91).
    """
    mean = np.where(salt.known, salt.mean, 0.0)
    ks = salt_stress(mean, site.zones.ece_threshold, site.zones.ece_slope)
    raw = p * taw[:, None]
    return np.maximum(raised_moisture_floor(taw[:, None], p, ks[:, None]), LOWEST_FLOOR * raw)


def usual_source_ec(site: Site) -> np.ndarray:
    """ECw of the water each zone usually takes, shape (Z,) [dS/m]: its fixed blend, else the first source it names."""
    if not site.sources:
        return np.zeros(len(site.zones))
    ec = np.nan_to_num(np.array([s.ec for s in site.sources], dtype=float))
    found: dict[tuple[int, ...], float] = {}
    for listed in set(site.zones.sources):
        sources = list(listed or range(len(site.sources)))
        share = np.array([site.sources[w].share or 0.0 for w in sources])
        blended = len(sources) > 1 and all(site.sources[w].share is not None for w in sources) and share.sum() > 0
        found[listed] = float(share @ ec[sources] / share.sum()) if blended else float(ec[sources[0]])
    return np.array([found[listed] for listed in site.zones.sources])


# -------------------------------------------------------------------------------------------------- the balance


@dataclass(frozen=True)
class SaltRun:
    """What the balance says; arrays over the zones it ran for, which are `zones` (M,).

    ece : (M, L) at the end [dS/m];  age : (M, L) days since a sample, inf without;  path : (M, L, T) by date.
    depth, drainage : (M, T) net water of the night before each date, and what drained [mm].
    """

    zones: np.ndarray
    ece: np.ndarray
    age: np.ndarray
    dates: pd.DatetimeIndex
    path: np.ndarray
    depth: np.ndarray
    drainage: np.ndarray
    depletion: np.ndarray
    etc: np.ndarray
    rain: np.ndarray
    p: np.ndarray
    notes: tuple[Note, ...]


def salt_history(
    site: Site,
    layers: Layers,
    source_ec: np.ndarray,
    zones: np.ndarray,
    past: pd.DataFrame,
    samples: pd.DataFrame,
    night: date,
    follower: Follower | None = None,
) -> SaltRun:
    """Run water and salt over the past days for some zones, taking in each sample on its date.

    A night the log of applied water does not cover (before its first or after its last) is taken to have refilled the
    root zone. The start is the newest earlier sample, else the steady state of the zone's water at `START_LEACHING`.

    Parameters
    ----------
    site : Site
    layers : Layers             Of all zones.
    source_ec : ndarray (Z,)    ECw of each zone's water [dS/m].
    zones : ndarray (M,)        Zones to run.
    past : DataFrame            date, eto, rain; whole days.
    samples : DataFrame         As `layer_samples` gives them.
    night : date                Evening up to which the log is used.
    follower : Follower, optional    Corrects the balance by probes, for the zones it was made for.

    Returns
    -------
    SaltRun
    """
    part, days = some_layers(layers, zones), past["date"]
    etc, (rain, _) = zone_etc(site, past)[zones], zone_rain(site, past)
    rain, p = rain[zones], adjusted_depletion_fraction(site.zones.depletion_fraction[zones], etc)
    net, logged, notes = _net_log(site, zones, days, night)
    ec = source_ec[zones]
    ece = _steady_start(part, ec)
    age = np.full(ece.shape, np.inf)
    known = _by_date(samples, zones)
    for day, row, layer, value in known:
        if day <= days.iloc[0]:
            ece[row, layer], age[row, layer] = value, (days.iloc[0] - day).days
    state = state_from_ece(part, np.zeros(len(zones)), ece)
    if follower is not None:
        follower.starts(age)
    count = len(days)
    path = np.empty((*ece.shape, count))
    path[:, :, 0] = ece
    depth, drained, short = (np.zeros((len(zones), count)) for _ in range(3))
    later = {day: [] for day, *_ in known}
    for day, row, layer, value in known:
        later[day].append((row, layer, value))
    for i in range(1, count):
        water = net[:, i - 1] if logged[i - 1] else state.total_depletion
        step = layered_day(part, state, water, ec, etc[:, i], rain[:, i], p[:, i], slow=SLOW)
        before, state, age = state, step.state, age + 1.0
        taken = later.get(days.iloc[i], [])
        if follower is not None:
            state = follower.after(i, before, step, bool(logged[i - 1]), taken)
        elif taken:
            salt = state.salt.copy()
            for row, layer, value in taken:
                salt[row, layer] = value * part.paste_water[row, layer]
                age[row, layer] = 0.0
            state = LayeredState(state.depletion, salt)
        path[:, :, i] = ece_of(part, state)
        depth[:, i], drained[:, i], short[:, i] = water, step.drainage, state.total_depletion
    return SaltRun(
        zones, path[:, :, -1], age, pd.DatetimeIndex(days), path, depth, drained, short, etc, rain, p, tuple(notes)
    )  # fmt: skip


def _by_date(samples: pd.DataFrame, zones: np.ndarray) -> list[tuple[pd.Timestamp, int, int, float]]:
    """Samples of the zones that run, one value a day, zone and layer (geometric mean): (day, row, layer, ECe)."""
    if not len(samples):
        return []
    table = samples.assign(day=samples["date"].dt.normalize(), log=np.log(samples["ece"].to_numpy(float)))
    table = table.groupby(["day", "z", "layer"], as_index=False)["log"].mean().sort_values("day")
    place = {int(z): i for i, z in enumerate(zones)}
    rows = zip(table["day"], table["z"], table["layer"], np.exp(table["log"]), strict=True)
    return [(day, place[z], layer, float(value)) for day, z, layer, value in rows if z in place]


def _steady_start(layers: Layers, ec: np.ndarray) -> np.ndarray:
    """ECe by layer at the steady state of water `ec` and a leaching fraction of 0.15 (FAO-29 ch. 2), (M, L) [dS/m]."""
    bounds = boundary_concentration(START_LEACHING, TWO_LAYER_ROOTS)[0]
    middle = 0.5 * (bounds[1:] + bounds[:-1])
    return ec[:, None] * middle[None, :] * layers.field_capacity / layers.saturation


def _net_log(site: Site, zones: np.ndarray, days: pd.Series, night: date) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Net depth applied on the night of each past date (M, T) [mm], and the nights the log covers (T,)."""
    net, logged = np.zeros((len(zones), len(days))), np.zeros(len(days), dtype=bool)
    rows = runs_before(site, night)
    rows = rows[rows["minutes"].notna()]
    if not len(rows):
        text = "no log of applied water: salts are reckoned as if every night had refilled the root zone"
        return net, logged, [Note("step_down", "salts", text)]
    place = np.full(len(site.zones), -1)
    place[zones] = np.arange(len(zones))
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    zone = rows["zone"].map(index).fillna(-1).to_numpy(np.int64)
    row = np.where(zone >= 0, place[zone], -1)
    column = pd.DatetimeIndex(days).get_indexer(pd.DatetimeIndex(rows["night"]))
    inside = (row >= 0) & (column >= 0)
    np.add.at(net, (row[inside], column[inside]), rows["minutes"].to_numpy(float)[inside])
    rate = site.zones.application_rate / 60.0 * lower_quarter_factor(site.zones.du_lq)
    first, last = rows["night"].min(), rows["night"].max()
    return net * rate[zones][:, None], np.asarray((days >= first) & (days <= last)), []


def _joined(
    site: Site, zones: np.ndarray, source_ec: np.ndarray, run: SaltRun, followed: SaltRun, follower: Follower
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Balance, samples and probes together: ECe (M, L), spread of the mean (M,) [dS/m] and origin (M,)."""
    shape = run.ece.shape
    base = np.log(np.maximum(run.ece, PLAUSIBLE_ECE[0]))
    sampled = np.isfinite(run.age)
    width = np.where(sampled, np.hypot(LABORATORY_SPREAD, DRIFT * np.where(sampled, run.age, 0.0)), UNKNOWN_SPREAD)
    width = np.minimum(width, UNKNOWN_SPREAD)
    origin = np.full(shape[0], "balance", dtype=object)
    origin[sampled.any(axis=1)] = "laboratory"
    gain, read = np.zeros(shape), np.zeros(shape, dtype=bool)
    if followed.zones.size:
        place = np.searchsorted(zones, followed.zones)
        seen, variance = follower.readings.seen, follower.belief.variance
        by_probe = (seen & (variance < 0.5 * width[place] ** 2)).any(axis=1)
        origin[place[by_probe]] = "probe"
        read[place] = seen
        gain[place] = np.where(seen, np.log(np.maximum(followed.ece, PLAUSIBLE_ECE[0])) - base[place], 0.0)
        width[place] = np.where(seen, np.minimum(np.sqrt(variance), UNKNOWN_SPREAD), width[place])
    # One layer says little of the other: the upper half hardly depends on leaching, the lower half does above all.
    gain, width, origin = _from_kin(site, zones, source_ec, gain, width, origin, read | sampled)
    ece = np.exp(base + gain)
    mean = ece.mean(axis=1)
    return ece, mean * np.sqrt((width**2).mean(axis=1)), origin


def _from_kin(
    site: Site,
    zones: np.ndarray,
    source_ec: np.ndarray,
    gain: np.ndarray,
    width: np.ndarray,
    origin: np.ndarray,
    seen: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Zones nothing speaks for take their kin's mean correction of the balance: same surface, soil and water.

    Their mean correction counts by what a zone may stray from its kin against what its own balance may be off:
    n / (n + (KIN_SPREAD / UNKNOWN_SPREAD)^2).
    """
    alone = ~seen.any(axis=1)
    if not alone.any() or alone.all():
        return gain, width, origin
    keys = pd.MultiIndex.from_arrays(
        [site.zones.surface[zones], site.zones.soil[zones], np.round(source_ec[zones], 2)]
    )  # fmt: skip
    kin, _ = pd.factorize(keys)
    by_layer = range(gain.shape[1])
    number = np.stack([np.bincount(kin, weights=seen[:, layer]) for layer in by_layer], axis=1)
    total = np.stack([np.bincount(kin, weights=gain[:, layer] * seen[:, layer]) for layer in by_layer], axis=1)
    learns = alone[:, None] & (number[kin] > 0)
    gain = np.where(learns, (total / (number + (KIN_SPREAD / UNKNOWN_SPREAD) ** 2))[kin], gain)
    narrow = np.minimum(np.hypot(KIN_SPREAD, UNKNOWN_SPREAD / np.sqrt(number[kin] + 1.0)), UNKNOWN_SPREAD)
    width = np.where(learns, narrow, width)
    origin = np.where(learns.any(axis=1), "kin", origin)
    return gain, width, origin


def _note_origins(site: Site, origin: np.ndarray, notes: list[Note]) -> None:
    """Say for how many zones the salinity is only reckoned."""
    count = int((origin == "balance").sum())
    if count:
        where = "all zones" if count == len(site.zones) else counted(count, "zone")
        text = (
            f"salinity of {where} is reckoned from the water's EC and what was applied: no sample and no probe there; "
            f"it started from the steady state at a leaching fraction of {START_LEACHING:g}"
        )
        notes.append(Note("step_down", "salts", text))
