"""How well water leaches in a soil, from weeks of readings of both halves of its roots.

One flush says little: a probe sees a point, and salt on its way down passes it as a wave. Over weeks what comes in,
what drains and where salinity settles hang together by the mixing f alone. The balance is run through the record with
each f of a grid, from what the probes read on its first day, and each f is weighed by how far it strays from what they
read after. A spot catches other water than its zone, and salt stays where little is caught: unless that is weighed, a
probe in a dry place makes a poor leacher of its soil. So each f is tried with the spot's water at five places of what
it may be, alike likely, and counts by the mean of how likely they make the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.choices import SALT
from models.layers import LARGEST_MIXING, LayeredState, Layers, ece_of, some_layers, spread_depletion
from models.salt_balance import layered_day

Floats = npt.NDArray[np.float64]

# Where a spot's water over its demand may stand about its zone's, in standard deviations, alike likely: means of the
# fifths of a normal distribution. Computed.
PLACES = (-1.3998, -0.5319, 0.0, 0.5319, 1.3998)
MIXING_TRIED = (0.5, 0.71, 1.0, 1.41, 2.0, 2.83, LARGEST_MIXING)  # [-] f, in steps of the root of 2


@dataclass(frozen=True)
class Record:
    """What came and went over N days in zones with probes in both halves, and what they read.

    Attributes
    ----------
    depletion : ndarray (Z,)                  Before the first day [mm].
    net_irrigation, etc, effective_rain, p : ndarray (Z, N)   [mm], [mm], [mm], [-].
    source_ec : ndarray (Z,)                  [dS/m].
    read : ndarray (Z, 2, N)                  ECe at the end of a day as read [dS/m], NaN where none.
    offset_spread : ndarray (Z, 2)            Natural-log spread of a probe's own error [-].
    catch_spread : ndarray (Z,), optional     Natural-log spread of the water a spot catches against what the
                                              record tells of its zone [-]; without it they are the same.

    Raises
    ------
    ValueError
        A shape differs, or a value is not finite (of `read`: infinite) or not in range.
    """

    depletion: Floats
    net_irrigation: Floats
    etc: Floats
    effective_rain: Floats
    p: Floats
    source_ec: Floats
    read: Floats
    offset_spread: Floats
    catch_spread: Floats | None = None

    def __post_init__(self) -> None:
        """Check shapes and ranges once; the water is checked by the balance as it runs."""
        if self.read.ndim != 3 or self.read.shape[1] != 2:
            raise ValueError(f"read: shape {self.read.shape}, needed (Z, 2, N)")
        z, _, n = self.read.shape
        days = dict.fromkeys(("net_irrigation", "etc", "effective_rain", "p"), (z, n))
        shapes = {"depletion": (z,), "source_ec": (z,), "offset_spread": (z, 2), **days}
        if self.catch_spread is not None:
            shapes["catch_spread"] = (z,)
        for name, shape in shapes.items():
            value: Floats = getattr(self, name)
            if value.shape != shape or not np.isfinite(value).all():
                raise ValueError(f"{name}: needs finite values of shape {shape}")
        if np.any(self.read <= 0.0) or np.isinf(self.read).any():
            raise ValueError("read: ECe must be above 0 dS/m, or NaN")
        if np.any(self.offset_spread < 0.0):
            raise ValueError("offset_spread: must be 0 or more")
        if self.catch_spread is not None and np.any(self.catch_spread < 0.0):
            raise ValueError("catch_spread: must be 0 or more")


def fit_mixing(layers: Layers, record: Record, group: npt.NDArray[np.intp], slow: float = 0.0) -> Floats:
    """Learn f of each group of zones, shrunk to the layers' present f.

    Parameters
    ----------
    layers : Layers             Two layers a zone; Z zones.
    record : Record
    group : ndarray of int (Z,) Zones of one number have one f.
    slow : float                As for `models.salt_balance.layered_day`.

    Returns
    -------
    ndarray (Z,)   f [-]: the mean of ln f over what was tried, weighed by how likely each is.

    Raises
    ------
    ValueError
        Layers, record and group are of different zones, or the water is out of range.
    """
    z, count, n = record.read.shape
    if layers.zones != z or layers.count != count or group.shape != (z,):
        raise ValueError("layers, record, group: must be of the same zones and of two layers")
    both: npt.NDArray[np.bool_] = np.asarray(np.isfinite(record.read).all(axis=1))
    begins = np.where(both.any(axis=1), both.argmax(axis=1), n)
    astray = np.zeros(z) if record.catch_spread is None else record.catch_spread
    tried, places = np.array(MIXING_TRIED), np.array(PLACES if astray.any() else (0.0,))
    rows = np.tile(np.arange(z), tried.size * places.size)  # by f, then place, then zone
    f = np.repeat(tried, places.size * z)
    many = replace(some_layers(layers, rows), mixing=np.repeat(f[:, None], count, axis=1))
    caught = np.exp(np.tile(np.repeat(places, z), tried.size) * astray[rows])
    start = spread_depletion(many, np.minimum(record.depletion, layers.available.sum(axis=1))[rows])
    state = LayeredState(start, np.zeros((rows.size, count)))
    off = np.full((rows.size, count, n), np.nan)
    for i in range(n):
        day = layered_day(
            many,
            state,
            caught * record.net_irrigation[rows, i],
            record.source_ec[rows],
            record.etc[rows, i],
            record.effective_rain[rows, i],
            record.p[rows, i],
            slow=slow,
        )
        state = day.state
        first = begins[rows] == i
        if first.any():
            salt = state.salt.copy()
            salt[first] = (record.read[:, :, i][rows] * many.paste_water)[first]
            state = LayeredState(state.depletion, salt)
        after = begins[rows] < i
        with np.errstate(divide="ignore", invalid="ignore"):
            over = np.log(record.read[:, :, i][rows] / ece_of(many, state))
        off[:, :, i] = np.where(after[:, None], over, np.nan)
    of_places = _against(off, record.offset_spread[rows]).reshape(tried.size, places.size, z)
    least = of_places.min(axis=1)
    against = least - 2.0 * np.log(np.exp(-0.5 * (of_places - least[:, None, :])).mean(axis=1))
    _, own = np.unique(group, return_inverse=True)
    taught = np.maximum(np.bincount(own, weights=np.ptp(against, axis=0) > 1e-9), 1.0)
    alone = 1.0 / (1.0 + (taught - 1.0) * SALT.alike)
    whole = np.stack([np.bincount(own, weights=row) for row in against]) * alone
    present = np.log(np.asarray(layers.mixing.mean(axis=1), dtype=np.float64))
    doubt = whole[:, own] + (np.log(tried)[:, None] - present[None, :]) ** 2 / SALT.mixing_spread**2
    weight = np.exp(-0.5 * (doubt - doubt.min(axis=0)))
    found = (weight * np.log(tried)[:, None]).sum(axis=0) / weight.sum(axis=0)
    return np.where(np.ptp(whole, axis=0)[own] > 1e-9, np.exp(found), np.exp(present))


def _against(off: Floats, offset_spread: Floats) -> Floats:
    """How much each run's course (R, L, N) speaks against it (R,): twice the fall of the log-likelihood."""
    read = np.isfinite(off)
    count = np.maximum(read.sum(axis=2), 1)
    mean = np.where(read, off, 0.0).sum(axis=2) / count
    about = np.where(read, (off - mean[:, :, None]) ** 2, 0.0).sum(axis=2)
    apart = np.maximum(count / SALT.misfit_for, 1.0)
    level = mean**2 / (offset_spread**2 + SALT.misfit**2 / apart)
    course = about / (SALT.misfit**2 * np.maximum(count / apart, 1.0))
    return np.asarray(np.where(read.any(axis=2), level + course, 0.0).sum(axis=1), dtype=np.float64)
