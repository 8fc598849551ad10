"""What weather does to turf beyond its water use: published models, for advice only; nothing here changes a run time.

Leaf wetness in hours needs hourly readings, which a site does not have; models that ask for it are left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

DOLLAR_SPOT = (-11.4041, 0.0894, 0.1932)  # [-], [per %], [per degC]; Smith et al. (2018), from memory
DOLLAR_SPOT_DAYS = 5  # [d] over which relative humidity and temperature are averaged; same source
DOLLAR_SPOT_ACTION = 0.20  # [-] probability from which the paper's trials treated; same source
DOLLAR_SPOT_RANGE = (10.0, 35.0)  # [degC] of the mean temperature outside which the model says nothing; same source


def dollar_spot_probability(relative_humidity: ArrayLike, temperature: ArrayLike) -> NDArray[np.float64]:
    """Probability of dollar spot on susceptible turf from five-day means of humidity and temperature.

    logit(P) = -11.4041 + 0.0894 RH + 0.1932 T. Source: Smith et al. (2018), PLoS ONE 13(3), e0194216; the coefficients
    are from memory and were not read in the paper.

    Parameters
    ----------
    relative_humidity : array_like   Five-day mean of the daily means [%], 0 to 100.
    temperature : array_like         Five-day mean of the daily mean air temperature [degC].

    Returns
    -------
    ndarray                          [-], 0 to 1; NaN outside 10 to 35 degC, where the model says nothing.

    Raises
    ------
    ValueError                       A humidity outside 0 to 100 %.

    Examples
    --------
    >>> dollar_spot_probability(85.0, 22.0).round(2), dollar_spot_probability(40.0, 22.0).round(2)
    (np.float64(0.61), np.float64(0.03))
    """
    humidity, mean = np.broadcast_arrays(np.asarray(relative_humidity, float), np.asarray(temperature, float))
    if ((humidity < 0) | (humidity > 100)).any():
        raise ValueError("relative_humidity must lie in 0 to 100 %")
    constant, per_percent, per_degree = DOLLAR_SPOT
    odds = constant + per_percent * humidity + per_degree * mean
    inside = (mean >= DOLLAR_SPOT_RANGE[0]) & (mean <= DOLLAR_SPOT_RANGE[1])
    return np.asarray(np.where(inside, 1.0 / (1.0 + np.exp(-odds)), np.nan), dtype=np.float64)
