"""Plain practice: the water a rule of thumb would have put on, to set a season beside.

Each rule gives net depths (Z, T) [mm] from weather alone, or repeats a log; `within_limits` then holds them to what
the site can deliver. They are simulations of a practice, nothing that was measured.

Replacement of reference ET and a programme of fixed days are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def replace_et(need: Floats, rain: Floats, allowed: Bools) -> Floats:
    """Water of each night that replaces what ET took since the last one, less rain.

    b[n] = max(b[n-1] + need[n] - rain[n], 0) by date; on an allowed night all of b is put on.

    Parameters
    ----------
    need, rain : ndarray (Z, T)    Reference ET times the surface's coefficient, and effective rain, by date [mm].
    allowed : ndarray (Z, T)       Whether the zone may run on the night of the date.

    Returns
    -------
    ndarray (Z, T)                 Net depth [mm].
    """
    if not need.shape == rain.shape == allowed.shape:
        raise ValueError(f"need, rain, allowed: shapes {need.shape}, {rain.shape}, {allowed.shape}; one is needed")
    owed = np.zeros(need.shape[0])
    water = np.zeros(need.shape)
    for t in range(need.shape[1]):
        owed = np.maximum(owed + need[:, t] - rain[:, t], 0.0)
        water[:, t] = np.where(allowed[:, t], owed, 0.0)
        owed = np.where(allowed[:, t], 0.0, owed)
    return water


def weekly_programme(weekly: Floats, weekday: npt.NDArray[np.int64], run_on: Sequence[int], allowed: Bools) -> Floats:
    """Same water on the same weekdays, whatever the weather.

    Parameters
    ----------
    weekly : ndarray (Z,)          Net depth a week [mm].
    weekday : ndarray (T,)         Of each night, 0 = Monday.
    run_on : sequence of int       Weekdays of the programme.
    allowed : ndarray (Z, T)       Whether the zone may run; a run that may not is left out.
    """
    on = np.isin(weekday, list(run_on))
    return np.asarray((weekly / max(len(run_on), 1))[:, None] * (on[None, :] & allowed))


def within_limits(volume: Floats, longest: Floats, groups: Sequence[tuple[Floats, Floats]]) -> Floats:
    """Hold nightly volumes to what can be delivered; who shares a limit gives way by the same share.

    Parameters
    ----------
    volume : ndarray (Z, T)        Asked [m3].
    longest : ndarray (Z,)         Most a zone can take in a night [m3], inf = any.
    groups : sequence of (ndarray (G, Z), ndarray (G, T))    Share of each zone's water that a limit counts, and the
                                   limit [m3]: branches, pumps, permits of a day.

    Returns
    -------
    ndarray (Z, T)                 Volumes that hold every limit [m3].
    """
    held = np.minimum(volume, longest[:, None])
    for member, most in groups:
        asked = member @ held
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(asked > most, most / asked, 1.0)
        for g in range(member.shape[0]):
            on = member[g] > 0
            held[on] *= share[g]
    return held


def within_total(volume: Floats, most: float) -> Floats:
    """Stop a season's water where its total is reached; the night it is reached on is cut.

    Parameters
    ----------
    volume : ndarray (Z, T)        [m3].
    most : float                   Total [m3], inf = any.
    """
    if not np.isfinite(most):
        return volume
    by_night = volume.sum(axis=0)
    before = np.cumsum(by_night) - by_night
    share = np.clip((most - before) / np.maximum(by_night, 1e-12), 0.0, 1.0)
    return np.asarray(volume * share[None, :])
