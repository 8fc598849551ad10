"""One evening with and without a tournament: the nights it protects are those on which greens want to be flushed."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from scheduler.evening import plan_tonight
from tests.scheduler import salty_sites as s

GREENS = ("G1", "G2", "G3")
DAYS = 7


def night(days):
    """Date of a night counted from tonight."""
    return (s.NIGHT + timedelta(days=days)).isoformat()


def evening(folder, ece, event=None, first=0, last=0):
    """Plan of an evening without rain, from the ECe of the upper and the lower half of greens [dS/m] and an event."""
    ran = "".join(f"{s.NIGHT - timedelta(days=d)},{z},22\n" for d in range(12, 0, -1) for z in GREENS)
    known = "".join(f"{s.NIGHT},{z},{d},{e}\n" for z in GREENS for d, e in zip((5, 15), ece, strict=True))
    place = s.salty(
        folder,
        applied="night,zone,minutes\n" + ran,
        samples="date,zone,depth,ece\n" + known,
        weather=s.weather_csv(13),
        calendar="from,until,surface,zone,event,note\n"
        + (f"{night(first)},{night(last)},green,,{event},\n" if event else ""),
    )
    plan = plan_tonight(place, s.NIGHT, datetime(2026, 7, 14, 18, tzinfo=place.time_zone)).plain()
    assert len(plan["nights"]) == DAYS
    return plan


def drained(plan):
    """Zone, night and drainage of every step of a plan [mm]."""
    return [(z["id"], step["night"], step["drainage_mm"]) for z in plan["zones"] for step in z["path"]]


def nights_of_salt_leaving(plan):
    """Nights on which the plan flushes a zone or lets it leach."""
    return {n for part in (plan["flushes"], plan["leaching"]["upkeep"]) for row in part for n in row["nights"]}


@pytest.mark.parametrize(
    ("ece", "event", "first", "last", "shut"),
    [
        ((2.0, 6.0), "tournament", 2, 4, range(5)),  # above the limit of 3.7: wants a flush tonight
        ((1.4, 4.8), "tournament", 4, 5, range(2, 6)),  # below it: on the last night in time, two before it
        ((1.5, 5.1), "no_flush", 2, 3, range(2, 4)),  # where nothing but the calendar speaks against those nights
    ],
)
def test_a_flush_wanted_on_a_protected_night_waits_or_comes_before_it(tmp_path, ece, event, first, last, shut):
    shut = {night(d) for d in shut}
    free = evening(tmp_path / "free", ece)
    wanted = nights_of_salt_leaving(free)
    assert wanted
    assert wanted <= shut
    assert {f["zone"] for f in free["flushes"]} == set(GREENS)
    assert sum(mm for _, n, mm in drained(free) if n in shut) > 3 * 3.0  # three greens, 3 mm each at least

    kept = evening(tmp_path / "kept", ece, event, first, last)
    assert not nights_of_salt_leaving(kept) & shut
    assert max(mm for _, n, mm in drained(kept) if n in shut) == 0.0
    assert {f["zone"] for f in kept["flushes"] if f["nights"]} == set(GREENS)  # on the nights that are left
    late = "no night in time allows it (events, fertigation or orders)"
    assert [late in f["words"] for f in kept["flushes"]] == [night(0) in shut] * len(GREENS)
    assert not any("allows it" in f["words"] for f in free["flushes"])


def test_a_tournament_over_all_nights_leaves_the_flush_due_and_says_why(tmp_path):
    kept = evening(tmp_path / "kept", (2.0, 6.0), "tournament", 2, DAYS)
    assert nights_of_salt_leaving(kept) == set()
    assert max(mm for _, _, mm in drained(kept)) == 0.0
    assert {f["zone"] for f in kept["flushes"]} == set(GREENS)
    for flush in kept["flushes"]:
        assert flush["words"].startswith("not within this plan: ")
        assert "no night of these allows it (events, fertigation or orders)" in flush["words"]
    told = [w["text"] for w in kept["warnings"] if w["subject"] == "salts"]
    assert told == ["a flush is due and no night of these allows it: G1, G2, G3"]
