"""What a morning says of each zone: nothing that was not measured, and no blame for a run taken as planned."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.morning import report
from scheduler.morning.records import Seen

NAN = np.nan


class Zones(SimpleNamespace):
    def __len__(self):
        return len(self.zone)


SITE = SimpleNamespace(
    units="metric",
    zones=Zones(
        priority=np.array([1]), zone=np.array(["G1"]), field_capacity=np.array([0.2]), root_depth=np.array([0.2])
    ),
)


def seen(**told):
    """One zone that ran 10 min as planned and ended 2 mm short of full, inside a band of 1 to 9 mm."""
    usual = {
        "planned": 10.0, "applied": 10.0, "minutes": 10.0, "depth": 5.0, "after": 2.0, "measured": NAN, "dry": 9.0,
        "wet": 1.0, "silent": False, "flushed": False,
    }  # fmt: skip
    return Seen(**{name: np.array([value]) for name, value in (usual | told).items()})


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({}, ""),
        ({"after": -6.0}, ""),  # more than the roots hold, but as planned
        ({"applied": NAN, "after": -6.0}, ""),  # no log: nobody knows that it ran
        ({"applied": 24.0, "minutes": 24.0, "after": -6.0}, "24 min ran of 10 min planned; over-watered: 6.0 mm"),
        ({"applied": 24.0, "minutes": 24.0, "after": -2.0}, "24 min ran of 10 min planned"),  # 2 mm may drain
        ({"planned": NAN, "after": -6.0}, "over-watered: 6.0 mm more than its roots could hold"),
        ({"planned": NAN, "after": -6.0, "measured": 4.0}, ""),  # the probe finds room left
        ({"planned": NAN, "after": -6.0, "flushed": True}, ""),
        ({"applied": 4.0, "minutes": 4.0}, "4 min ran of 10 min planned"),
        ({"after": 11.0}, "under-watered: the estimate finds it short by 11.0 mm, its limit is 9.0 mm"),
        ({"measured": 10.0}, "under-watered: its probes find it short by 10.0 mm, its limit is 9.0 mm"),
        ({"measured": 10.0, "silent": True}, "did not respond"),
    ],
)
def test_a_verdict_says_what_is_known(told, words):
    (verdict,), _ = report._judge(SITE, seen(**told))
    assert verdict.startswith(words) and bool(verdict) is bool(words)


def test_where_to_walk_is_told_with_its_rank():
    _, (stop,) = report._judge(SITE, seen(applied=4.0, minutes=4.0))
    assert (stop.rank[0], stop.row, stop.why) == (report.SHORT, 0, "4 min ran of 10 min planned")


@pytest.mark.parametrize(
    ("before", "highest", "reached"),
    [
        (0.12, 0.15, True),  # it rose by 3 %
        (0.12, 0.125, False),
        (NAN, 0.15, None),  # nothing to hold it against
        (0.12, NAN, None),  # not read after the flush
        (NAN, 0.21, True),  # full at field capacity, whatever it was before
    ],
)
def test_a_flush_reached_a_probe_only_by_its_readings(before, highest, reached, monkeypatch):
    def readings(site, sensors, good, nights, what="moisture"):
        last = 0.14 if what == "moisture" else 1.0
        return np.array([[before]]), np.array([[highest]]), np.array([[last]])

    monkeypatch.setattr(report, "around_nights", readings)

    class One:
        zone, probe, depth = np.array([0]), np.array(["P1"]), np.array([0.15])

        def __len__(self):
            return 1

        def part(self, rows):
            return self

    (effect,) = report._flush_effects(SITE, date(2026, 7, 14), One(), pd.DataFrame(), np.array([True]))
    assert effect.lower and effect.reached is reached


def test_without_a_log_nothing_is_said_to_have_run():
    site = SimpleNamespace(units="metric", zones=SITE.zones)
    assert "1 zone ran;" in report._headline(site, date(2026, 7, 14), seen(), 0)
    assert "1 zone planned, no log of what ran;" in report._headline(site, date(2026, 7, 14), seen(applied=NAN), 0)
