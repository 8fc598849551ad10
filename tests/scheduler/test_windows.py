"""Windows of a night, drought orders and tariff blocks; the minutes expected are worked out by hand."""

from datetime import date

import numpy as np
import pytest

from scheduler.site.settle import window_minutes
from scheduler.site.windows import Block, energy_price, night_windows, restriction_cut
from tests.scheduler.site_folders import TOML, site

TUESDAY = date(2026, 7, 14)
WINDOW = '[window]\nopens = "21:00"\ncloses = "05:30"\n'


def windows(folder, toml, first=TUESDAY, nights=1):
    return night_windows(site(folder, TOML + toml), first, nights)


@pytest.mark.parametrize(
    ("opens", "closes", "minutes"),
    [
        ("21:00", "05:30", (1260, 1770)),
        ("18:00", "23:00", (1080, 1380)),
        ("20:00", "24:00", (1200, 1440)),
        ("00:30", "05:00", (1470, 1740)),  # after midnight: the morning after the evening's date
        ("00:00", "06:00", (1440, 1800)),
        ("22:00", "22:00", (1320, 2760)),  # a whole day
        ("13:00", "12:00", (780, 2160)),
    ],
)
def test_opening_and_closing(opens, closes, minutes):
    clock = [int(t[:2]) * 60 + int(t[3:]) for t in (opens, closes)]
    assert window_minutes(*clock) == minutes


def test_a_plain_night_is_one_piece_and_one_block(tmp_path):
    (night,) = windows(tmp_path, WINDOW)
    assert night.night == TUESDAY
    assert night.pieces == ((1260, 1770),)
    assert night.blocks == (Block(1260, 1770, 0.0),)
    assert night.minutes == 510
    assert all(night.allowed_by_surface[s] == (True,) for s in ("green", "rough", "pitch"))


def test_no_window_given_is_nine_to_six_and_said(tmp_path):
    read = site(tmp_path)
    assert night_windows(read, TUESDAY, 1)[0].pieces == ((1260, 1800),)
    assert any("21:00 to 06:00 is taken" in n.text and n.kind == "step_down" for n in read.notes)


def test_weekdays_that_differ(tmp_path):
    toml = (
        WINDOW
        + '[[window.by_day]]\ndays = ["Wednesday"]\nopens = "23:00"\n[[window.by_day]]\nday = "Thursday"\ncloses '
        '= "04:00"\n'
    )
    found = windows(tmp_path, toml, nights=3)
    assert [w.pieces for w in found] == [((1260, 1770),), ((1380, 1770),), ((1260, 1680),)]


def test_nights_not_allowed_have_no_pieces(tmp_path):
    toml = WINDOW + '[[restriction]]\nnights_allowed = ["Tuesday", "Friday"]\n'
    found = windows(tmp_path, toml, nights=4)
    assert [bool(w.pieces) for w in found] == [True, False, False, True]
    assert found[1].blocks == () and found[1].minutes == 0
    assert found[1].mask(np.array(["green", "fairway"])).shape == (2, 0)


def test_hours_of_an_order_cut_the_window_by_the_clock(tmp_path):
    toml = WINDOW + '[restriction]\nhours = ["18:00-22:30", ["04:00", "10:00"]]\n'
    assert windows(tmp_path, toml)[0].pieces == ((1260, 1350), (1680, 1770))


def test_hours_over_midnight(tmp_path):
    assert windows(tmp_path, WINDOW + '[restriction]\nhours = "23:00-02:00"\n')[0].pieces == ((1380, 1560),)


def test_hours_side_by_side_do_not_cut(tmp_path):
    toml = WINDOW + '[restriction]\nhours = ["18:00-24:00", "00:00-04:00"]\n'
    assert windows(tmp_path, toml)[0].pieces == ((1260, 1680),)


