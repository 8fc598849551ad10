"""When the runs of a night really start: in the cheap hours where they carry all, in the dear only what they do not.

Through the command line, with times worked out by hand: one station at a time, 21:00 to 24:00, the first hour dear.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from tests.drawn import some
from tests.end_to_end.test_full_nights import evening, site
from tests.sites import make_site

TARIFF = """
[[pump]]
name = "station"
capacity = 10
head = 60
efficiency = 0.6
[[tariff]]
from = "21:00"
until = "22:00"
price = {first}
[[tariff]]
from = "22:00"
until = "24:00"
price = {then}
"""
DEAR_FIRST = TARIFF.format(first=0.40, then=0.08)
DEAR_LAST = TARIFF.format(first=0.08, then=0.40)


def spans(plan: dict) -> list[tuple[float, float]]:
    """Starts and ends of all cycles [min after 00:00 of the evening's date], in order."""
    midnight = datetime(2026, 7, 14)
    return sorted(
        tuple(
            (datetime.fromisoformat(c[k]).replace(tzinfo=None) - midnight).total_seconds() / 60
            for k in ("start", "end")
        )
        for zone in plan["zones"]
        for c in zone["cycles"]
    )


def minutes_within(plan: dict, opens: float, closes: float) -> float:
    """Minutes of all cycles between two moments."""
    return sum(max(0.0, min(b, closes) - max(a, opens)) for a, b in spans(plan))


def test_all_runs_are_in_the_cheap_hours_where_these_carry_them(tmp_path):
    # 90 of the 120 cheap minutes: none before 22:00, and late rather than early, so they end at the close.
    plan, _, _, _ = evening(site(tmp_path / "s", ("A", "green", 50, 50, 0), ("B", "rough", 40, 40, 0), more=DEAR_FIRST))
    assert spans(plan) == [(1350.0, 1390.0), (1390.0, 1440.0)]


def test_cheap_hours_before_dear_ones_are_used_and_their_end_rather_than_their_beginning(tmp_path):
    # The first hour is the cheap one: 50 min run in it, up to its end, although later would keep leaves drier.
    plan, _, _, _ = evening(site(tmp_path / "s", ("A", "green", 30, 30, 0), ("B", "rough", 20, 20, 0), more=DEAR_LAST))
    assert spans(plan) == [(1270.0, 1290.0), (1290.0, 1320.0)]


@pytest.mark.drawn
@pytest.mark.parametrize("longest", some([(50, 60, 60), (40, 45, 90), (60, 50, 30)], 1))
def test_dear_hours_take_only_what_the_cheap_ones_do_not(tmp_path, longest):
    # One at a time: what is asked beyond the 120 cheap minutes runs in the dear hour, the last minutes before 22:00.
    surfaces = ("green", "fairway", "rough")
    zones = [(s[0].upper(), s, n, n, 0) for s, n in zip(surfaces, longest, strict=True)]
    plan, minutes, told, _ = evening(site(tmp_path / "s", *zones, more=DEAR_FIRST))
    assert sum(minutes.values()) == sum(longest)
    beyond = sum(longest) - 120
    assert minutes_within(plan, 1260, 1320) == beyond
    assert minutes_within(plan, 1320 - beyond, 1320) == beyond
    assert not any("no place" in text for text in told)


def test_without_a_tariff_the_night_is_filled_from_its_end(tmp_path):
    # 90 min, one at a time: from 22:30 to the close; the rank served first is last to finish.
    plan, _, _, _ = evening(site(tmp_path / "s", ("A", "green", 50, 50, 0), ("B", "rough", 40, 40, 0)))
    assert spans(plan) == [(1350.0, 1390.0), (1390.0, 1440.0)]
    ends = {z["id"]: z["cycles"][-1]["end"][11:16] for z in plan["zones"]}
    assert ends == {"A": "00:00", "B": "23:10"}


@pytest.mark.sweep
@pytest.mark.parametrize(("load", "most"), [(0.1, 0.0), (0.15, 0.0), (0.22, 0.05)])
def test_a_course_runs_in_the_cheap_hours_and_ends_at_the_close(tmp_path: Path, load, most):
    # 40 zones on one pump, 21:00 to 22:00 dear (0.29), 22:00 to 05:00 cheap (0.11): seven eighths of the window. The
    # dry course, without probes, asks 44 to 85 % of what the pump gives in the window. On the first two only a run
    # whose own cycles and soaks are longer than the 420 cheap minutes begins in the dear hour; on the last, which all
    # but fills the cheap hours, also what cycles with soaks leave of them.
    plan, _, _, _ = evening(make_site(tmp_path / "site", zones=40, nights=2, load=load, probes=False))
    dear, cheap = plan["energy"]
    assert (dear["price"], cheap["price"]) == (0.29, 0.11)
    assert cheap["volume_m3"] > 700.0
    too_long = {z["id"] for z in plan["zones"] if z["minutes"] + (len(z["cycles"]) - 1) * z["limits"]["soak_min"] > 420}
    others = plan | {"zones": [z for z in plan["zones"] if z["id"] not in too_long]}
    if most:
        assert dear["volume_m3"] <= most * cheap["volume_m3"]
    else:
        assert minutes_within(others, 1260, 1320) == 0.0
    assert max(b for _, b in spans(plan)) == 1740.0
