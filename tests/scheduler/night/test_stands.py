"""What stands in a controller that a person keys in stays where it would hardly differ, and never past a limit."""

import json
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from models.choices import STEADY
from scheduler.night.stands import Stands, kept_minutes, standing_programme
from scheduler.planning import planned_evening
from scheduler.whatif.case import read_cases
from scheduler.whatif.evening import plan_case, standing_evening
from tests.drawn import examples
from tests.scheduler import hand_evening as h
from tests.scheduler.site_folders import TOML, site

NAMES = ("G1 green", "G2 green", "F1 fairway", "F2 fairway")
KEYED = 'steady_within = "3 mm"\n'


def course(folder, keyed):
    log = h.log(25, "G1", "G2", "F1", "F2")
    floors = "[surface.green]\nmoisture_floor = 0.8\n[surface.fairway]\nmoisture_floor = 0.8\n"  # a run every night
    site = h.hand_site(folder, *NAMES, toml=floors, capacity=8.0, nights=4, applied=log)
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(text.replace('name = "box"\n', f'name = "box"\n{keyed}'))
    return site


def two_evenings(folder, keyed):
    """An evening, then the next after 6.0 mm instead of 5.0 of ET, with the log as planned."""
    first = h.planned(h.again(course(folder, keyed)))
    night = date(2026, 7, 15)
    with (folder / "applied.csv").open("a") as log:
        log.writelines(f"2026-07-14,{z['id']},{z['minutes']}\n" for z in first["zones"])
    with (folder / "weather.csv").open("a") as days:
        days.write(f"{night},6.0,0\n")
    return first, h.planned(h.again(h.again(SimpleNamespace(folder=folder))), night)


def keyed_in(plan):
    return {z["id"]: (z["minutes"], [c["start"][11:] for c in z["cycles"]]) for z in plan["zones"]}


def test_little_changes_are_not_made_where_a_person_keys_them_in(tmp_path):
    first, second = two_evenings(tmp_path / "a", KEYED)
    before, after = keyed_in(first), keyed_in(second)
    both = [z for z in before if before[z][0] > 0 and after[z][0] > 0]
    assert both
    free_first, free = two_evenings(tmp_path / "b", "")
    assert keyed_in(free_first) == before  # nothing stood before the first evening
    moved = {z for z in both if keyed_in(free)[z] != before[z]}
    assert {z for z in both if after[z] != before[z]} < moved
    for z in both:  # what is changed is worth it: 12 mm/h
        assert before[z][0] == after[z][0] or abs(before[z][0] - after[z][0]) * 12 / 60 >= 3.0


def test_the_sheet_says_what_changed_since_last_night_in_five_lines(tmp_path):
    _, second = two_evenings(tmp_path / "a", KEYED)
    said = second["changes"]["programme"]
    assert 1 <= len(said) <= 5
    assert second["changes"]["entries_changed"] >= 0
    page = (tmp_path / "a" / "out" / "2026-07-15" / "night.html").read_text()
    assert all(line.replace("'", "&#39;") in page for line in said)


def test_central_controllers_make_every_change(tmp_path):
    site = h.again(course(tmp_path / "a", ""))
    assert [c.steady_within for c in site.controllers] == [0.0]
    site = h.again(course(tmp_path / "b", "programmes = 2\n"))
    assert [c.steady_within for c in site.controllers] == [1.0]


@given(st.integers(0, 10_000))
@examples(200)
def test_kept_minutes_hold_every_limit_and_neither_drain_nor_dry(seed):
    r = np.random.default_rng(seed)
    z = int(r.integers(1, 12))
    resolution, rate = r.choice([0.5, 1.0, 2.0], z), r.uniform(0.1, 0.5, z)
    minutes = r.integers(0, 30, z) * resolution
    depletion, etc = r.uniform(0, 15, z), r.uniform(2, 8, (z, 1))
    plan = SimpleNamespace(
        net_rate=rate, depletion=depletion, etc=etc, effective_rain=etc * r.uniform(0, 1, (z, 1)), taw=np.full(z, 40.0),
        water_per_minute=rate,
    )  # fmt: skip
    limit = r.uniform(5, 15, (z, 1))
    inputs = SimpleNamespace(plan=plan, limit=limit, smallest_run=3 * resolution, resolution=resolution)
    stands = Stands(
        np.where(r.random(z) < 0.2, np.nan, r.integers(0, 30, z) * resolution), r.choice([0.0, 1.0, 3.0], z)
    )
    matrix = sparse.csr_matrix(r.uniform(0, 2, (3, z)) * (r.random((3, z)) < 0.7))
    most = matrix @ minutes + r.choice([0.0, 2.0, 100.0], 3)
    longest, others = r.uniform(5, 60, z), r.random(z) < 0.2
    kept = kept_minutes(inputs, minutes, stands, longest, (matrix, most), others)
    moved = kept != minutes
    assert (matrix @ kept <= most + 1e-6).all()
    assert (kept[moved] == stands.minutes[moved]).all()
    assert (np.abs(kept - minutes)[moved] * rate[moved] < stands.within[moved]).all()
    assert not (moved & (others | (minutes == 0))).any()
    assert (kept[moved] <= longest[moved] + 1e-6).all()
    more, less = moved & (kept > minutes), moved & (kept < minutes)
    assert (kept * rate <= depletion)[more].all()
    drying = etc[:, 0] - plan.effective_rain[:, 0]
    assert (np.maximum(depletion - kept * rate, 0) + drying <= limit[:, 0] + 0.01 * 40.0 + 1e-9)[less].all()


