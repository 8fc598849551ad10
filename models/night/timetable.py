"""What the packer gives back: `Timetable`, with the bounds it is held against and what a new plan may count on."""

from dataclasses import dataclass

from models.night.job import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Bounds:
    """The least window time any timetable needs, proven, by what limits it [min].

    Attributes
    ----------
    pump : ndarray, shape (P,)          From the flow asked of each pump.
    branch : ndarray, shape (R,)        From the flow asked of each branch.
    controller : ndarray, shape (C,)    From the stations asked of each controller.
    zone : ndarray, shape (Z,)          From each zone's own cycles and soaks.
    """

    pump: FloatArray
    branch: FloatArray
    controller: FloatArray
    zone: FloatArray

    @property
    def largest(self) -> float:
        """The largest of all bounds [min]."""
        return float(
            max((a.max() for a in (self.pump, self.branch, self.controller, self.zone) if a.size), default=0.0)
        )


@dataclass(frozen=True)
class MeasuredCapacity:
    """By how much a new plan must shrink its limits so that the night fits; 1 where nothing is to change.

    Attributes
    ----------
    pump, branch, controller : ndarray, shapes (P,), (R,), (C,)   Share of capacity times window length that could be
                                                                  used [-].
    zone_minutes : ndarray, shape (Z,)   Most the zone itself can run with its soaks in this window [min], inf where
                                         it fits.
    """

    pump: FloatArray
    branch: FloatArray
    controller: FloatArray
    zone_minutes: FloatArray


@dataclass(frozen=True)
class Timetable:
    """Starts and stops of a night, J cycles in order of start.

    Attributes
    ----------
    zone : ndarray of int, shape (J,)     Zone of the cycle.
    start, end : ndarray, shape (J,)      Minutes after 00:00 of the evening's date.
    fitted : bool                         Every minute asked was placed.
    unplaced : ndarray, shape (Z,)        Minutes that found no place [min].
    grid_start, grid_min : float          First moment and step of `flow` [min].
    flow : ndarray, shape (P, T)          Flow of each pump in each grid step [L/s].
    under_smallest : ndarray, shape (P,)  Minutes a pump runs below its smallest flow [min].
    unavoidable : ndarray, shape (P,)     How many of them are proven to be in every timetable of these runs [min].
    bounds : Bounds                       What each limit needs at least.
    lower_bound_min : float               The largest of them [min].
    makespan_min : float                  Window minutes from the first start to the last stop [min].
    fill : float                          lower_bound_min / makespan_min if fitted, otherwise the share of the asked
                                          water (of the minutes, without flow) that was placed, over the share that
                                          any timetable could place [-].
    measured_capacity : MeasuredCapacity  For a new plan when not fitted; all 1 (and inf) when fitted.
    extra_cycles : int                    Cycles more than asked: runs were cut in parts to fill gaps.
    after_finish_by : ndarray, shape (Z,) The zone ends after its `finish_by`.
    notes : tuple of str                  What the reader of a sheet should know.
    """

    zone: IntArray
    start: FloatArray
    end: FloatArray
    fitted: bool
    unplaced: FloatArray
    grid_start: float
    grid_min: float
    flow: FloatArray
    under_smallest: FloatArray
    unavoidable: FloatArray
    bounds: Bounds
    lower_bound_min: float
    makespan_min: float
    fill: float
    measured_capacity: MeasuredCapacity
    extra_cycles: int
    after_finish_by: BoolArray
    notes: tuple[str, ...]
