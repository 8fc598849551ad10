"""Weathers that may come, from one forecast with chances of rain and from how such forecasts have erred.

An error course is what one past forecast missed on each of its dates together, so that dry spells stay dry spells and a
wet day is a dull one: for ET the logarithm of what came over what was told; for rain the place of what came in the
distribution told (probability integral transform: Gneiting and Katzfuss 2014, Annual Review of Statistics 1, 125-151).
Told is a chance p of rain and a mean amount where it falls, taken as exponential (common practice for daily rain, no
source): the place u of a dry date lies anywhere below 1 - p, that of r times the amount at 1 - p exp(-r).

Many members are reduced to a few with their weights by fast forward selection (Heitsch and Roemisch 2003, Computational
Optimization and Applications 24, 187-206).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.choices import WEATHER

Floats = NDArray[np.float64]

# Errors where a site has no record yet: of ETo about a tenth tomorrow, a fifth in a week; of the order that published
# studies of numerical forecasts report (status memory). Rain is as likely as told.
FIRST_DAY_ERROR, DAILY_RISE, LARGEST_ERROR = 0.08, 0.02, 0.22  # of ln ETo [-]
WET = 0.2  # [mm/d] from which a date counts as wet


@dataclass(frozen=True)
class ErrorCourses:
    """What forecasts missed, M courses over N dates.

    Parameters
    ----------
    eto : ndarray (M, N)    ln of reference ET that came over what was told [-].
    place : ndarray (M, N)  Place of the rain that came in what was told, 0 to 1 [-].
    """

    eto: Floats
    place: Floats


def courses_of_record(
    told_eto: Floats, told_amount: Floats, told_chance: Floats, eto: Floats, rain: Floats, rng: np.random.Generator
) -> ErrorCourses:
    """Courses of past forecasts whose dates have all been observed.

    Parameters
    ----------
    told_eto, told_amount, told_chance : ndarray (M, N)   Forecast ET [mm/d], rain where it falls [mm], chance [-].
    eto, rain : ndarray (M, N)                            What came [mm/d].
    rng : Generator                                       For the place of dry dates.

    Returns
    -------
    ErrorCourses
    """
    shapes = {v.shape for v in (told_eto, told_amount, told_chance, eto, rain)}
    if len(shapes) != 1:
        raise ValueError(f"told and observed need one shape (M, N), not {sorted(shapes)}")
    chance = np.clip(told_chance, 0.02, 0.98)  # what was called certain was not: such a place could not be told apart
    ratio = rain / np.maximum(told_amount, WET)
    wet = 1.0 - chance * np.exp(-ratio)
    dry = rng.uniform(size=rain.shape) * (1.0 - chance)
    error = np.log(np.maximum(eto, 0.1) / np.maximum(told_eto, 0.1))
    return ErrorCourses(error, np.where(rain > WET, wet, dry))


def usual_courses(count: int, dates: int, rng: np.random.Generator) -> ErrorCourses:
    """Courses of a site without a record: as skilful as forecasts usually are, every place of rain equally likely.

    Parameters
    ----------
    count, dates : int   M courses over N dates.
    rng : Generator
    """

    def persistent(keep: float) -> Floats:
        found = rng.normal(size=(count, dates))
        for n in range(1, dates):
            found[:, n] = keep * found[:, n - 1] + np.sqrt(1.0 - keep**2) * found[:, n]
        return found

    rainy = persistent(WEATHER.rain_keeps)
    place = (rainy.argsort(axis=0).argsort(axis=0) + 0.5) / count  # each date has every place once
    own = persistent(WEATHER.eto_keeps)
    spread = np.minimum(FIRST_DAY_ERROR + DAILY_RISE * np.arange(dates), LARGEST_ERROR)
    mixed = WEATHER.wet_is_dull * rainy + np.sqrt(1.0 - WEATHER.wet_is_dull**2) * own
    return ErrorCourses((mixed - mixed.mean(axis=0)) * spread, place)


def weathers(courses: ErrorCourses, eto: Floats, amount: Floats, chance: Floats) -> tuple[Floats, Floats]:
    """Weathers that may come if tonight's forecast errs as others have.

    Parameters
    ----------
    courses : ErrorCourses               (M, N).
    eto, amount, chance : ndarray (N,)   Forecast ET [mm/d], rain where it falls [mm], its chance [-].

    Returns
    -------
    eto, rain : ndarray (M, N)   [mm/d]
    """
    p = np.clip(chance, 0.0, 1.0)[None, :]
    wet = courses.place > 1.0 - p
    share = np.clip((1.0 - courses.place) / np.maximum(p, 1e-9), 1e-6, 1.0)
    rain = np.where(wet & (amount > 0), -np.log(share) * amount[None, :], 0.0)
    return eto[None, :] * np.exp(courses.eto), rain


def reduced(eto: Floats, rain: Floats, count: int) -> tuple[NDArray[np.int64], Floats]:
    """Few of many equally likely weathers, with the weights of those they stand for.

    Distance of two weathers is the mean, over dates, of how far apart ET less rain has brought the soil by then.

    Parameters
    ----------
    eto, rain : ndarray (M, N)   [mm/d]
    count : int                  Members kept.

    Returns
    -------
    chosen : ndarray (k,)   Rows kept, rising, k = count at most.
    weight : ndarray (k,)   Their weights, together 1.
    """
    course = np.cumsum(eto - np.minimum(rain, WEATHER.heaviest), axis=1)
    distance = np.abs(course[:, None, :] - course[None, :, :]).mean(axis=2)
    nearest = np.full(course.shape[0], np.inf)
    chosen: list[int] = []
    for _ in range(min(count, course.shape[0])):
        left = np.minimum(nearest[:, None], distance).sum(axis=0)  # if each were taken next
        left[chosen] = np.inf
        chosen.append(int(left.argmin()))
        nearest = np.minimum(nearest, distance[:, chosen[-1]])
    kept = np.sort(np.array(chosen, dtype=np.int64))
    stands_for = distance[:, kept].argmin(axis=1)
    weight = np.bincount(stands_for, minlength=kept.size) / course.shape[0]
    return kept[weight > 0], weight[weight > 0]
