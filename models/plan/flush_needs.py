"""What the flush part of a plan is given: which zones need a flush, how deep, when it may run, what waiting costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Upkeep:
    """A little leaching with a zone's own watering, in place of a flush: of F zones over N nights.

    What it leaves undone is owed later, as a share of one flush at the end of the horizon: 0 right after a flush and 1
    where the next is due.

    Parameters
    ----------
    depth : ndarray (F, N)      Depth to pass below the roots on each night it leaches [mm], 0 on others; 0 on all
        nights where it is of no use.
    harm : ndarray (F, N)       ET lost to salt on the date after each night all the same [mm].
    harm_after : ndarray (F,)   The same over the days after the horizon [mm].
    owed, owed_without : ndarray (F,)   Share of a flush owed at the end with it, and with neither [-].

    Raises
    ------
    ValueError   Shapes differ, or a value is negative or not finite.
    """

    depth: NDArray[np.float64]
    harm: NDArray[np.float64]
    harm_after: NDArray[np.float64]
    owed: NDArray[np.float64]
    owed_without: NDArray[np.float64]

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        shape = self.depth.shape
        if len(shape) != 2 or self.harm.shape != shape:
            raise ValueError(f"upkeep: depth and harm of one shape (F, N) are needed, not {shape}, {self.harm.shape}")
        for name in ("harm_after", "owed", "owed_without"):
            if getattr(self, name).shape != shape[:1]:
                raise ValueError(f"upkeep: {name}: shape {getattr(self, name).shape}; {shape[:1]} is needed")
        for name in ("depth", "harm", "harm_after", "owed", "owed_without"):
            value = getattr(self, name)
            if not np.isfinite(value).all() or (value < 0).any():
                raise ValueError(f"upkeep: {name}: every value must be finite and 0 or above")


@dataclass(frozen=True)
class FlushNeeds:
    """Zones that need salt flushed, F of them, over N nights and K supplies.

    Parameters
    ----------
    zone : ndarray (F,)         Zone, each once, rising.
    depth : ndarray (F, K)      Depth to pass below the roots with each supply [mm], NaN where it cannot do it.
    held : ndarray (F, N), optional   What water above field capacity gives to ET of the date after each night before it
        drains [mm]: on each night that water is to pass the roots, it passes field capacity by this much more. None
        if not given.
    upkeep : Upkeep, optional   What leaching with each watering could do instead; needs `lasts`.
    allowed : ndarray (F, N)    Nights on which a flush may run.
    harm : ndarray (F, N)       ET lost to salt on the date after each night if still unflushed [mm].
    harm_after : ndarray (F,)   The same over the days after the horizon [mm].
    dry_limit_after : ndarray (F, N), optional   Dry limit from the night of a flush on, once salt no longer stresses
        the turf [mm]; that of the plan if not given.
    lasts : ndarray (F,), optional   Time until a flush must be made again [d]; a flush made before its time wastes of
        its water a share of the nights it is early against this. Not counted if not given.

    Raises
    ------
    ValueError   A shape, a sign or an order does not hold; the message names the argument.
    """

    zone: NDArray[np.int64]
    depth: NDArray[np.float64]
    allowed: NDArray[np.bool_]
    harm: NDArray[np.float64]
    harm_after: NDArray[np.float64]
    dry_limit_after: NDArray[np.float64] | None = None
    lasts: NDArray[np.float64] | None = None
    held: NDArray[np.float64] | None = None
    upkeep: Upkeep | None = None

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        count = self.zone.size
        if self.zone.ndim != 1 or (np.diff(self.zone) <= 0).any() or (self.zone < 0).any():
            raise ValueError("zone: shape (F,), rising, 0 or above is needed")
        if self.depth.ndim != 2 or self.depth.shape[0] != count:
            raise ValueError(f"depth: shape {self.depth.shape}; ({count}, K) is needed")
        if self.harm.ndim != 2 or self.harm.shape[0] != count:
            raise ValueError(f"harm: shape {self.harm.shape}; ({count}, N) is needed")
        if self.allowed.shape != self.harm.shape:
            raise ValueError(f"allowed: shape {self.allowed.shape}; {self.harm.shape} is needed")
        if self.harm_after.shape != (count,):
            raise ValueError(f"harm_after: shape {self.harm_after.shape}; {(count,)} is needed")
        if self.dry_limit_after is not None and self.dry_limit_after.shape != self.harm.shape:
            raise ValueError(f"dry_limit_after: shape {self.dry_limit_after.shape}; {self.harm.shape} is needed")
        if self.lasts is not None and (self.lasts.shape != (count,) or not (self.lasts > 0).all()):
            raise ValueError(f"lasts: shape {(count,)}, every value above 0 is needed")
        if not (self.depth[np.isfinite(self.depth)] > 0).all() or np.isinf(self.depth).any():
            raise ValueError("depth: every known value must be finite and above 0")
        if self.upkeep is not None and (self.lasts is None or self.upkeep.depth.shape != self.harm.shape):
            raise ValueError(f"upkeep: shape {self.upkeep.depth.shape}; {self.harm.shape} and lasts are needed")
        if self.held is not None and self.held.shape != self.harm.shape:
            raise ValueError(f"held: shape {self.held.shape}; {self.harm.shape} is needed")
        held = np.zeros(0) if self.held is None else self.held
        for name, value in (("harm", self.harm), ("harm_after", self.harm_after), ("held", held)):
            if not np.isfinite(value).all() or (value < 0).any():
                raise ValueError(f"{name}: every value must be finite and 0 or above")
