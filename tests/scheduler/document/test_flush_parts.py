"""What plan.json says of a flush: how salty it leaves each half, how surely, what to look at, when the next is."""

import math
from datetime import datetime, timedelta

import numpy as np
import pytest

from models.choices import SALT
from scheduler.document.salts import FOUR_IN_FIVE, _likely
from scheduler.evening import plan_tonight
from tests.scheduler import salty_sites as s

SAMPLES = "date,zone,depth,ece\n" + "".join(
    f"{s.NIGHT},{zone},{depth},{ece}\n" for zone, ece in (("G1", 5.0), ("G2", 1.0)) for depth in (5, 15)
)
PLACES = s.PROBE_SITES + "G2-18,G2,18,2026-01-01,\nG1-18,G1,18,2026-01-01,2026-07-01\nG1-8,G1,8,,\n"


def planned(folder, **files):
    place = s.salty(folder, samples=SAMPLES, **files)
    return plan_tonight(place, s.NIGHT, datetime(2026, 7, 14, 18, tzinfo=place.time_zone))


def test_a_flush_tells_each_half_and_the_probe_below(tmp_path):
    plan = planned(tmp_path / "a", probe_sites=PLACES)
    (flush,) = [f for f in plan.flushes if f.zone == "G1"]
    zone = next(z for z in plan.zones if z.id == "G1")
    assert plan.night in flush.nights
    assert flush.layers_before_dsm == zone.before.layers_dsm
    before, after = (flush.layers_before_dsm, flush.ece_before_dsm), (flush.layers_after_dsm, flush.ece_after_dsm)
    for layers, mean in (before, after):
        assert np.dot(layers, zone.make.roots_by_layer) == pytest.approx(mean, abs=0.002)
    assert all(a < b for a, b in zip(flush.layers_after_dsm, flush.layers_before_dsm, strict=True))
    least, most = flush.likely_dsm
    assert least < flush.ece_after_dsm < most
    # one that was taken away, or stands in the upper half, tells nothing of what went through
    assert (flush.lower_probe, flush.lower_probe_cm) == ("G1-15", 15.0)
    assert flush.nights[-1] < flush.again_by <= flush.nights[-1] + timedelta(days=14)
    assert "another" not in flush.words


def test_without_a_lower_probe_there_is_none_to_look_at(tmp_path):
    (flush,) = [f for f in planned(tmp_path / "a").flushes if f.zone == "G1"]
    assert flush.lower_probe is None
    assert flush.lower_probe_cm is None


def test_four_cases_of_five_count_where_it_stands_and_how_well_it_leaches():
    # 3 -> 2 dS/m: a standard deviation of the salt now leaves 2.4, so 0.2 of it; the fall is off by a quarter of itself
    width = 1.2816 * math.hypot(0.2, 0.25 * math.log(1.5))
    assert SALT.leached_spread == 0.25
    assert pytest.approx(0.8, abs=5e-4) == math.erf(FOUR_IN_FIVE / math.sqrt(2.0))
    np.testing.assert_allclose(_likely(2.0, 3.0, 2.4), [2.0 * math.exp(-width), 2.0 * math.exp(width)], rtol=2e-3)
    assert _likely(2.0, 1.5, 2.0) == (2.0, 2.0)  # sure of all, and not lowered
    assert _likely(0.0, 0.0, 0.0) == (0.0, 0.0)
