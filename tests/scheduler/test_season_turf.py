"""Turf over a season: the night's water makes it soft on that night, and what is soft is never what is dry."""

from datetime import date, timedelta

import numpy as np

from scheduler.season.turf import limits_of, season_days, season_turf
from tests.scheduler import site_folders as folders

FIRST, LAST = date(2026, 7, 1), date(2026, 7, 20)


def made(folder, toml=""):
    days = "".join(f"{FIRST + timedelta(days=k)},5,0\n" for k in range(20))
    return folders.site(folder / "site", toml=folders.TOML + toml, weather="date,eto,rain\n" + days)


def test_a_night_is_soft_by_its_own_water(tmp_path):
    site = made(tmp_path)
    demand = season_days(site, FIRST, LAST)[1]
    net = np.zeros((2, 20))
    net[:, 9] = 200.0  # on the tenth night all that went is given back
    turf = season_turf(site, demand, net, np.zeros((2, 0)), FIRST, LAST)
    green = turf.soft[0]
    assert green[0] and green[9] and not green[8] and not green[11]  # the first stands at field capacity
    # what ET was withheld: nothing on the first dates, more and more until the water comes, then nothing again
    missed = turf.unmet[0]
    assert missed[0] == missed[9] == 0.0 and missed[8] > missed[7] > 0.0


def test_a_zone_is_never_soft_and_dry_at_once(tmp_path):
    site = made(tmp_path, "[surface.green]\nmoisture_floor = 0.9\nfirmness_limit = 0.91\n")
    taw = site.zones.taw
    _, dry, soft = limits_of(site, np.full((2, 3), 4.0), taw, tuple(FIRST + timedelta(days=k) for k in range(3)))
    np.testing.assert_allclose(dry[0], 0.1 * taw[0])
    np.testing.assert_allclose(soft[0], 0.8 * dry[0])  # by the firmness limit alone 0.09
