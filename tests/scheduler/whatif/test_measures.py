"""What over-use costs, and which surface gives way first, by hand."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.inputs import Tier
from scheduler.whatif.measures import gives_way, over_use

DATES = (date(2026, 7, 14), date(2026, 7, 15), date(2026, 7, 16))


@pytest.mark.parametrize(("volume", "beyond", "cost"), [(90, 0, 0), (150, 50, 50), (250, 150, 100 * 1 + 50 * 4)])
def test_each_step_of_over_use_has_its_own_price(volume, beyond, cost):
    plan = SimpleNamespace(tiers=(Tier(100.0, 1.0), Tier(200.0, 4.0)))
    assert over_use(plan, float(volume)) == (pytest.approx(beyond), pytest.approx(cost))


def test_what_is_served_last_gives_way_first():
    # Greens before fairways before rough. Rough is dry from the first night; the others from the second.
    surface = np.array(["green", "fairway", "fairway", "rough"])
    ranks = {"green": 1, "fairway": 2, "rough": 3}
    site = SimpleNamespace(
        zones=SimpleNamespace(surface=surface),
        surfaces={name: SimpleNamespace(priority=rank) for name, rank in ranks.items()},
    )
    dry = np.array([[0, 1.0, 1.0], [0, 2.0, 0], [0, 0, 3.0], [1.0, 0, 0]])
    found = gives_way(site, DATES, SimpleNamespace(dry=dry))
    assert found == [("rough", DATES[0], 1), ("fairway", DATES[1], 2), ("green", DATES[1], 1)]
    # against how things are, only what is more than a millimetre drier counts
    usual = SimpleNamespace(dry=np.array([[0, 1.0, 1.0], [0, 0.5, 0], [0, 0, 2.5], [1.0, 0, 0]]))
    assert gives_way(site, DATES, SimpleNamespace(dry=dry), usual) == [("fairway", DATES[1], 1)]
