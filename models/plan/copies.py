"""Root zones of the plan: one for most zones, several where there is a way to choose or a weather to come."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from models.plan.inputs import Bools, Floats, Ints


@dataclass(frozen=True)
class Copies:
    """Root zones of the plan: one for a zone without a flush to decide, several for the others.

    Parameters
    ----------
    zone : ndarray (V,)         Zone each root zone belongs to.
    open : ndarray (V,)         True for the copies of a zone with a flush to decide.
    flush : ndarray (V, N)      Nights on which the copy flushes.
    depth : ndarray (V,)        Depth that passes field capacity [mm], 0 without a flush.
    each : ndarray (V, N)       The same of a copy that leaches with its watering, on each of its nights [mm].
    supply : ndarray (V,)       Supply of the flush, -1 without.
    harm : ndarray (V,)         ET lost to salt until the flush, priced [cost].
    softness : ndarray (V,)     Of the nights it fills, priced as any softness [cost].
    dry_limit : ndarray (V, N)  Dry limit, from a flush on the one without salt [mm].
    weather : ndarray (V,)      Weather it is planned for, 0 the main one; -1 where it is planned for that alone.
    """

    zone: Ints
    open: Bools
    flush: Bools
    depth: Floats
    each: Floats
    supply: Ints
    harm: Floats
    softness: Floats
    dry_limit: Floats
    weather: Ints

    @cached_property
    def flushing(self) -> Bools:
        """Copies that pass water below the roots, shape (V,)."""
        return np.asarray(self.flush.any(axis=1), dtype=np.bool_)

    @cached_property
    def upkeep(self) -> Bools:
        """Copies that leach with the zone's own watering, without a flush, shape (V,)."""
        return np.asarray(self.each.any(axis=1), dtype=np.bool_)
