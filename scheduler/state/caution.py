"""What a manager's word for caution means."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True)
class Caution:
    """How much dryness that only may come counts, and how dry turf may stand.

    Parameters
    ----------
    worth : float    Worth of turf in weathers that only may come, against the ordinary [-].
    catch : float    Worth of ET missed where little is caught, against the ordinary [-].
    margin : float   Share of the spread of the estimate by which the plan stays inside the dry limit [-].
    tail : float     Weight of the driest fifth of weathers for the surfaces served first [-].
    met : float      Share of its ET that turf can still take at the dry limit, where no floor is told [-].
    rained : float   The same where probes speak for it and rain brings all of ET [-].
    sure : float     Standard deviations of what is not known of ground and estimate by which turf that probes watch is
                     kept from where stress is likely to set in, where it does not rain [-]; inf keeps to RAW.
    room : float     By which one is less wary of that where rain brings all of ET [-]; not with the surfaces served
                     first.
    extra : float    Most of the extra for uneven catch [-]: 1 gives the drier half of a zone its depth, 5/3 the driest
                     quarter.
    """

    worth: float
    catch: float
    margin: float
    tail: float
    met: float
    rained: float
    sure: float
    room: float
    extra: float


# Compared in closed loop (tests/bench/README.md).
CAUTION = {
    "careful": Caution(2.0, 2.0, 1.0, 1.0, 1.0, 1.0, inf, 0.0, 4.0 / 3.0),
    "even": Caution(1.0, 1.0, 0.25, 0.0, 1.0, 0.65, 0.85, 0.85, 1.0),
    "lean": Caution(0.4, 0.5, 0.0, 0.0, 0.8, 0.55, 0.4, 0.95, 1.0),
}

STRICTEST = max(CAUTION, key=lambda word: CAUTION[word].met)  # lets turf dry least
