"""Later nights follow from tonight as it runs: what tonight leaves out is given later."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.solve import PlanSolver
from scheduler.night.later import planned_anew
from tests.models.plan.plans import net_depth, plan


def evening(fitted, said=False, number=1):
    """One zone at 18 mm that takes 5 mm a date and may come to 20: 3 mm are due tonight, 5 on each later night."""
    given = plan(nights=3, depletion=18.0)
    solver = PlanSolver(given)
    result = solver.solve()
    tonight = SimpleNamespace(
        plan=given,
        inputs=SimpleNamespace(plan=given, smallest_run=np.array([2.0])),
        solver=solver,
        word=SimpleNamespace(said=np.array([said])),
    )
    draft = SimpleNamespace(
        timetable=SimpleNamespace(fitted=fitted), result=result, run_time=result.run_times(given), number=number
    )
    return tonight, draft


@pytest.mark.parametrize(("fitted", "said"), [(False, False), (True, True)])
def test_what_finds_no_place_tonight_is_given_on_later_nights(fitted, said):
    tonight, draft = evening(fitted, said)
    wished = net_depth(tonight.plan, draft.result)[0]
    assert wished[0] >= 3.0
    found = net_depth(tonight.plan, planned_anew(tonight, draft, np.array([1.0])))[0]
    assert found[0] == pytest.approx(1.0)
    assert found[1:].sum() == pytest.approx(wished.sum() - 1.0)  # the soil ends where it was to end


def test_a_night_that_fits_stays_as_it_was_planned():
    tonight, draft = evening(fitted=True)
    assert planned_anew(tonight, draft, np.array([1.0])) is draft.result


def test_a_place_given_to_another_zone_is_owed_later():
    tonight, draft = evening(fitted=True, number=2)
    runs = draft.run_time[:, 0].sum(axis=(1, 2))
    assert planned_anew(tonight, draft, runs - 2.0) is draft.result  # as far as a smallest run it is rounding
    found = planned_anew(tonight, draft, runs - 2.1)
    assert net_depth(tonight.plan, found)[0, 0] == pytest.approx((runs[0] - 2.1) * tonight.plan.net_rate[0])
    assert planned_anew(tonight, evening(fitted=True, number=1)[1], runs - 2.1) is not found
