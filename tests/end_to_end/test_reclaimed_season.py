"""Six weeks on reclaimed water of 1.4 dS/m without rain, in a soil finer than the project's own.

The whole season is run by hand: `python -m tests.bench.bench_reclaimed`.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.salts import leaching_requirement
from tests.end_to_end.fine_soil import STEPS, FineSoil
from tests.end_to_end.reclaimed import ECW, Season, place, protected, season

DAYS = 45
THRESHOLD = 3.7  # dS/m, creeping bentgrass as the shipped table has it


@pytest.fixture(scope="module")
def seasons(tmp_path_factory):
    """The season by plan, by plain replacement of ET, and by ET with the textbook's leaching every night."""
    site = place(tmp_path_factory.mktemp("reclaimed") / "a", DAYS)
    share = float(leaching_requirement(ECW, THRESHOLD))  # FAO-29 Eq. 9
    return season(site, DAYS, planned=True), season(site, DAYS, planned=False), season(site, DAYS, False, share)


def of_greens(found: Season, what: str) -> float:
    """Sum over the greens."""
    return float(getattr(found, what)[found.greens].sum())


@pytest.mark.sweep
def test_greens_stand_under_their_threshold_where_leaching_every_night_leaves_them_over(seasons):
    # FAO-29's requirement counts on a paste of twice field capacity, which a built green's is not.
    ours, plain, textbook = seasons
    assert of_greens(plain, "over") > 100
    assert of_greens(ours, "over") <= 0.2 * of_greens(plain, "over")
    assert of_greens(ours, "over") <= 0.2 * of_greens(textbook, "over")
    assert of_greens(ours, "water") < 1.1 * of_greens(textbook, "water")


@pytest.mark.sweep
def test_after_a_flush_salinity_is_as_forecast_and_salt_is_below_the_lower_probe(seasons):
    flushes = seasons[0].flushes
    assert len(flushes) >= 12
    off = np.array([abs(f["after"] / f["forecast"] - 1.0) for f in flushes])
    assert np.mean(off <= 0.2) >= 0.8  # what is claimed: within a fifth, four times in five
    # A flush of 6 mm reaches less deep where the root zone is drier than the two probes in it say: not each one leaves
    # the roots with more salt than its water brought, but nine in ten do.
    below = np.array([f["above_after"] < f["above_before"] for f in flushes])
    assert below.mean() >= 0.9
    assert np.mean([f["left"] > 0.0 for f in flushes]) >= 0.9


@pytest.mark.sweep
def test_no_flush_before_or_in_a_tournament(seasons):
    ours = seasons[0]
    greens = [(zone, night, mm) for zone, night, mm in ours.planned_drainage if zone.startswith("G")]
    assert sum(protected(night) for _, night, _ in greens) == 4 * 10
    assert not [flush for flush in ours.flushes if flush["zone"].startswith("G") and protected(flush["night"])]
    assert max(mm for _, night, mm in greens if protected(night)) == 0.0
    assert [flush for flush in ours.flushes if flush["zone"].startswith("F")]  # which no tournament is on


def test_the_finer_soil_keeps_its_water_and_salt():
    given = ([0.2, 0.3], [0.2, 0.25], [0.045, 0.1], [0.45, 0.45], [0.4, 0.4], [2.0, 4.0])
    soil = FineSoil(*(np.array(x) for x in given))
    water, salt = soil.water.sum(axis=1), soil.salt.sum(axis=1)
    rate = np.zeros((2, STEPS))
    rate[:, 30:60] = 2.0
    soil.day(rate, ECW, np.array([5.0, 0.0]))
    np.testing.assert_allclose(soil.water.sum(axis=1), water + 60.0 - soil.taken - soil.lost, atol=1e-9)
    np.testing.assert_allclose(soil.salt.sum(axis=1), salt + 60.0 * ECW - soil.lost_salt, atol=1e-9)
    assert soil.taken == pytest.approx([5.0, 0.0])  # from a wet soil roots take all of ET
    assert (soil.drained > 50.0).all()
    assert (soil.salt >= 0).all()
    assert soil.root_ece[0] < 2.0  # two fillings of saltier pores went through
    assert soil.depletion[1] == pytest.approx(0.0, abs=1e-9)
