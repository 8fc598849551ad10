"""A folder as a whole: zones and their defaults, series with repeats and gaps, the starter, what was understood."""

import re
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from models.textures import TEXTURES
from scheduler.errors import InputProblems, Problem
from scheduler.site import load_site
from scheduler.site.understood import understand_site
from scheduler.starter import write_starter
from tests.scheduler.site_folders import TOML, ZONES, lines, problems, site


def notes(read, subject):
    return [n.text for n in read.notes if n.subject == subject]


def test_zone_defaults(tmp_path):
    zones = site(tmp_path).zones
    assert zones.name.tolist() == ["G1", "F1"]
    assert zones.application_rate.tolist() == pytest.approx([1.5 / 450 * 3600, 6 / 2000 * 3600])
    assert zones.du_lq.tolist() == [0.7, 0.7] and zones.max_run.tolist() == [600.0, 600.0]
    assert zones.slope.tolist() == [0.0, 0.0] and zones.microclimate.tolist() == [1.0, 1.0]
    assert zones.field_capacity.tolist() == [TEXTURES["loam"].field_capacity] * 2
    assert [mix[0][0] for mix in zones.turf_mix] == ["creeping_bentgrass", "kentucky_bluegrass"]
    assert not zones.drained.any()
    assert zones.kc_month.shape == (2, 12)


def test_a_manager_says_where_sand_stands_over_gravel(tmp_path):
    zones = site(
        tmp_path,
        zones="zone,surface,soil,root_depth,area,application_rate,over_gravel\n"
        "G1,green,sand_rootzone,12,450,12,no\n"
        "T1,tee,sand_rootzone,12,450,12,yes\n"
        "T2,tee,sand_rootzone,12,450,12,\n",
    ).zones
    assert zones.fed_depth.tolist() == pytest.approx([0.12, 0.30, 0.12])


def test_zone_values_given_are_kept(tmp_path):
    zones = site(
        tmp_path,
        zones="zone,surface,turf,soil,field_capacity,root_depth,area,application_rate,drained,infiltration\n"
        "G1,green,annual_bluegrass:0.9|creeping_bentgrass:0.1,sand_rootzone,0.21,12,450,12,,\n"
        "G2,green,creeping_bentgrass,loam,,,450,12,yes,9\n",
    ).zones
    assert zones.flow.tolist() == pytest.approx([12 * 450 / 3600] * 2)
    assert zones.field_capacity[0] == 0.21 and zones.wilting_point[0] == TEXTURES["sand_rootzone"].wilting_point
    assert zones.root_depth[0] == pytest.approx(0.12)
    assert zones.fed_depth.tolist() == pytest.approx([0.30, zones.root_depth[1]])  # all the sand over the gravel
    assert zones.taw[0] == pytest.approx(1000 * (0.21 - TEXTURES["sand_rootzone"].wilting_point) * 0.30)
    assert zones.drained.tolist() == [True, True]  # the first because it is a sand root zone
    assert zones.infiltration.tolist() == [TEXTURES["sand_rootzone"].infiltration, 9.0]
    assert zones.ece_threshold[0] == 1.5  # annual bluegrass, of which there is more than 20 %


def test_kc_months_turn_round_in_the_south(tmp_path):
    north, south = (
        site(tmp_path / n, TOML.replace("36.6", lat)).zones.kc_month for n, lat in (("n", "36.6"), ("s", "-36.6"))
    )
    np.testing.assert_array_equal(south, np.roll(north, 6, axis=1))


def test_a_zone_needs_water_that_exists(tmp_path):
    toml = TOML + '[[source]]\nname = "well"\nec = 1\n[[source]]\nname = "reclaimed"\nec = 1\n'
    read = site(
        tmp_path / "a",
        toml,
        "zone,surface,area,flow,sources\nG1,green,450,1,well\nG2,green,450,1,reclaimed|well\nG3,green,450,1,\n",
    )
    assert read.zones.sources == ((0,), (1, 0), (0, 1))
    found = lines(tmp_path / "b", toml, "zone,surface,area,flow,sources\nG1,green,450,1,wel\n")
    assert found == [
        'zones.csv, line 2, column "sources": read "wel"; allowed: "well", "reclaimed", separated by | (did you '
        'mean "well"?)'
    ]


