"""What a manager's word for caution means."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """How much dryness that only may come counts.

    Parameters
    ----------
    worth : float    Worth of turf in weathers that only may come, against the ordinary [-].
    catch : float    Worth of ET missed where little is caught, against the ordinary [-].
    margin : float   Share of the spread of the estimate by which the plan stays inside the dry limit [-].
    tail : float     Weight of the driest fifth of weathers for the surfaces served first [-].
    """

    worth: float
    catch: float
    margin: float
    tail: float


# Compared in closed loop (tests/bench/README.md).
CAUTION = {
    "careful": Caution(2.0, 2.0, 0.5, 1.0),
    "even": Caution(1.0, 1.0, 0.5, 0.0),
    "lean": Caution(0.4, 1.0, 0.0, 0.0),
}
