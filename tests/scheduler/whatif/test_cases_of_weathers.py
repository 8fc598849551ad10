"""Cases beside an evening that is planned for several weathers, as no limit that zones share binds."""

from datetime import UTC, datetime

import numpy as np
import pytest

from scheduler.planning import planned_evening
from scheduler.site import load_site
from scheduler.whatif.case import read_cases
from scheduler.whatif.evening import begun, plan_case, standing_evening
from scheduler.whatif.measures import by_surface
from scheduler.whatif.sweep import read_sweep, sweep
from tests.drawn import some
from tests.sites import SiteOptions, make_site

pytestmark = pytest.mark.drawn
MM = 1.0  # summed over zones and days: what a plan in whole minutes may differ by


@pytest.fixture(scope="module", params=some((0, 1, 2, 3, 4, 5), 1))
def evening(request, tmp_path_factory):
    folder = make_site(
        tmp_path_factory.mktemp("weathers") / "site",
        zones=8,
        nights=5,
        seed=request.param,
        load=0.2,
        allocation_left=3.0,
    )
    site = load_site(folder)
    planned = planned_evening(site, SiteOptions().evening, datetime(2026, 7, 14, 20, tzinfo=UTC))
    assert planned.inputs.plan.members is not None
    return site, standing_evening(planned, site.applied)


def planned_case(evening, given):
    site, standing = evening
    return plan_case(standing, read_cases(site, [], [given])[0])


def test_a_case_is_planned_for_several_weathers_only_where_no_limit_binds(evening):
    same, free, short = (planned_case(evening, f"allocation_factor={f}") for f in (1.0, 0.9, 0.1))
    assert same.same and free.plan.inputs.plan.members is not None
    assert short.plan.inputs.plan.members is None
    # Water there is no use for changes nothing: the same worth, and as dry; of equal plans it may be another.
    site, standing = evening
    worth = [begun(standing.cases, case.plan).solve().objective for case in (same, free)]
    assert worth[1] == pytest.approx(worth[0], rel=1e-9)
    dry = [by_surface(site, standing.planned.inputs.dates, case.course) for case in (same, free)]
    for one, other in zip(*dry, strict=True):
        assert abs(one.dry_mm_days - other.dry_mm_days) <= MM


def test_less_water_is_never_less_stress_and_ranks_give_way_in_order(evening):
    site, standing = evening
    outcomes = [planned_case(evening, f"allocation_factor={f}") for f in (1.0, 0.3, 0.15, 0.05, 0.0)]
    dry = []
    for outcome in outcomes:
        found = by_surface(site, standing.planned.inputs.dates, outcome.course)
        ranks = sorted({s.priority for s in found})
        dry.append([sum(s.dry_mm_days for s in found if s.priority == r) for r in ranks])
    table = np.array(dry)
    assert (np.diff(table.sum(axis=1)) >= -MM).all(), table
    for more, less in zip(table, table[1:], strict=False):
        changed = np.flatnonzero(np.abs(less - more) > MM)
        assert not changed.size or less[changed[0]] > more[changed[0]], (
            table
        )  # the first rank that changes is worse off
    assert table[-1].sum() > table[0].sum() + 10.0


def test_a_sweep_beside_several_weathers_is_strict_too(evening):
    curve = sweep(evening[1], *read_sweep("allocation_factor=1.0..0.0/8"))
    total = np.array([sum(s.dry_mm_days for s in point.surfaces) for point in curve.points])
    assert (np.diff(total) >= -MM).all(), total
    water = [point.water_m3 for point in curve.points]
    assert all(b <= a + 1e-6 for a, b in zip(water, water[1:], strict=False))
