"""Which water a zone takes: single sources or their fixed blend, its usual salt, and flows that fit their pipe."""

from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.supply import fits_alone, usual_share, usual_source_ec, water_supplies


def place(sources, *zones):
    """A site of sources (name, EC, share) and the sources each zone lists."""
    listed = [SimpleNamespace(name=n, ec=ec, share=share) for n, ec, share in sources]
    return SimpleNamespace(sources=tuple(listed), zones=SimpleZones(zones))


class SimpleZones(SimpleNamespace):
    def __init__(self, sources):
        super().__init__(sources=sources)

    def __len__(self):
        return len(self.sources)


BLENDED = (("well", 0.6, 1.0), ("reuse", 2.0, 3.0), ("lake", 1.0, None))


def test_sources_that_all_carry_a_share_are_one_blend():
    # Well and reuse are mixed 1 to 3; with the lake, which has no share, a zone may take any of them by itself.
    names, open_to, share = water_supplies(place(BLENDED, (0, 1), (1,), (0, 2), ()))
    assert names == ("well + reuse", "reuse", "well", "lake")
    assert share.tolist() == [[0.25, 0.75, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    assert open_to.tolist() == [
        [True, False, False, False], [False, True, False, False], [False, False, True, True], [False, True, True, True]
    ]  # fmt: skip


def test_a_zone_usually_takes_its_blend_or_the_first_source_it_names_whatever_other_zones_name():
    # The reuse water is the site's first supply, since the first zone names it; the third still takes the well first.
    share, alone = usual_share(place(BLENDED, (1,), (0, 1), (0, 2), (2, 0), ()))
    assert share.tolist() == [[0.0, 1.0, 0.0], [0.25, 0.75, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]
    assert alone.tolist() == [True, True, False, False, False]
    share, alone = usual_share(place((), (), ()))
    assert (share.tolist(), alone.tolist()) == ([[1.0], [1.0]], [True, True])


def test_a_share_of_nothing_is_no_part_of_a_blend_s_name():
    names, _, share = water_supplies(place((("well", 1.0, 2.0), ("pond", 1.0, 0.0)), (0, 1)))
    assert (names, share.tolist()) == (("well",), [[1.0, 0.0]])
    names, _, share = water_supplies(place((("well", 1.0, 0.0), ("pond", 1.0, 0.0)), (0, 1)))
    assert (names, share.tolist()) == (("well", "pond"), [[1.0, 0.0], [0.0, 1.0]])  # shares of nothing mix nothing


def test_a_site_without_sources_has_one_water_without_salt():
    bare = place((), (), ())
    assert [np.asarray(a).tolist() for a in water_supplies(bare)] == [["water"], [[True], [True]], [[1.0]]]
    assert usual_source_ec(bare).tolist() == [0.0, 0.0]


def test_a_zone_usually_takes_its_blend_or_the_first_it_names():
    # 0.25 of 0.6 and 0.75 of 2.0 dS/m; the lake first where it is named first, however salty; all sources: the well.
    found = usual_source_ec(place(BLENDED, (0, 1), (2, 0), (0,), ()))
    assert found.tolist() == pytest.approx([0.25 * 0.6 + 0.75 * 2.0, 1.0, 0.6, 0.6])


@pytest.mark.parametrize(
    ("pump", "branch", "fits"), [(0, 0, True), (1, -1, False), (-1, 1, False), (0, 1, False), (-1, -1, True)]
)
def test_a_zone_must_fit_its_pump_and_its_branch_when_it_runs_alone(pump, branch, fits):
    site = SimpleNamespace(
        pumps=(SimpleNamespace(capacity=5.0), SimpleNamespace(capacity=4.9)),
        branches=(SimpleNamespace(capacity=5.0), SimpleNamespace(capacity=4.9)),
        zones=SimpleNamespace(flow=np.array([5.0]), pump=np.array([pump]), branch=np.array([branch])),
    )
    assert fits_alone(site).tolist() == [fits]