def test_field_capacity_above_wilting_point(tmp_path):
    head = "zone,surface,area,flow,soil,field_capacity,wilting_point\n"
    found = lines(tmp_path, zones=head + "G1,green,450,1,clay,0.1,\nG2,green,450,1,sand,,0.3\n")
    assert found == [
        'zones.csv, line 2, column "field_capacity": read "0.1"; a value above the wilting point, 0.22 m3/m3, '
        "is allowed",
        'zones.csv, line 3, column "wilting_point": read "0.3"; a value below the field capacity, 0.12 m3/m3, '
        "is allowed",
    ]


def test_what_is_unlikely_is_noted_and_kept(tmp_path):
    read = site(
        tmp_path,
        TOML + '[[pump]]\nname = "p"\ncapacity = 5\n',
        "zone,surface,area,flow\nG1,green,50,4\nF1,fairway,2000,6\n",
    )
    warned = [n.text for n in read.notes if n.kind == "warning"]
    assert "zone G1: application rate outside of the usual 1 to 150 mm/h (288); please look" in warned
    assert "zone F1: flow is above the capacity of the pump, so it cannot run" in warned


def test_large_tees_whose_flows_fit_their_areas_are_not_taken_for_square_feet(tmp_path):
    # 2,500 m2 for a tee is much, but 21 L/s on it are 30 mm/h; as many square feet would be watered at 325 mm/h
    head = "zone,surface,area,flow\n"
    read = site(tmp_path, zones=head + "L1,landscape,40,0.327\nT1,tee,2500,21\nA1,approach,2500,17\n")
    assert read.zones.area.tolist() == [40, 2500, 2500]
    large = "F1,fairway,4000,20\nF2,fairway,4200,21\nF3,fairway,3800,19\n"  # 18 mm/h: flows of large blocks, in L/s
    assert site(tmp_path / "large", zones=head + large).zones.flow.tolist() == [20, 21, 19]
    gallons = lines(tmp_path / "gallons", zones=head + large.replace(",4000", ",400").replace(",4200", ",420"))
    assert len(gallons) == 1 and 'write the header as "flow [gal/min]"' in gallons[0]
    both = lines(tmp_path / "both", zones=head + "F1,fairway,40000,60\nF2,fairway,42000,62\nF3,fairway,38000,58\n")
    assert [name in text for name, text in zip(("area [ft2]", "flow [gal/min]"), both, strict=True)] == [True, True]
    wrong = lines(tmp_path / "x", zones=head + "L1,landscape,40,0.03\nT1,tee,2500,2\nA1,approach,2500,1.6\n")
    assert len(wrong) == 1 and 'write the header as "area [ft2]"' in wrong[0]


@pytest.mark.parametrize(
    ("zones", "words"),
    [
        ("zone,surface,area,flow\nG1,green,5,4\n", 'column "flow": flow and area make 2.88e\\+03 mm/h; up to 500 mm/h'),
        (
            "zone,surface,area,flow,application_rate\nG1,green,0.05,1.5,12\n",
            'column "application_rate": read "12 mm/h"; flow and area make 1.08e\\+05 mm/h; up to 20 times',
        ),
        ("zone,surface,area,flow,root_depth\nG1,green,450,1.5,0.15\n", 'column "root_depth": read "0.15"'),
    ],
)
def test_what_no_zone_can_be_is_refused(tmp_path, zones, words):
    (found,) = problems(tmp_path, zones=zones)
    assert re.search(words, str(found)), str(found)
    assert found.line == 2


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ('[window]\nopens = "21:00"\ncloses = "21:00"', "closes when it opens"),
        ('[[window.by_day]]\nday = "Friday"\nopens = "06:00"', "closes when it opens"),
        ('[ledger]\nurl = "mysql://x/y"', 'a URL of "sqlite", "postgresql", "postgres" is allowed'),
    ],
)
def test_what_no_site_can_be_is_refused(tmp_path, toml, words):
    (found,) = problems(tmp_path, TOML + toml)
    assert words in str(found) and found.file == "site.toml" and found.line


