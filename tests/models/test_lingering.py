"""Water that a deep night leaves for the next evening, from readings: known shares come back, and what says nothing."""

import numpy as np
import pytest

from models.lingering import FEWEST, LEAST_APART, LEAST_NOISE, MOST, SPOT_APART, UNKNOWN, lingering_share

NIGHTS = 40


def record(share, spots=1, noise=0.0, deep=12.0, seed=1):
    """Readings [mm] of spots that keep `share` of every fourth night's water past field capacity, slowly drying out."""
    rng = np.random.default_rng(seed)
    past = np.tile(np.where(np.arange(NIGHTS) % 4 == 3, deep, 1.0), (spots, 1))
    etc = rng.uniform(3.0, 7.0, (spots, NIGHTS))
    stored = 70.0 + share * past - etc - 0.1 * np.arange(NIGHTS) + noise * rng.normal(size=(spots, NIGHTS))
    return stored, past, etc


def shrunk(share, spots, spread):
    """A share told by spots of one standard deviation, against none."""
    told = spots / (SPOT_APART**2 + spread**2)
    return share * told / (told + UNKNOWN**-2)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5])
def test_a_known_share_comes_back_whatever_et_and_time_do_beside_it(share):
    one, many = (lingering_share(*record(share, spots), np.zeros(spots, dtype=int))[0] for spots in (1, 9))
    # Exact readings count as known to a millimetre: 0.034 on ten deep nights and thirty shallow ones.
    assert one == pytest.approx(shrunk(share, 1, 0.034), abs=0.002)
    assert many == pytest.approx(shrunk(share, 9, 0.034), abs=0.002)


def test_groups_are_told_apart_and_noise_shrinks_what_is_told():
    (dry, past, etc), (wet, *_) = record(0.0, 2), record(0.5, 2)
    twice, group = (np.tile(past, (2, 1)), np.tile(etc, (2, 1))), np.array([0, 0, 2, 2])
    found = lingering_share(np.concatenate((dry, wet)), *twice, group)
    assert found[:2].tolist() == pytest.approx([0.0, 0.0], abs=1e-9)
    assert found[2] == pytest.approx(shrunk(0.5, 2, 0.034), abs=0.002)
    loud = lingering_share(*record(0.5, 2, noise=6.0), np.zeros(2, dtype=int))[0]
    assert abs(loud - 0.5) > 0.05 and loud < found[2]


def test_a_spot_says_as_much_as_its_line_by_least_squares_is_sure():
    """Slope and its standard error by `numpy.linalg.lstsq`, residuals over what is left of the evenings."""
    assert UNKNOWN == 0.3  # between 0 and 0.5, the shares of the soils of tests/physics
    stored, past, etc = record(0.5, noise=4.0)
    stored[0, ::9] = np.nan
    heard = np.isfinite(stored[0])
    line = np.column_stack((past[0], np.ones(NIGHTS), etc[0], np.arange(NIGHTS)))[heard]
    slope, squares, *_ = np.linalg.lstsq(line, stored[0, heard])
    about = max(squares[0] / (heard.sum() - 4), LEAST_NOISE**2) * np.linalg.inv(line.T @ line)[0, 0]
    told = slope[0] / (SPOT_APART**2 + about) / (1.0 / (SPOT_APART**2 + about) + UNKNOWN**-2)
    assert lingering_share(stored, past, etc, np.array([0]))[0] == pytest.approx(told, rel=1e-9)


def test_few_evenings_and_nights_that_are_alike_say_nothing():
    stored, past, etc = record(0.5)
    group = np.array([0])
    few = past.copy()
    few[:, FEWEST - 1 :] = np.nan
    assert lingering_share(stored, few, etc, group)[0] == 0.0
    few[:, FEWEST - 1] = past[:, FEWEST - 1]
    assert lingering_share(stored, few, etc, group)[0] > 0.3
    alike = np.full_like(past, 4.0)
    alike[:, ::2] += 1.99 * LEAST_APART
    assert lingering_share(70.0 + 0.5 * alike - etc, alike, etc, group)[0] == 0.0
    silent = np.full_like(stored, np.nan)
    assert lingering_share(silent, past, etc, group)[0] == 0.0
    assert lingering_share(stored[:0], past[:0], etc[:0], group[:0]).size == 0


def test_a_share_is_none_at_least_and_not_all():
    group = np.zeros(30, dtype=int)
    assert lingering_share(*record(-0.5, 30), group)[0] == 0.0
    assert lingering_share(*record(1.4, 30), group)[0] == MOST


def test_shapes_that_differ_are_refused():
    stored, past, etc = record(0.3)
    with pytest.raises(ValueError, match="one shape"):
        lingering_share(stored, past[:, 1:], etc, np.array([0]))
    with pytest.raises(ValueError, match="one shape"):
        lingering_share(stored, past, etc, np.array([0, 1]))
