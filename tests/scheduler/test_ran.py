"""What ran on past nights: the log wins as far as it reaches, published plans stand in after it, silence is said."""

import dataclasses
from datetime import date

import numpy as np
import pandas as pd
import pytest

from models.choices import READINGS
from scheduler.state.ran import minutes_run, planned_runs, runs_before, what_ran
from tests.scheduler.site_folders import site

EVENING = date(2026, 7, 20)
PAST = pd.DataFrame({"date": pd.date_range("2026-07-01", "2026-07-20")})


def planned(*days, minutes=10.0):
    rows = [
        (pd.Timestamp(2026, 7, day), zone, minutes + day, 3.0 + day, 1.5)
        for day in days
        for zone in ("G1", "F1", "gone")
    ]
    return pd.DataFrame(rows, columns=["night", "zone", "minutes", "depletion", "spread"])


def made(tmp_path, log=(), plans=()):
    text = "night,zone,minutes\n" + "".join(f"2026-07-{day:02d},G1,5\n" for day in log)
    whole = site(tmp_path, **({"applied": text} if log else {}))
    return dataclasses.replace(whole, planned=planned(*plans)) if plans else whole


def asked(tmp_path, **given):
    notes = []
    return what_ran(made(tmp_path, **given), EVENING, PAST, notes), " / ".join(n.text for n in notes)


def green(ran):
    return {int(day) + 1: float(m) for day, m in enumerate(ran.minutes[0]) if m}


def test_without_log_or_plans_nothing_is_known(tmp_path):
    ran, said = asked(tmp_path)
    assert ran.begins is None and not ran.minutes.any() and said == "no log of applied water"


def test_the_log_alone_counts_from_the_first_date(tmp_path):
    ran, said = asked(tmp_path, log=(12, 19))
    assert (ran.begins, ran.first_known, green(ran), said) == (0, 11, {12: 5.0, 19: 5.0}, "")


def test_plans_stand_in_where_there_is_no_log(tmp_path):
    ran, said = asked(tmp_path, plans=(17, 18, 19))
    assert green(ran) == {17: 27.0, 18: 28.0, 19: 29.0}
    assert ran.begins == 16 and ran.depletion.tolist() == [20.0, 20.0] and ran.spread.tolist() == [1.5, 1.5]
    assert said == "no log of what ran: the plans of 3 nights are taken as run"


def test_a_night_is_never_counted_twice(tmp_path):
    ran, said = asked(tmp_path, log=(15, 18), plans=(15, 16, 17, 18, 19))
    assert green(ran) == {15: 5.0, 18: 5.0, 19: 29.0}  # 16 and 17 lie within the log, which has nothing there
    assert ran.begins == 0 and ran.planned == (date(2026, 7, 19),) and ran.nights == 2
    assert said == "the log of applied water ends on 2026-07-18: 1 night's plan is taken as run"
    rows = runs_before(made(tmp_path / "again", log=(15, 18), plans=(15, 16, 17, 18, 19)), EVENING)
    assert not rows.duplicated(["night", "zone"]).any() and len(rows) == 2 + 3


def test_nights_without_a_plan_among_others_count_as_dry_and_are_said(tmp_path):
    ran, said = asked(tmp_path, plans=(14, 18))
    assert green(ran) == {14: 24.0, 18: 28.0} and ran.begins == 13
    assert said.endswith("the plans of 2 nights are taken as run, 4 nights without a plan counted as without water")


def test_a_log_that_ended_long_ago_goes_on_through_plans(tmp_path):
    ran, said = asked(tmp_path, log=(2, 3), plans=tuple(range(4, 20)))
    assert ran.begins == 0 and len(ran.planned) == 16 and "ends on 2026-07-03" in said


@pytest.mark.parametrize("oldest", [19 - READINGS.longest_silence, 19 - READINGS.longest_silence - 1])
def test_a_long_silence_breaks_the_balance(tmp_path, oldest):
    ran, said = asked(tmp_path, log=(1,), plans=(oldest,))
    assert (ran.begins is None) == (oldest < 12)
    assert ("over 7 nights older than tonight" in said) == (oldest < 12)
    ran, _ = asked(tmp_path / "two", plans=(oldest - 1, 19))
    assert ran.planned == ((date(2026, 7, oldest - 1), date(2026, 7, 19)) if oldest >= 12 else (date(2026, 7, 19),))
    assert green(ran).keys() == {d.day for d in ran.planned}


