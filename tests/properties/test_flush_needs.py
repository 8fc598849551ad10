"""Laws of flush needs: whatever salt, rain and calendar, what the plan is given can be done and is allowed."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from models.layers import LayeredState, ece_of, root_zone_ece, some_layers, state_from_ece
from models.salt_balance import lead_in
from scheduler.events import protected_nights
from tests.drawn import examples
from tests.scheduler import salty_sites as s

ZONES = s.zones_csv(
    "G1,green,creeping_bentgrass,reclaimed",
    "G2,green,annual_bluegrass,reclaimed|well",
    "T1,tee,perennial_ryegrass,well",
    "F1,fairway,tall_fescue,reclaimed,no",
)
CALENDAR = "from,until,surface,zone,event,note\n" + "".join(
    f"{s.NIGHT + timedelta(days=d)},{s.NIGHT + timedelta(days=d)},{surface},,{event},\n"
    for d, surface, event in ((4, "green", "tournament"), (0, "tee", "fertigation"))
)


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    toml = s.HEAD + s.PUMP + s.source() + s.source("well", 0.5)
    place = s.salty(tmp_path_factory.mktemp("site") / "a", toml, ZONES, calendar=CALENDAR)
    return place, *s.evening(place)


ece = st.lists(st.floats(0.1, 40.0), min_size=8, max_size=8)
rain = st.lists(st.floats(0.0, 30.0) | st.just(0.0), min_size=7, max_size=7)


@examples(40)
@given(ece, rain, st.floats(0.0, 1.0))
@example([1.0, 1.0, 3.0, 2.0, 1.0, 1.0, 1.0, 1.0], [0.0] * 7, 0.6451088683590275)  # as deep as a flush may be
def test_needs_can_be_met_and_are_allowed(evening, ece, rain, dryness):
    place, _, _, salt, inputs = evening
    salt = replace(s.with_ece(salt, np.array(ece).reshape(4, 2).tolist()), depletion=dryness * inputs.plan.taw)
    plan = replace(inputs.plan, effective_rain=np.tile(rain, (4, 1)), depletion=salt.depletion)
    found = s.flush_candidates(place, salt, replace(inputs, plan=plan))
    needs, z = found.needs, found.needs.zone
    assert 3 not in z  # no drains
    assert len(found.cause) == len(found.by) == z.size
    assert np.isfinite(needs.depth).any(axis=1).all()
    assert not np.isfinite(needs.depth)[~plan.zone_supply[z]].any()
    assert not (needs.allowed & protected_nights(place, inputs.dates)[z]).any()
    assert np.all(needs.harm <= plan.etc[z])
    assert np.all(found.target <= np.maximum(found.limit, found.ece_now))
    if not z.size or any(rain):
        return
    # From tonight's state, where the limit is passed already, the depth does what it says with each water.
    now = found.passes == 0
    part = some_layers(salt.layers, z)
    start = state_from_ece(part, salt.depletion[z], salt.ece[z])
    for k in range(needs.depth.shape[1]):
        depth = np.nan_to_num(needs.depth[:, k])
        ec = float(plan.supply_share[k] @ [w.ec for w in place.sources])
        after: LayeredState = lead_in(part, start, start.total_depletion + depth, ec)
        reached = root_zone_ece(part, ece_of(part, after))
        done = now & np.isfinite(needs.depth[:, k])
        assert np.all(reached[done] <= found.target[done] + 0.02)


@examples(20)
@given(st.floats(4.0, 12.0), st.floats(0.2, 4.0))
def test_a_saltier_zone_needs_at_least_as_much_and_is_due_no_later(evening, mean, more):
    place, _, _, salt, inputs = evening

    def green(value):
        ece = np.full((4, 2), 0.5)
        ece[0] = 0.5 * value, 1.5 * value
        found = s.flush_candidates(place, s.with_ece(salt, ece.tolist()), inputs)
        return found.needs.depth[0, 0], found.passes[0], found.needs.harm[0].sum()

    less, saltier = green(mean), green(mean + more)
    assert saltier[0] >= less[0] - 0.02
    assert saltier[1] <= less[1]
    assert saltier[2] >= less[2] - 1e-9