def test_what_is_not_worth_a_run_or_no_whole_step_does_not_stand():
    plan = SimpleNamespace(
        net_rate=np.full(3, 0.1), depletion=np.full(3, 20.0), etc=np.full((3, 1), 1.0), effective_rain=np.zeros((3, 1)),
        taw=np.full(3, 40.0),
        water_per_minute=np.ones(3),
    )  # fmt: skip
    inputs = SimpleNamespace(
        plan=plan, limit=np.full((3, 1), 30.0), smallest_run=np.full(3, 5.0), resolution=np.ones(3)
    )
    stands = Stands(np.array([4.0, 12.5, 12.0]), np.full(3, 2.0))
    rows = sparse.csr_matrix(np.ones((1, 3))), np.array([1e3])
    kept = kept_minutes(inputs, np.full(3, 10.0), stands, np.full(3, 60.0), rows, np.zeros(3, dtype=bool))
    assert kept.tolist() == [10.0, 10.0, 12.0]


def test_an_older_plan_than_three_nights_is_not_what_stands(tmp_path):
    site = h.again(course(tmp_path / "a", KEYED))
    h.planned(site)
    assert not np.isnan(standing_programme(site, h.NIGHT + timedelta(days=3)).minutes).any()
    assert np.isnan(standing_programme(site, h.NIGHT + timedelta(days=4)).minutes).all()


def kept(before, minutes=10.0, depletion=20.0, etc=5.0, rain=0.0, limit=30.0, longest=60.0):
    """Minutes of one zone of 0.5 mm/min, changed from 3 mm on."""
    one = np.ones(1)
    plan = SimpleNamespace(
        net_rate=0.5 * one, depletion=depletion * one, etc=np.array([[etc]]), effective_rain=np.array([[rain]]),
        taw=40.0 * one, water_per_minute=one,
    )  # fmt: skip
    inputs = SimpleNamespace(plan=plan, limit=np.array([[limit]]), smallest_run=4.0 * one, resolution=one)
    stands = Stands(np.array([before]), 3.0 * one)
    rows = sparse.csr_matrix(np.ones((1, 1))), np.array([1e3])
    return kept_minutes(inputs, minutes * one, stands, longest * one, rows, np.zeros(1, dtype=bool))[0]


@pytest.mark.parametrize(
    ("before", "more", "stays"),
    [
        (15.0, {}, True),  # 2.5 mm more
        (16.0, {}, False),  # 3 mm are a change
        (15.0, {"longest": 14.0}, False),
        (15.0, {"depletion": 7.5}, True),  # 7.5 mm just fill the roots
        (15.0, {"depletion": 7.0}, False),  # more drains
        (5.0, {}, True),
        (5.0, {"limit": 22.3}, True),  # 20 - 2.5 + 5 are 22.5 mm tomorrow: apart from the limit by no more than is told
        (5.0, {"limit": 22.0}, False),
        (5.0, {"limit": 22.0, "rain": 1.0}, True),
    ],
)
def test_what_stands_stays_where_it_neither_drains_nor_dries(before, more, stays):
    assert kept(before, **more) == (before if stays else 10.0)


def test_of_runs_that_stand_longer_the_smallest_waste_goes_first_within_a_limit():
    # 3 and 1 minutes more are asked for where 1.5 are left: the smaller one stays as it stands.
    two = np.ones(2)
    plan = SimpleNamespace(
        net_rate=0.5 * two, depletion=30.0 * two, etc=np.zeros((2, 1)), effective_rain=np.zeros((2, 1)),
        taw=40.0 * two, water_per_minute=two,
    )  # fmt: skip
    inputs = SimpleNamespace(plan=plan, limit=np.full((2, 1), 35.0), smallest_run=two, resolution=two)
    rows = sparse.csr_matrix(np.ones((1, 2))), np.array([21.5])
    found = kept_minutes(
        inputs, 10 * two, Stands(np.array([13.0, 11.0]), 3 * two), 60 * two, rows, np.zeros(2, dtype=bool)
    )
    assert found.tolist() == [10.0, 11.0]


