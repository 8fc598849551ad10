"""Calendar of an order: the night, the week from Monday, the month."""

from datetime import date

import pytest

from scheduler.whatif.orders import _period


@pytest.mark.parametrize(
    ("night", "per", "begins"),
    [
        (date(2026, 7, 14), "night", date(2026, 7, 14)),
        (date(2026, 7, 12), "week", date(2026, 7, 6)),  # a Sunday ends its week
        (date(2026, 7, 13), "week", date(2026, 7, 13)),  # a Monday begins one
        (date(2026, 7, 31), "month", date(2026, 7, 1)),
        (date(2026, 7, 31), "m2_month", date(2026, 7, 1)),
    ],
)
def test_what_an_allowance_is_for_begins(night, per, begins):
    assert _period(night, per, "metric")[0] == begins
