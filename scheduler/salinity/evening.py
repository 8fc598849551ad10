"""How salty each zone stands at opening time, and how salty it will be.

Three things speak: laboratory samples, probes (bulk EC taken to ECe, corrected by the samples), and the layered balance
of what was applied and what fell. The balance runs from a stated start and takes in every sample on its date. Where
probes read, it runs again through weeks of their readings, each weighted by how sure it is (`followed.py`). A zone
without either learns from its kin how far the balance is off. A site without salt in its water, its samples and its
probes has no salinity at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import SALT
from models.layers import Layers, root_zone_ece, some_layers, state_from_ece
from models.salt_run import evening_ece as ece_by_evening
from models.salt_run import run_layers
from models.salts import raised_moisture_floor, salt_stress
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.salinity.followed import Follower, evening_ece
from scheduler.salinity.history import SaltRun, salt_history
from scheduler.salinity.mixing import learned_layers, taught_rows
from scheduler.salinity.readings import held_over_gravel, layer_samples, probe_factors, recent_readings, site_layers
from scheduler.site import Site
from scheduler.state.demand import Demand, zone_rain
from scheduler.state.evening import StartState
from scheduler.supply import usual_source_ec

# natural-log spread of a layer's ECe that is never gone below: its rate, demand and leaching are off the same way every
# day, and its probe stands at one place. Measured on tests/physics: errors of 0.12 to 0.30 at probed zones.
LEAST_SPREAD = 0.20
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
    lingers : ndarray (Z,) or None   Share of water led past field capacity that is in the roots on the next evening;
                                 None where all has drained.
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
    lingers: np.ndarray | None = None

    @property
    def known(self) -> np.ndarray:
        """Zones whose salinity is known, shape (Z,)."""
        return np.isfinite(self.ece).all(axis=1)

    @property
    def mean(self) -> np.ndarray:
        """Mean ECe over the root depth, shape (Z,) [dS/m]."""
        return root_zone_ece(self.layers, self.ece)

    @property
    def of_roots(self) -> np.ndarray:
        """The evening's depletion [mm], (Z,), no more than the layers of salt hold."""
        part = self.layers
        held = (part.field_capacity - part.wilting_point) * part.thickness
        return np.minimum(self.depletion, 1000.0 * held.sum(axis=1))


@dataclass(frozen=True)
class SaltForecast:
    """ECe on the evening of each date of the horizon: by layer (Z, L, N) and the mean (Z, N) [dS/m], NaN if not known.

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
    source_ec = usual_source_ec(site)
    opening = pd.Timestamp(night) + timedelta(minutes=opens)
    layers = site_layers(site, held_over_gravel(site, opening))
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
        correction = probe_factors(site, samples, opening)
        corrections = {probe: factor for probe, (factor, _) in correction.items()}
        read = evening_ece(site, layers, pd.DatetimeIndex(demand.past["date"]), opening, readings, correction)
        past_days = (demand.past, samples, night)
        taught = read.rows(taught_rows(layers, read))
        if taught.zones.size:
            water = salt_history(site, layers, source_ec, taught.zones, *past_days)
            layers, learned = learned_layers(site, layers, water, source_ec, taught, SALT.slow)
        follower = Follower(layers, read)  # zones with probes run twice, also as these correct them
        both = salt_history(site, layers, source_ec, np.concatenate((zones, read.zones)), *past_days, follower)
        run, followed = both.rows(slice(zones.size)), both.rows(slice(zones.size, None))
        notes += run.notes
        if taught.zones.size:
            notes.append(learned)
        found = _joined(site, layers, zones, source_ec, run, followed, follower)
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
        lingers=state.lingers,
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
        start = state_from_ece(part, salt.of_roots[on], salt.ece[on])
        given = (net_irrigation[on], source_ec[on], etc[on], effective_rain[on], p[on])
        run = run_layers(part, start, *given, slow=SALT.slow)
        ece[on], drainage[on] = run.ece, run.drainage
        if salt.lingers is not None:
            ece[on] = ece_by_evening(part, start, run, *given, salt.lingers[on], SALT.slow)
        mean[on] = root_zone_ece(part, np.moveaxis(ece[on], 2, 0)).T
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
    return np.maximum(raised_moisture_floor(taw[:, None], p, ks[:, None]), SALT.lowest_floor * raw)


# -------------------------------------------------------------------------------------------------- the balance


def _joined(
    site: Site,
    layers: Layers,
    zones: np.ndarray,
    source_ec: np.ndarray,
    run: SaltRun,
    followed: SaltRun,
    follower: Follower,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Balance, samples and probes together: ECe (M, L), spread of the mean (M,) [dS/m] and origin (M,)."""
    shape = run.ece.shape
    base = np.log(np.maximum(run.ece, SALT.least_ece))
    sampled = np.isfinite(run.age)
    width = np.where(
        sampled, np.hypot(SALT.laboratory_spread, SALT.drift * np.where(sampled, run.age, 0.0)), SALT.unknown_spread
    )
    width = np.minimum(width, SALT.unknown_spread)
    origin = np.full(shape[0], "balance", dtype=object)
    origin[sampled.any(axis=1)] = "laboratory"
    gain, read = np.zeros(shape), np.zeros(shape, dtype=bool)
    if followed.zones.size:
        place = np.searchsorted(zones, followed.zones)
        seen, variance = follower.readings.seen, follower.belief.variance
        by_probe = (seen & (variance < 0.5 * width[place] ** 2)).any(axis=1)
        origin[place[by_probe]] = "probe"
        read[place] = seen
        gain[place] = np.where(seen, np.log(np.maximum(followed.ece, SALT.least_ece)) - base[place], 0.0)
        width[place] = np.where(seen, np.clip(np.sqrt(variance), LEAST_SPREAD, SALT.unknown_spread), width[place])
    # One layer says little of the other: the upper half hardly depends on leaching, the lower half does above all.
    gain, width, origin = _from_kin(site, zones, source_ec, gain, width, origin, read | sampled)
    ece = np.exp(base + gain)
    part = some_layers(layers, zones)
    return ece, root_zone_ece(part, ece) * np.sqrt(root_zone_ece(part, width**2)), origin


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
    n / (n + (SALT.kin_spread / SALT.unknown_spread)^2).
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
    gain = np.where(learns, (total / (number + (SALT.kin_spread / SALT.unknown_spread) ** 2))[kin], gain)
    narrow = np.minimum(
        np.hypot(SALT.kin_spread, SALT.unknown_spread / np.sqrt(number[kin] + 1.0)), SALT.unknown_spread
    )
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
            f"it started from the steady state at a leaching fraction of {SALT.start_leaching:g}"
        )
        notes.append(Note("step_down", "salts", text))
