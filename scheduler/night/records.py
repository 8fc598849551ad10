"""What the night room hands on: tonight's runs and the plan they belong to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.night import Cycles, NightJob, Timetable
from models.plan.inputs import Floats
from models.plan.results import PlanResult
from models.soil import DayBalance
from scheduler.night.edits import Word
from scheduler.night.held import HeldByControllers


@dataclass(frozen=True)
class RunnableNight:
    """Tonight's runs and the plan they belong to.

    Parameters
    ----------
    result : PlanResult             The plan that was solved last.
    minutes : ndarray (Z,)          Tonight's run times as they will run [min].
    volumes : ndarray (Z, K)        Tonight's water by supply [m3].
    balance : DayBalance            What the soil does under them, (Z, N).
    minutes_by_night : ndarray (Z, N)   The same of every night as it would be rounded, tonight in column 0 [min].
    cycles : Cycles or None         None on a night without water.
    job, timetable : NightJob, Timetable or None
    solves : int                    How often the plan was solved.
    left_out : ndarray (Z,)         Minutes that found no place in the window [min].
    held : ndarray (Z,)             Most minutes the plan was made again with, for want of start times [min]; inf if
                                    it was not.
    usable : mapping                Share of each capacity that the plan counts on, (members, N) by kind [-]: what
                                    start times can be found for, tonight as measured.
    measured : mapping              Share of each capacity it was made again with [-], 1 where all, by kind.
    word : Word                     What the manager said of tonight.
    free : ndarray (Z,)             Minutes the plan would have without it, before rounding; as planned if nothing was
                                    said [min].
    waits, lifted : ndarray (Z,)    Zones whose run was too short to be worth making: left to a later night, or given
                                    the smallest useful run.
    controllers : HeldByControllers   What controllers hold that take no start times.
    """

    result: PlanResult
    minutes: Floats
    volumes: Floats
    minutes_by_night: Floats
    balance: DayBalance
    cycles: Cycles | None
    job: NightJob | None
    timetable: Timetable | None
    solves: int
    left_out: Floats
    held: Floats
    usable: Mapping[str, Floats]
    measured: Mapping[str, Floats]
    word: Word
    free: Floats
    waits: NDArray[np.bool_]
    lifted: NDArray[np.bool_]
    controllers: HeldByControllers = HeldByControllers()