def test_a_window_of_a_whole_day_is_possible(tmp_path):
    assert site(tmp_path, TOML + '[window]\nopens = "00:00"\ncloses = "24:00"').window.default == (1440, 2880)


def test_weather_repeats_gaps_and_wind_height(tmp_path):
    read = site(
        tmp_path,
        TOML + "[weather]\nwind_height = 10\n",
        weather="date,tmin,tmax,wind\n2026-07-03,10,20,3.2\n2026-07-01,10,20,3.2\n2026-07-01,11,21,3.2\n",
    )
    assert read.weather["date"].dt.day.tolist() == [1, 3]
    assert read.weather["tmin"].tolist() == [11.0, 10.0]
    # FAO-56 Eq. 47, Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m (half the last printed digit; mark: memory)
    assert read.weather["wind"][0] == pytest.approx(2.4, abs=0.05)
    assert "1 row repeated by a later one of the same date; the later one is used" in notes(read, "weather.csv")
    assert "1 date missing between the first and the last" in notes(read, "weather.csv")


def test_the_least_cannot_be_above_the_greatest(tmp_path):
    found = lines(tmp_path, weather="date,tmin [degF],tmax [degF],rhmin,rhmax\n2026-07-01,95,60,80,70\n")
    assert found == [
        'weather.csv, line 2, column "tmin [degF]": read "95"; the least temperature cannot be above the greatest, 60',
        'weather.csv, line 2, column "rhmin": read "80"; the least humidity cannot be above the greatest, 70',
    ]


def test_calendar_targets(tmp_path):
    read = site(
        tmp_path,
        calendar="from,until,surface or zone,event\n2026-07-01,,F1,no_water\n"
        "2026-07-02,2026-07-03,green,tournament\n2026-07-05,,,firm\n",
    )
    assert read.calendar["target"].tolist()[:2] == ["F1", "green"]
    assert read.calendar["until"].dt.day.tolist()[:2] == [1, 3]
    assert sorted(read.calendar["target"][2:]) == sorted(
        ["green", "tee", "fairway", "approach", "rough", "pitch", "landscape"]
    )
    columns = site(
        tmp_path, calendar="from,until,surface,zone,event\n2026-07-01,,green,,firm\n2026-07-01,,,F1,firm\n"
    ).calendar
    assert columns["target"].tolist() == ["F1", "green"]


def test_references_between_files(tmp_path):
    found = lines(
        tmp_path,
        probe_sites="probe,zone,depth,from,until\nP1,G2,8,2026-07-02,2026-07-01\n",
        samples="date,zone,depth,ece\n2026-07-01,F2,10,4\n",
        calendar="from,until,surface or zone,event\n2026-07-01,,greens,tournament\n2026-07-01,,G1,turnament\n",
    )
    assert found == [
        'calendar.csv, line 2, column "surface or zone": read "greens"; a surface or a zone of zones.csv is '
        'allowed (did you mean "green"?)',
        'calendar.csv, line 3, column "event": read "turnament"; allowed: "tournament", "no_water", "no_flush", '
        '"firm", "aerified", '
        '"fertigation" (did you mean "tournament"?)',
        'probe_sites.csv, line 2, column "zone": read "G2"; a zone of zones.csv is allowed',
        'probe_sites.csv, line 2, column "until": read "2026-07-01"; a date not before from is allowed',
        'samples.csv, line 2, column "zone": read "F2"; a zone of zones.csv is allowed',
    ]