def test_an_order_for_a_surface_binds_that_surface_only(tmp_path):
    toml = WINDOW + '[restriction]\nsurfaces = ["fairway"]\nhours = ["00:00-03:00"]\n'
    (night,) = windows(tmp_path, toml)
    assert night.pieces == ((1260, 1770),)
    assert [(b.start, b.end) for b in night.blocks] == [(1260, 1440), (1440, 1620), (1620, 1770)]
    assert night.allowed_by_surface["fairway"] == (False, True, False)
    assert night.allowed_by_surface["green"] == (True, True, True)
    assert night.mask(np.array(["fairway", "green"])).tolist() == [[False, True, False], [True, True, True]]


def test_a_night_forbidden_to_every_surface_of_the_site_has_no_pieces(tmp_path):
    toml = WINDOW + '[restriction]\nsurfaces = ["fairway", "green"]\nnights_allowed = ["Monday"]\n'
    assert windows(tmp_path, toml)[0].pieces == ()  # the tiny site has greens and fairways only


def test_orders_stand_from_and_until_their_dates_inclusive(tmp_path):
    toml = WINDOW + "[restriction]\nnights_allowed = []\nfrom = 2026-07-15\nuntil = 2026-07-16\n"
    assert [bool(w.pieces) for w in windows(tmp_path, toml, nights=4)] == [True, False, False, True]


def test_two_orders_must_both_allow(tmp_path):
    toml = WINDOW + '[[restriction]]\nhours = "22:00-04:00"\n[[restriction]]\nhours = "20:00-01:00"\n'
    assert windows(tmp_path, toml)[0].pieces == ((1320, 1500),)


def test_cut_is_that_of_the_strictest_order_in_force(tmp_path):
    toml = (
        WINDOW + '[[restriction]]\ncut = 0.1\n[[restriction]]\ncut = 0.3\nsurfaces = ["rough"]\n'
        "[[restriction]]\ncut = 0.5\nfrom = 2026-08-01\n"
    )
    read = site(tmp_path, TOML + toml)
    assert restriction_cut(read, TUESDAY) | {"rough": 0.3} == restriction_cut(read, TUESDAY)
    assert restriction_cut(read, TUESDAY)["green"] == 0.1
    assert restriction_cut(read, date(2026, 8, 1))["green"] == 0.5


TARIFF = (
    '[[tariff]]\nfrom = "16:00"\nuntil = "22:00"\ndays = ["weekdays"]\nprice = 0.34\n'
    '[[tariff]]\nfrom = "22:00"\nuntil = "16:00"\ndays = ["weekdays"]\nprice = 0.16\n'
    '[[tariff]]\nfrom = "00:00"\nuntil = "24:00"\ndays = ["weekend"]\nprice = "0.12 per kWh"\n'
)


def test_tariff_blocks_cut_the_night(tmp_path):
    tuesday, wednesday, thursday, friday, saturday, sunday = windows(tmp_path, WINDOW + TARIFF, nights=6)
    assert tuesday.blocks == (Block(1260, 1320, 0.34), Block(1320, 1770, 0.16))
    # Friday's block from 22:00 overlaps Saturday from 00:00, which stands later in the file
    assert friday.blocks == (Block(1260, 1320, 0.34), Block(1320, 1440, 0.16), Block(1440, 1770, 0.12))
    assert saturday.blocks == (Block(1260, 1770, 0.12),)
    # Monday's early hours belong to no block that begins on a weekday before 22:00: Sunday has none over midnight
    assert sunday.blocks == (Block(1260, 1440, 0.12), Block(1440, 1770, 0.34))


def test_a_minute_in_no_block_has_the_highest_price_and_no_tariff_none(tmp_path):
    read = site(tmp_path, TOML + '[[tariff]]\nfrom = "22:00"\nuntil = "23:00"\nprice = 0.2\n')
    assert energy_price(read.tariffs, TUESDAY, 1300) == 0.2
    assert energy_price((), TUESDAY, 1300) == 0.0


def test_nights_must_be_positive(tmp_path):
    with pytest.raises(ValueError, match="nights must be 1 or more; got 0"):
        night_windows(site(tmp_path), TUESDAY, 0)
