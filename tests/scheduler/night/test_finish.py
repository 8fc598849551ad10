"""When zones should be done: the times of their surface, earlier on the night before an event."""

from datetime import date

import numpy as np
import pytest

from scheduler.night.finish import finish_times
from scheduler.site.windows import night_windows
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
CALENDAR = "from,until,surface,zone,event,note\n2026-07-15,2026-07-16,green,,tournament,\n"


def minutes(folder, rules="", night=NIGHT, opens="21:00", closes="05:00", calendar=None):
    toml = TOML + f'[window]\nopens = "{opens}"\ncloses = "{closes}"\n' + rules
    place = site(folder, toml, **({} if calendar is None else {"calendar": calendar}))
    return finish_times(place, night, night_windows(place, night, 1)[0])  # G1 green, F1 fairway


def test_without_a_word_the_close_is_early_enough(tmp_path):
    assert np.isnan(minutes(tmp_path)).all()


@pytest.mark.parametrize(
    ("clock", "minute"), [("04:00", 1680.0), ("23:30", 1410.0), ("05:00", np.nan), ("21:00", np.nan)]
)
def test_a_clock_time_is_taken_within_the_window(tmp_path, clock, minute):
    found = minutes(tmp_path, f'[surface.green]\nfinish_by = "{clock}"\n')
    np.testing.assert_equal(found, [minute, np.nan])


def test_before_an_event_zones_are_done_an_hour_before_the_close(tmp_path):
    before = minutes(tmp_path / "a", calendar=CALENDAR)
    np.testing.assert_equal(before, [28 * 60.0, np.nan])  # 04:00 of the morning
    last_day = minutes(tmp_path / "b", night=date(2026, 7, 15), calendar=CALENDAR)
    np.testing.assert_equal(last_day, [28 * 60.0, np.nan])
    after = minutes(tmp_path / "c", night=date(2026, 7, 16), calendar=CALENDAR)
    assert np.isnan(after).all()


def test_an_events_own_time_goes_before_the_surfaces(tmp_path):
    rules = '[surface.green]\nfinish_by = "04:30"\nevent_finish_by = "03:15"\n'
    np.testing.assert_equal(minutes(tmp_path / "a", rules, calendar=CALENDAR), [27.25 * 60, np.nan])
    np.testing.assert_equal(minutes(tmp_path / "b", rules), [28.5 * 60, np.nan])


def test_a_short_night_gives_up_a_quarter_at_most(tmp_path):
    found = minutes(tmp_path, opens="02:00", closes="04:00", calendar=CALENDAR)
    np.testing.assert_equal(found, [27.5 * 60, np.nan])  # half an hour of two


def test_a_shut_night_has_no_times(tmp_path):
    shut = '[surface.green]\nfinish_by = "04:00"\n[[restriction]]\nnights_allowed = ["Friday"]\n'
    assert np.isnan(minutes(tmp_path, shut)).all()


def test_of_a_night_cut_in_two_the_last_close_counts(tmp_path):
    # Nobody waters from 23:00 to 3:00; an hour before 5:00 the event's zones are done, at 1:00 the others.
    cut = '[surface.fairway]\nfinish_by = "04:30"\n[[restriction]]\nhours = ["21:00-23:00", "03:00-05:00"]\n'
    np.testing.assert_equal(minutes(tmp_path, cut, calendar=CALENDAR), [28 * 60.0, 28.5 * 60])
