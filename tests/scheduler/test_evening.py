"""Which evening is planned where none is named."""

from datetime import UTC, date, datetime, timedelta

from scheduler.nights import choose_night
from scheduler.planning import planned_evening
from scheduler.site import load_site
from tests.scheduler.site_folders import site
from tests.sites import make_site

TODAY = date(2026, 7, 14)


def chosen(tmp_path, *days):
    return choose_night(site(tmp_path, weather="date,tmin,tmax\n" + "".join(f"{d},10,20\n" for d in days)), TODAY)


def test_tonight_unless_the_folder_is_of_a_past_season(tmp_path):
    assert chosen(tmp_path) == TODAY
    assert chosen(tmp_path, "2026-07-10") == TODAY
    assert chosen(tmp_path, "2026-06-30") == TODAY
    assert chosen(tmp_path, "2026-06-29") == date(2026, 6, 29)


def test_a_season_to_come_is_a_season(tmp_path):
    assert chosen(tmp_path, "2031-06-30", "2031-07-01") == date(2031, 7, 1)


def test_a_slip_of_the_pen_moves_no_evening(tmp_path):
    assert chosen(tmp_path, "2026-07-13", "2062-07-14") == TODAY
    assert chosen(tmp_path, "2025-08-01", "2062-07-14") == date(2025, 8, 1)


def test_a_shut_night_does_not_shut_the_later_ones(tmp_path):
    # nights from Wednesday on are allowed, tonight is Tuesday: run times of the later nights keep their limits
    made = datetime(2026, 7, 14, 20, tzinfo=UTC)
    closed = load_site(make_site(tmp_path / "s", zones=12, nights=3, nights_allowed=("Wednesday",), seed=3))
    planned = planned_evening(closed, TODAY, made)
    assert not planned.run.minutes.any() and planned.inputs.dates[1] == TODAY + timedelta(days=1)
    assert planned.run.minutes_by_night[:, 1].sum() > 0
