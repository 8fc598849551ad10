"""What one more cubic metre would do, in words and in plan.json."""

import copy
from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.results import OneMore
from scheduler.document.reading import document_of
from scheduler.document.rules import plan_faults
from scheduler.document.worth import worth_part
from tests.models.plan.plans import plan
from tests.scheduler.sample_plan import sample_plan

SURFACES = {"green": SimpleNamespace(priority=1), "fairway": SimpleNamespace(priority=2)}


def asked(volume, less_dry, bill, units="metric", currency="EUR", **given):
    zones = SimpleNamespace(surface=np.array(["green", "fairway", "fairway"], dtype=object))
    site = SimpleNamespace(zones=zones, surfaces=SURFACES, units=units, currency=currency)
    more = OneMore(np.array(volume, float), np.array(less_dry, float), bill)
    return worth_part(site, plan(zones=3, nights=2, **given), more)


def test_water_and_dryness_are_added_up_by_surface():
    part = asked([0, 0.25, 0.75], [[0, 0], [0.5, 0.5], [1.5, 1.2]], 0.3)
    assert {s: row.model_dump() for s, row in part.by_surface.items()} == {
        "green": {"volume_m3": 0.0, "less_dry_mm_days": 0.0},
        "fairway": {"volume_m3": 1.0, "less_dry_mm_days": 3.7},
    }
    assert part.bill == 0.3 and list(part.by_surface) == ["green", "fairway"]  # those served first in front
    assert part.words == (
        "1.0 m³ more in the allocation would go to fairway, sparing it 3.7 mm of dryness, summed over zones and days; "
        "it would cost 0.30 EUR in water and energy"
    )


def test_us_words_count_by_a_thousand_gallons():
    words = asked([1, 0, 0], [[2.54, 2.54], [0, 0], [0, 0]], 0.4, units="us", currency="$").words
    assert words.startswith("1,000 gal more in the allocation would go to green, sparing it 0.76 in of dryness")
    assert words.endswith("it would cost $1.51 in water and energy")  # 3.785 times 5.08 mm and 0.4


def test_two_surfaces_share_and_a_third_makes_room():
    words = asked([0.6, 0.4, 0], [[0.9, 0], [0, 0], [0.5, 0]], 0.0, source_price=[0.0])
    assert words.bill is None
    assert "to green (60%), sparing it 0.9 mm of dryness" in words.words
    assert "and to fairway (40%), sparing it 0.5 mm" in words.words


def test_what_only_refills_is_not_called_dryness_spared():
    assert "there only refilling for the days after this plan" in asked([1, 0, 0], np.zeros((3, 2)), 0.2).words


def test_over_use_at_a_price_is_money():
    from models.plan.inputs import Tier

    part = asked(np.zeros(3), np.zeros((3, 2)), -2.0, tiers=(Tier(5.0, 2.0),))
    assert part.bill == -2.0
    assert "1.0 m³ more in it would change no run time and save 2.00 EUR of over-use" in part.words


def test_where_nothing_would_change_there_is_nothing_to_say():
    assert worth_part(None, None, None) is None


@pytest.mark.parametrize("spoil", ["too much", "another surface"])
def test_a_document_that_hands_out_more_than_one_is_refused(spoil):
    document = copy.deepcopy(sample_plan())
    assert not plan_faults(document_of(document))
    rows = document["allocation"]["worth_per_m3"]["by_surface"]
    if spoil == "too much":
        for row in rows.values():
            row["volume_m3"] = 1.0
    else:
        rows["pitch of another site"] = {"volume_m3": 0.0, "less_dry_mm_days": 0.0}
    assert any("worth_per_m3" in fault for fault in plan_faults(document_of(document)))
