"""One small standing evening for all tests of cases: planned once."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from scheduler.planning import planned_evening
from scheduler.site import load_site
from scheduler.whatif.evening import standing_evening
from tests.sites import SiteOptions, make_site

EVENING = SiteOptions().evening


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    return make_site(
        tmp_path_factory.mktemp("cases") / "site",
        zones=9,
        nights=4,
        seed=5,
        load=0.7,
        allocation_left=1.0,
        applied_nights=40,
        pumps=2,
        probe_share=0.1,
        water_ec=0.0,
    )


@pytest.fixture(scope="session")
def site(folder):
    return load_site(folder)


@pytest.fixture(scope="session")
def standing(site):
    planned = planned_evening(site, EVENING, datetime(2026, 7, 14, 20, tzinfo=UTC))
    return standing_evening(planned, site.applied)
