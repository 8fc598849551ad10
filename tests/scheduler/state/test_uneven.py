"""What the extra for uneven catch is weighed by: whose weather, water, salt and price; models do the weighing."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from models.choices import CATCH
from models.uneven_catch import weigh
from scheduler.site.records import ZoneTable
from scheduler.state import uneven
from scheduler.state.caution import CAUTION
from scheduler.state.demand import evening_demand, zone_etc, zone_rain
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
HEAD = "zone,surface,turf,soil,root_depth,area,flow,du_lq,field_capacity,wilting_point,drained,exposure\n"
ROWS = (
    ("G1", "green", 500, 0.8, "yes", "open"),
    ("F1", "fairway", 2000, 0.6, "no", "open"),
    ("G2", "green", 400, 0.7, "yes", "shade"),
    ("T1", "tee", 300, 0.5, "yes", "open"),
)
ZONES = HEAD + "".join(f"{z},{s},tall_fescue,loam,30,{a},2,{du},0.25,0.10,{d},{e}\n" for z, s, a, du, d, e in ROWS)
TEES_TOLD = '[surface.tee]\nuniformity = "lower_quarter"\n'
SALTY = '[[source]]\nname = "reclaimed"\nec = {}\n'


def weather(days, rain=0.0):
    rows = (f"{NIGHT - timedelta(days=d)},{4 + d % 3},{rain if d % 10 == 0 else 0}\n" for d in range(days - 1, -1, -1))
    return "date,eto,rain\n" + "".join(rows)


@pytest.fixture
def asked(tmp_path, monkeypatch):
    """What `weigh` was asked, and what came of it."""

    def ask(days=50, toml="", rain=0.0, change=lambda place: place, **files):
        seen = {}

        def watched(ground, group, area, most, worth, first, up_to):
            seen.update(ground=ground, group=group, area=area, most=most, worth=worth, first=first, up_to=up_to)
            return weigh(ground, group, area, most, worth, first, up_to)

        monkeypatch.setattr(uneven, "weigh", watched)
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        place = change(site(folder, TOML + TEES_TOLD + toml, ZONES, weather=weather(days, rain), **files))
        demand = evening_demand(place, NIGHT, 3)
        return (*uneven.with_weighed_catch(place, demand), seen, place, demand)

    return ask


def test_surfaces_that_say_their_uniformity_are_left_as_told(asked):
    weighed, found, seen, place, _ = asked()
    assert found.surfaces == ("green", "fairway")
    assert found.group.tolist() == [0, 1, 0, -1]
    assert (found.zones.tolist(), seen["group"].tolist()) == ([0, 1, 2], [0, 1, 0])
    assert weighed.net_share[3] == place.net_share[3] == 0.5  # the driest quarter of T1
    np.testing.assert_allclose(weighed.net_share[:3], found.weighed.share)
    assert seen["area"].tolist() == [500.0, 2000.0, 400.0]
    np.testing.assert_allclose(seen["most"], 0.4 + 0.6 * np.array([0.8, 0.6, 0.7]))  # DU of the lower half


def test_zones_stand_in_their_own_weather_of_the_last_six_weeks(asked):
    soft = "[surface.green]\nfirmness_limit = 0.55\n"
    _, found, seen, place, demand = asked(days=50, rain=60.0, toml=soft)
    assert (seen["first"], found.days) == (50 - CATCH.days, CATCH.days)
    ground = seen["ground"]
    np.testing.assert_allclose(ground.etc, zone_etc(place, demand.past)[:3])
    np.testing.assert_allclose(ground.rain, zone_rain(place, demand.past)[0][:3])  # what enters, not what runs off
    assert (ground.taw == 45.0).all()
    assert (ground.raw <= ground.dry_limit + 1e-9).all()
    # Soft below the firmness limit, and always a fifth of the narrowest band away from dry: for greens that binds.
    firm = np.array([place.surfaces[s].firmness_limit for s in ("green", "fairway", "green")])
    narrowest = 0.8 * ground.dry_limit.min(axis=1)
    np.testing.assert_allclose(ground.wet_limit, np.minimum((1.0 - firm) * 45.0, narrowest))
    assert (narrowest < 20.25)[[0, 2]].all() and ground.wet_limit[1] < narrowest[1]
    assert (ground.dry_limit.max(axis=1) > ground.dry_limit.min(axis=1) + 0.5).all()
    _, found, seen, *_ = asked(days=30)
    assert (seen["first"], found.days) == (0, 30)


@pytest.mark.parametrize(("days", "weighs"), [(CATCH.fewest - 1, False), (CATCH.fewest, True)])
def test_three_weeks_of_weather_are_enough(asked, days, weighs):
    weighed, found, _, place, _ = asked(days=days)
    assert (found is not None) == weighs
    assert weighs or weighed is place


def test_nothing_is_weighed_where_no_surface_asks_for_it(asked):
    told = "".join(f'[surface.{s}]\nuniformity = "lower_half"\n' for s in ("green", "fairway"))
    weighed, found, _, place, _ = asked(toml=told)
    assert found is None and weighed is place


@pytest.mark.parametrize(("ec", "threshold"), [(1.5, 4.0), (6.0, 3.0), (8.0, 3.0), (20.0, 3.0)])
def test_drained_zones_owe_the_leaching_that_holds_their_salt(asked, ec, threshold):
    # FAO-29 Eq. 9: LR = ECw / (5 ECe - ECw); all of it where no amount would hold that ECe. F1 is not drained: what it
    # would leach does not leave.
    def change(place):
        zones: ZoneTable = replace(place.zones, ece_threshold=np.full(4, threshold))
        return replace(place, zones=zones)

    _, found, *_ = asked(toml=SALTY.format(ec), change=change)
    least = ec / (5.0 * threshold - ec) if 2.0 * ec < 5.0 * threshold else 1.0
    np.testing.assert_allclose(found.owed, [least, 0.0, least])


@pytest.mark.parametrize("word", sorted(CAUTION))
def test_what_is_missed_is_dearer_by_the_word_for_caution_wherever_the_filter_follows(asked, word):
    # A probe that reads in G1 speaks for all greens; one without a reading speaks for nobody.
    _, _, seen, *_ = asked(
        toml=f'[planning]\ncaution = "{word}"\nprice_of_a_run = 2.5\n',
        probes=f"time,probe,moisture,ec,temperature\n{NIGHT}T20:30,a,0.22,,\n",
        probe_sites="probe,zone,depth,from,until\na,G1,15,,\nsilent,F1,15,,\n",
    )
    assert seen["ground"].followed.tolist() == [True, False, True]
    assert (seen["worth"].et, seen["up_to"]) == (CAUTION[word].catch * CATCH.et, CAUTION[word].extra)
    assert (seen["worth"].soft, seen["worth"].run) == (CATCH.soft, 2.5)