def test_applied_rows_of_zones_gone_are_set_aside(tmp_path):
    read = site(
        tmp_path, applied="night,zone,minutes\n2026-07-01,G1,10\n2026-07-01,OLD,9\n2026-07-01,G1,12\n2026-07-02,G1,\n"
    )
    assert read.applied[["zone", "minutes"]].to_numpy().tolist() == [["G1", 12.0]]
    said = notes(read, "applied.csv")
    assert '1 row of zones that zones.csv does not have set aside: "OLD"' in said
    assert "1 row with neither minutes nor volume set aside" in said
    assert "1 row repeated by a later one of the same night and zone; the later one is used" in said


def test_absent_series_are_empty_frames_with_their_columns(tmp_path):
    read = site(tmp_path)
    assert read.weather.columns.tolist() == [
        "date",
        "tmin",
        "tmax",
        "rhmin",
        "rhmax",
        "rh",
        "wind",
        "solar",
        "sunshine",
        "rain",
        "eto",
    ]
    assert read.weather.dtypes["date"] == "datetime64[ns]" and read.weather.dtypes["tmin"] == "float64"
    assert read.calendar.columns.tolist() == ["from", "until", "target", "event", "note"]
    assert all(
        len(getattr(read, n)) == 0
        for n in ("weather", "forecast", "probes", "probe_sites", "applied", "calendar", "samples")
    )


def test_no_folder(tmp_path):
    with pytest.raises(InputProblems, match="there is no such folder"):
        load_site(tmp_path / "nowhere")


def test_the_starter_works_and_moves_to_its_evening(tmp_path):
    written = write_starter(tmp_path / "new", date(2027, 6, 1))
    assert {Path(p).name for p in written.files} >= {"site.toml", "zones.csv"}
    read = load_site(tmp_path / "new")
    assert not [n for n in read.notes if n.kind == "warning"]
    assert read.weather["date"].max().date() == date(2027, 6, 1)
    assert read.forecast["date"].min().date() == date(2027, 6, 2)
    assert read.allocation.starts.year == 2027
    with pytest.raises(InputProblems, match="the folder is not empty"):
        write_starter(tmp_path / "new")


def test_what_was_understood_of_the_starter(tmp_path):
    write_starter(tmp_path / "new")
    told = understand_site(load_site(tmp_path / "new"))
    assert told.zones == 12 and [s.surface for s in told.surfaces] == ["green", "tee", "fairway", "rough"]
    (pump,) = told.pumps
    assert pump.enough and pump.demand_m3 == pytest.approx(told.hot_week_demand_m3)
    assert pump.hours_allowed == pytest.approx(7 * 8.5)
    assert told.probed_zones == 2
    assert {n.subject for n in told.step_downs} == {"invented samples"}


def test_hot_week_without_weather_is_worked_out_by_hand(tmp_path):
    toml = TOML + '[[pump]]\nname = "p"\ncapacity = 1\n[window]\nopens = "22:00"\ncloses = "04:00"\n'
    told = understand_site(
        site(tmp_path, toml, "zone,surface,turf,area,flow,du_lq\nG1,green,creeping_bentgrass,1000,1,1\n")
    )
    # 49 mm x Kc 0.94 (July, cool season) x 1000 m2 = 46.06 m3; 1 L/s x 42 h = 151.2 m3
    assert told.pumps[0].demand_m3 == pytest.approx(46.06)
    assert told.pumps[0].deliverable_m3 == pytest.approx(151.2)
    assert told.pumps[0].hours_needed == pytest.approx(46.06 / 3.6)


def test_problems_print_as_in_the_style():
    found = InputProblems(
        [Problem("b.csv", 2, None, "y"), Problem("zones.csv", 14, "flow", "x"), Problem("site.toml", None, None, "z")]
    )
    assert str(found) == 'site.toml: z\nzones.csv, line 14, column "flow": x\nb.csv, line 2: y\n3 problems.'


def test_zones_csv_is_indispensable_even_with_a_good_site_toml(tmp_path):
    assert lines(tmp_path, zones=None) == ["zones.csv: there is no such file in the site folder; it is indispensable"]
    assert ZONES.startswith("zone,surface,area,flow")
