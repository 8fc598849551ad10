"""How far turf may dry, learned from the finer physics: no farther than turf there was seen to go without stress."""

from datetime import date

import numpy as np
import pytest

from scheduler.learn import learn
from tests.physics import flow, world
from tests.physics.rules import full_replacement

pytestmark = pytest.mark.sweep  # the physics is compiled first


@pytest.mark.parametrize(("seed", "learns"), [(13, True), (12, False)])
def test_turf_is_let_go_as_far_as_it_was_seen(tmp_path, seed, learns):
    # Plain watering by ET for eleven weeks; in seed 13 two spots stand in the driest quarters, in 12 none.
    course = world.World("humid", seed, "tuning", 16, 60, first=date(2026, 5, 1), spots_only=True)
    site = course.lay_out(tmp_path / "site")
    course.lead()
    spots = np.unique(course.probes.spot, return_index=True)[1]
    zone, sub = course.probes.zone[spots], course.probes.sub[spots]
    fine = np.zeros(zone.size)  # the driest each spot was while its turf took what it wanted [mm]
    for _ in range(60):
        course.step(full_replacement(course))
        sums = course.columns.sums[zone, sub]
        met = sums[:, flow.UNLESS_WET] / np.maximum(sums[:, flow.WANTED], 1e-9)
        depletion = course.full[zone] - course.columns.water(course.fed)[zone, sub]
        fine = np.where(met > 0.95, np.maximum(fine, depletion), fine)
    now = course.now(site)
    table = learn(now, now, course.night).table
    offered = table[table["quantity"] == "depletion_fraction"].set_index("zone")["value"]
    assert bool(len(offered)) is learns
    ground = {(s, t): 0.0 for s, t in zip(course.surface, site.zones.soil, strict=True)}
    for z, depth in zip(zone, fine, strict=True):
        key = course.surface[z], site.zones.soil[z]
        ground[key] = max(ground[key], depth)
    for z, name in enumerate(course.zone):
        if name in offered.index:
            limit = offered[name] * site.zones.taw[z]
            assert limit <= 1.1 * ground[course.surface[z], site.zones.soil[z]]
