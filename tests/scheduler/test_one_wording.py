"""One wording a fact: the numbers of a night are alike in plan.json, terminal, night sheet and keypad."""

import re
from pathlib import Path

import pytest
from rich.console import Console

from scheduler import edge
from scheduler.document.actions import first_start, last_end
from scheduler.document.parts import Status
from scheduler.sheets.keying import keying_sheet
from scheduler.sheets.night import night_sheet
from scheduler.terminal.evening import print_evening
from tests.scheduler.sample_plan import sample_document
from tests.scheduler.test_sheets_night import Page


def terminal(plan):
    screen = Console(width=400, record=True, file=Path("/dev/null").open("w", encoding="utf-8"))
    print_evening(screen, plan, [])
    return re.sub(r"\s+", " ", screen.export_text())


@pytest.mark.parametrize("units", ["us", "metric"])
def test_ten_numbers_are_told_alike_everywhere(units):
    plan = sample_document(units=units)
    tonight, currency = plan.nights[0], plan.site.currency
    said, sheet, keypad = terminal(plan), Page(night_sheet(plan)).words, Page(keying_sheet(plan)).words
    worst = plan.give_way[0].words
    both = {
        "zones running": f"{tonight.zones_running} of {plan.site.zones}",
        "first start": edge.format_time(first_start(plan), units),
        "finish": edge.format_time(last_end(plan), units),
        "water": edge.format_volume(tonight.volume_m3, units),
        "run time": edge.format_duration(tonight.minutes),
        "energy": edge.format_energy(tonight.energy_kwh),
        "cost": edge.format_money(tonight.cost, currency),
        "who gives way": worst,
        "what more water buys": plan.allocation.worth_per_m3.words,
        "what to do first": plan.actions[0].what,
        "a doubt": plan.warnings[0].text,
        **{f"depth of {s.surface}": edge.format_depth(s.depth_mm, units) for s in plan.surfaces},
        **{f"water of {s.surface}": edge.format_volume(s.volume_m3, units) for s in plan.surfaces},
    }
    for what, words in both.items():
        shown = words.replace(" of ", " zones of ") if what == "zones running" else words
        assert shown in said, (what, "terminal")
        assert words in sheet, (what, "night sheet")
    for zone in plan.zones:
        if zone.minutes > 0:
            assert edge.format_duration(zone.minutes) in keypad
    by_surface = sum(s.volume_m3 for s in plan.surfaces)
    assert by_surface == pytest.approx(tonight.volume_m3) == sum(z.volume_m3 for z in plan.zones)


@pytest.mark.parametrize(("rows", "words"), [(0, None), (1, "1 more limit binds"), (2, "2 more limits bind")])
def test_limits_of_later_nights_are_counted(rows, words):
    plan = sample_document()
    limit = plan.nights[0].limits[0].model_copy(update={"binds": True})
    slack = limit.model_copy(update={"binds": False})
    first, second = (n.model_copy(update={"limits": (slack,)}) for n in plan.nights[:2])
    second = second.model_copy(update={"limits": (limit,) * rows})
    said = terminal(plan.model_copy(update={"nights": (first, second)}))
    assert (f"{words} on later nights (see the night sheet)" in said) if words else "later nights (see" not in said


@pytest.mark.parametrize(
    ("dry", "told"), [(False, "no water needed"), (True, "nothing runs tonight, water by hand tomorrow")]
)
def test_a_night_of_full_ground_before_a_dry_day_is_not_headed_as_one_that_needs_nothing(monkeypatch, dry, told):
    plan = sample_document()
    monkeypatch.setattr("scheduler.document.actions.past_limit_tomorrow", lambda _: plan.zones[:dry])
    assert told not in terminal(plan)
    assert f": {told} " in terminal(plan.model_copy(update={"status": Status.NOT_NEEDED}))
