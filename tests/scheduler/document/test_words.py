"""Why a zone runs or waits: each kind of evening has its own sentence, and the sentence is true of the plan."""

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.document.words import NEVER, first_dry_night
from tests.models.plan.plans import plan
from tests.scheduler import hand_evening as h

TIGHT = "[surface.green]\nmoisture_floor = 0.6\n"  # dry beyond 18 mm of 45


def forecast(rain):
    rows = (f"{h.NIGHT}T17:00,{h.NIGHT + timedelta(days=d)},5,{rain.get(d, 0)}\n" for d in range(1, 8))
    return "issued,date,eto,rain\n" + "".join(rows)


def reason(folder, minutes, toml="", rain=None, nights=3, **more):
    """Reason of a zone that got so many minutes on each of nine nights: 25 of them are its ET."""
    files = {"applied": h.log(minutes, "G1"), "forecast": forecast(rain or {})}
    plan_ = h.planned(h.hand_site(folder, "G1 green", toml=TIGHT + toml, nights=nights, **files, **more))
    return plan_["zones"][0]["reason"], plan_["zones"][0]


def test_first_night_too_dry_counts_et_less_rain():
    # Dry limit 20 mm, 5 mm a date: from 10 it is passed on the third date, from 16 on the first; rain keeps it off.
    given = plan(zones=3, nights=4, depletion=[10.0, 16.0, 10.0], effective_rain=np.array([[0.0], [0], [4.0]]))
    assert first_dry_night(given).tolist() == [2, 0, NEVER]
    assert first_dry_night(given, with_rain=False).tolist() == [2, 0, 2]


def test_too_dry_by_tomorrow(tmp_path):
    said, zone = reason(tmp_path / "a", 18)
    assert zone["minutes"] > 0
    assert said == "without water too dry by tomorrow evening"


def test_enough_for_now_names_the_evening_and_the_next_run(tmp_path):
    said, zone = reason(tmp_path / "a", 24, nights=7)
    assert zone["minutes"] == 0
    nights = [p["night"] for p in zone["path"] if p["minutes"] > 0]
    # From 4.7 mm tonight, 4.7 mm of ET a date (Kc 0.94): 18.8 mm and past the limit of 18 on the evening of 17 July.
    assert said.startswith("enough until Fri 17 Jul; ")
    assert said.endswith(f"next run {date.fromisoformat(nights[0]):%a %d %b}")


def test_enough_for_the_whole_plan(tmp_path):
    said, _ = reason(tmp_path / "a", 40, nights=2)
    assert said == "enough for all 2 nights"
    assert reason(tmp_path / "b", 40, nights=1)[0] == "enough until tomorrow evening"


def test_rain_is_enough(tmp_path):
    said, zone = reason(tmp_path / "a", 22, rain={1: 12})
    assert zone["minutes"] == 0
    assert said == "rain in the forecast is enough"


def test_a_shut_night_says_so(tmp_path):
    said, _ = reason(tmp_path / "a", 15, '[[restriction]]\nnights_allowed = ["Friday"]\n')
    assert said == "no watering allowed tonight"


def test_a_zone_too_large_for_its_pump_says_so(tmp_path):
    said, _ = reason(tmp_path / "a", 15, capacity=3.0)
    assert said == "cannot run: its flow is above what its pump or branch carries"


def test_a_zone_that_gives_way_names_what_holds_it_back(tmp_path):
    said, zone = reason(tmp_path / "a", 5, '[[source]]\nname = "well"\nec = 0.5\ndaily_limit = 0\n')
    assert zone["minutes"] == 0
    assert said == "needs water but gives way tonight (well, one night)"


@pytest.mark.parametrize("units", ["metric", "us"])
def test_dates_are_in_the_sites_own_form(tmp_path, units):
    place = h.hand_site(tmp_path / "a", "G1 green", toml=TIGHT, nights=7, applied=h.log(24, "G1"))
    file = place.folder / "site.toml"
    file.write_text(file.read_text().replace('"metric"', f'"{units}"'))
    said = h.planned(h.again(place))["zones"][0]["reason"]
    assert ("16 Jul" in said) == (units == "metric")
    assert ("Jul 16" in said) == (units == "us")
