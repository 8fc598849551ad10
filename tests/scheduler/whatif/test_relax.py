"""Which limits are widened, by how much, and what is told of it."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.inputs import Cut, Tier
from scheduler.whatif import relax
from scheduler.whatif.relax import _dearest, relaxed_limits, what_of, widened
from tests.models.plan.plans import plan

CUTS = (
    Cut("greens less", np.array([True, False]), np.array([5.0, 9.0])),
    Cut("all less", np.ones(2, bool), np.full(2, 7.0)),
)
ARRAYS = plan(
    zones=2, nights=2, supply_share=[[1.0, 0.0], [0.0, 1.0]], source_price=[0.2, 0.5], source_daily=[10.0, 20.0],
    source_monthly=np.array([[100.0], [200.0]]), pump_capacity=[30.0, 40.0], branch_capacity=[50.0, 60.0],
    stations_at_once=[2.0, 3.0], allocation=1000.0, tiers=(Tier(80.0, 1.0), Tier(90.0, 2.0)), cuts=CUTS,
)  # fmt: skip
SITE = SimpleNamespace(
    pumps=tuple(SimpleNamespace(name=n) for n in ("p", "q")),
    branches=tuple(SimpleNamespace(name=n) for n in ("a", "b")),
    controllers=tuple(SimpleNamespace(name=n) for n in ("x", "y")),
    sources=tuple(SimpleNamespace(name=n) for n in ("well", "lake")),
)


@pytest.mark.parametrize(
    ("family", "field", "values", "words"),
    [
        ("pump_limit", "pump_capacity", [30.0, 44.0], "capacity of pump q"),
        ("branch_limit", "branch_capacity", [50.0, 66.0], "capacity of branch b"),
        ("station_limit", "stations_at_once", [2.0, 3.3], "stations at once on controller y"),
        ("source_night", "source_daily", [10.0, 22.0], "nightly limit of lake"),
        ("source_month", "source_monthly", [[100.0], [220.0]], "monthly limit of lake"),
        ("allocation_limit", "allocation", 1100.0, "season's allocation"),
    ],
)
def test_one_limit_is_a_tenth_wider_and_no_other(family, field, values, words):
    found = widened(ARRAYS, family, 1)
    np.testing.assert_allclose(getattr(found, field), values)
    for name in (
        "pump_capacity",
        "branch_capacity",
        "stations_at_once",
        "source_daily",
        "source_monthly",
        "allocation",
    ):
        if name != field:
            np.testing.assert_array_equal(getattr(found, name), getattr(ARRAYS, name))
    assert what_of(SITE, ARRAYS, family, 1) == words


def test_steps_and_orders_are_a_tenth_wider_too():
    assert [t.above for t in widened(ARRAYS, "allocation_tier", 0).tiers] == pytest.approx([88.0, 99.0])
    first, second = widened(ARRAYS, "drought_cut", 1).cuts
    assert first is CUTS[0]
    np.testing.assert_allclose(second.volume, 7.7)
    assert what_of(SITE, ARRAYS, "allocation_tier", 0) == "season's allocation"
    assert what_of(SITE, ARRAYS, "drought_cut", 1) == "water of the order (all less)"


def test_limits_are_weighed_by_a_tenth_of_them_over_all_nights():
    def price(family, index, limit, price):
        return SimpleNamespace(family=family, index=index, limit=limit, price=price)

    limits = (
        price("pump_limit", (1, 0), 100.0, 0.4), price("pump_limit", (1, 1), 100.0, 0.3),  # 7 together
        price("pump_limit", (0, 0), 50.0, 1.0),  # 5
        price("allocation_tier", (1,), 90.0, 1.0),  # 9, whichever step
        price("branch_limit", (0, 0), 100.0, 0.0),
        price("source_night", (0, 0), np.inf, 1.0),
        price("station_limit", (0, 1), 0.08, 1.0),  # not worth a look
    )  # fmt: skip
    found = list(_dearest(ARRAYS, SimpleNamespace(limits=limits)))
    assert found == [("allocation_tier", 0), ("pump_limit", 1), ("pump_limit", 0)]


def test_dryness_spared_is_summed_over_days():
    before, after = (SimpleNamespace(dry=np.array(dry)) for dry in ([[4.0, 6.0], [1.0, 0.0]], [[3.0, 1.0], [1.0, 0.5]]))
    assert relax.Relaxed("pump_limit", "p", before, after, 0.0).less_dry.tolist() == [6.0, -0.5]


def test_what_spares_the_first_served_most_is_told_first_and_what_changes_little_not_at_all(monkeypatch):
    # Zones of rank 1 and 2. By limit: dryness spared of each, and the bill.
    gains = {"p": ([0.0, 9.0], 3.0), "q": ([4.0, 0.0], 2.0), "r": ([0.1, 0.2], -0.6), "s": ([0.2, 0.2], 9.0)}
    base = SimpleNamespace(dry=np.array([[10.0], [10.0]]))

    def course(outcome, arrays, result):
        if arrays not in gains:
            return base
        return SimpleNamespace(dry=base.dry - np.array(gains[arrays][0])[:, None])

    monkeypatch.setattr(relax, "reached", lambda plan, run: None)
    monkeypatch.setattr(relax, "packable", lambda plan, share: "as it is")
    monkeypatch.setattr(relax, "solved", lambda solver: None)
    monkeypatch.setattr(relax, "_course", course)
    monkeypatch.setattr(relax, "_bill", lambda arrays, course: 100.0 + gains.get(arrays, (0, 0.0))[1])
    monkeypatch.setattr(relax, "_dearest", lambda arrays, result: [(name, 0) for name in gains])
    monkeypatch.setattr(relax, "widened", lambda arrays, family, group: family)
    monkeypatch.setattr(relax, "what_of", lambda site, arrays, family, group: family)
    site = SimpleNamespace(zones=SimpleNamespace(priority=np.array([1, 2])))
    outcome = SimpleNamespace(plan=SimpleNamespace(site=site, inputs=SimpleNamespace(plan=None), needs=None))
    standing = SimpleNamespace(planned=SimpleNamespace(run=None), cases=SimpleNamespace(solver=lambda *_: None))
    found = relaxed_limits(standing, outcome)
    assert [(r.what, r.bill) for r in found] == [("q", 2.0), ("r", pytest.approx(-0.6)), ("p", 3.0)]
    assert found[0].less_dry.tolist() == [4.0, 0.0]