def test_a_keyed_site_has_a_price_on_change_and_its_cases_too(tmp_path):
    two_evenings(tmp_path / "a", KEYED)
    place, night = h.again(SimpleNamespace(folder=tmp_path / "a")), date(2026, 7, 15)
    planned = planned_evening(place, night, datetime(2026, 7, 15, 18, tzinfo=place.time_zone))
    stood = {z["id"]: z["minutes"] for z in json.loads((tmp_path / "a/out/2026-07-14/plan.json").read_text())["zones"]}
    assert planned.inputs.plan.standing.tolist() == [stood[z] for z in place.zones.zone]
    assert planned.inputs.plan.price_of_change == STEADY.price > 0
    standing = standing_evening(planned, place.applied)
    usual, more = (plan_case(standing, read_cases(place, [], [f"eto_factor={f}"])[0]) for f in ("1.0", "1.3"))
    assert usual.same and not more.same
    assert np.array_equal(more.plan.inputs.plan.standing, planned.inputs.plan.standing)


def test_where_nobody_keys_the_night_in_changes_have_no_price(tmp_path):
    two_evenings(tmp_path / "a", "")
    place = h.again(SimpleNamespace(folder=tmp_path / "a"))
    planned = planned_evening(place, date(2026, 7, 15), datetime(2026, 7, 15, 18, tzinfo=place.time_zone))
    assert planned.inputs.plan.standing is None and planned.inputs.plan.price_of_change == 0.0


def test_what_programmes_hold_has_no_price_of_its_own(tmp_path):
    two_evenings(tmp_path / "a", "programmes = 2\n")
    place = h.again(SimpleNamespace(folder=tmp_path / "a"))
    planned = planned_evening(place, date(2026, 7, 15), datetime(2026, 7, 15, 18, tzinfo=place.time_zone))
    assert standing_programme(place, date(2026, 7, 15)).minutes.any() and planned.inputs.plan.standing is None


def test_a_zone_that_rests_in_a_programme_that_stands_stands_at_what_it_last_ran(tmp_path):
    # Two nights ago G1 and G2 ran 9 min by a programme, last night it rested with both in it; G3 was taken out.
    text = TOML + '[[controller]]\nname = "a"\nprogrammes = 2\n'
    rows = "".join(f"{z},green,500,2\n" for z in ("G1", "G2", "G3"))
    place = site(tmp_path, text, "zone,surface,area,flow\n" + rows)

    def plan_of(minutes, held):
        zones = [{"id": z, "minutes": m, "cycles": []} for z, m in zip(("G1", "G2", "G3"), minutes, strict=True)]
        stations = [{"zone": z, "minutes": 9} for z in held]
        programme = {"number": 1, "percent": 100, "stations": stations, "start_minutes": []}
        return json.dumps({"zones": zones, "controllers": [{"name": "a", "programmes": [programme]}]})

    for night, plan in ((12, plan_of((9, 9, 9), ("G1", "G2", "G3"))), (13, plan_of((0, 0, 0), ("G1", "G2")))):
        folder = tmp_path / "out" / f"2026-07-{night}"
        folder.mkdir(parents=True)
        (folder / "plan.json").write_text(plan)
    assert standing_programme(place, date(2026, 7, 14)).minutes.tolist() == [9.0, 9.0, 0.0]


def test_what_stands_is_the_last_plan_s_of_the_evenings_before_in_controllers_keyed_in(tmp_path):
    # G1 and its starts stand; the second controller is central, and a zone without one is nobody's to key in.
    boxes = '[[controller]]\nname = "a"\nsteady_within = "2 mm"\n[[controller]]\nname = "b"\n'
    rows = "".join(
        f"{z},green,500,2,{c}\n" for z, c in (("G1", "a"), ("G2", "b"), ("G3", ""), ("G4", "a"), ("G5", "a"))
    )
    place = site(tmp_path, TOML + boxes, "zone,surface,area,flow,controller\n" + rows)

    def plan_of(minutes):
        return json.dumps({"zones": [
            {"id": z, "minutes": minutes, "cycles": [{"start": s} for s in starts]}
            for z, starts in (("G1", ("2026-07-12T22:00", "2026-07-13T01:30")), ("G2", ()), ("G3", ()), ("G4", ()))
        ]})  # fmt: skip

    for night, text in ((14, plan_of(99)), (12, plan_of(7)), (11, plan_of(5))):
        folder = tmp_path / "out" / f"2026-07-{night}"
        folder.mkdir(parents=True)
        (folder / "plan.json").write_text(text)
    found = standing_programme(place, date(2026, 7, 14))
    np.testing.assert_equal(found.minutes, [7.0, np.nan, np.nan, 7.0, np.nan])
    assert found.within.tolist() == [2.0, 0.0, 0.0, 2.0, 2.0]
    assert {z: s.tolist() for z, s in found.starts.items()} == {0: [22 * 60.0, 25.5 * 60.0]}