def test_plans_of_tonight_and_later_do_not_count(tmp_path):
    whole = made(tmp_path, plans=(19, 20, 21))
    assert planned_runs(whole, EVENING)["night"].dt.day.unique().tolist() == [19]


def test_plans_from_before_the_weather_begin_with_it(tmp_path):
    notes = []
    ran = what_ran(made(tmp_path, plans=(16, 17, 18, 19)), EVENING, PAST[17:].reset_index(drop=True), notes)
    assert ran.begins == 0 and ran.depletion.tolist() == [21.0, 21.0]
    assert np.flatnonzero(ran.minutes[0]).tolist() == [0, 1]


@pytest.mark.parametrize(("last", "known"), [(12, True), (11, False)])
def test_a_log_that_ends_over_a_week_ago_says_nothing_of_tonight(tmp_path, last, known):
    # Nights 13 to 19 are seven of which nothing is known; one more and the balance says nothing.
    ran, said = asked(tmp_path, log=(5, last))
    assert (ran.begins, ran.first_known) == ((0, 4) if known else (None, len(PAST)))
    assert said.endswith("7 later nights counted as without water" if known else "no longer used")


def test_each_run_counts_on_its_own_night_and_a_night_is_counted_once(tmp_path):
    rows = "2026-07-18,G1,12\n2026-07-18,F1,2\n2026-06-30,G1,50\n2026-07-20,G1,60\n2026-07-19,G1,\n"
    notes = []
    ran = what_ran(site(tmp_path, applied="night,zone,minutes\n" + rows), EVENING, PAST, notes)
    assert green(ran) == {18: 12.0}  # nothing of nights before the record, of tonight, or of a run without minutes
    assert ran.minutes[1].tolist() == [0.0] * 17 + [2.0, 0.0, 0.0]
    assert (ran.newest, ran.nights) == (date(2026, 7, 18), 2)


def test_a_run_told_by_its_volume_ran_as_long_as_its_flow_takes_for_it(tmp_path):
    # 2 L/s are 0.12 m3 a minute. Where both are told, minutes are what the controller did.
    zones = "zone,surface,area,flow\nG1,green,500,2\nF1,fairway,2000,4\n"
    log = "night,zone,minutes,volume\n2026-07-18,G1,,3.6\n2026-07-19,G1,12,99\n2026-07-19,F1,,2.4\n"
    place, notes = site(tmp_path, zones=zones, applied=log), []
    ran = what_ran(place, EVENING, PAST, notes)
    assert green(ran) == {18: pytest.approx(30.0), 19: 12.0} and ran.minutes[1, 18] == pytest.approx(10.0)
    assert (ran.newest, ran.nights, ran.first_known, notes) == (date(2026, 7, 19), 2, 17, [])
    late = dataclasses.replace(place, planned=planned(20))
    assert minutes_run(late, runs_before(late, date(2026, 7, 21))).tolist()[:4] == pytest.approx([30, 10, 12, 30])
    assert np.isnan(minutes_run(place, place.applied.assign(zone="gone", minutes=np.nan))).all()


def test_nights_between_the_end_of_the_log_and_the_first_plan_are_dry_ones(tmp_path):
    # 11 to 13 and 15 to 18 July: seven nights of which neither log nor plan speaks.
    ran, said = asked(tmp_path, log=(10,), plans=(14, 19))
    assert (ran.begins, ran.planned) == (0, (date(2026, 7, 14), date(2026, 7, 19)))
    assert said.endswith("ends on 2026-07-10: the plans of 2 nights are taken as run, 7 nights without a plan counted "
                         "as without water")  # fmt: skip


def test_a_balance_that_begins_with_a_plan_forgets_what_ran_before_it(tmp_path):
    # The log ended too long ago to go on from it: the plans say where zones stood on the first of their evenings.
    ran, _ = asked(tmp_path, log=(3,), plans=(16, 18))
    assert (ran.begins, ran.first_known, green(ran)) == (15, 15, {16: 26.0, 18: 28.0})
    assert (ran.depletion.tolist(), ran.spread.tolist()) == ([19.0, 19.0], [1.5, 1.5])
