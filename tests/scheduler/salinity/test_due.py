"""What each zone that needs a flush is asked for: when it passes, its target, its nights, how much one flush may be."""

from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import FLUSH, SALT
from scheduler.salinity import flush_depths, flushes
from scheduler.salinity.candidates import few_names
from scheduler.salinity.flush_depths import avoidable, left_by_largest, working_limit
from scheduler.salinity.flushes import (
    _Due,
    _frame,
    _in_question,
    _in_time,
    _storm_does_it,
    saltier,
)

NIGHT = date(2026, 7, 14)
DATES = tuple(NIGHT + timedelta(days=i) for i in range(3))


def due(mean=None, dates=DATES, **frame):
    """Two zones of a frame, the second and the third of three; a limit of 4 and 5 dS/m."""
    usual = dict(
        dates=dates,
        limit=np.array([9.0, 4.0, 5.0]),
        rise=np.array([9.0, 0.05, 0.3]),
        floor=np.array([9.0, 2.0, 4.5]),
        site=None,
    )
    view = SimpleNamespace(mean=np.zeros((3, len(dates) + 8)) if mean is None else np.asarray(mean, dtype=float))
    return _Due(SimpleNamespace(**(usual | frame)), view, np.array([1, 2]), np.array([2, 0]))


def test_a_zone_passes_its_limit_after_the_night_before_the_date_on_which_it_is_over():
    # Rows of the look ahead: the first zone's is the last. Column 0 is tonight, column 1 the end of tonight's date.
    found = due([[4.9, 4.9, 5.0, 5.1, *[6.0] * 7], [0.0] * 11, [3.9, 4.1, 3.9, 3.9, *[9.0] * 7]])
    assert found.passes.tolist() == [0, 2]
    now = due([[5.1, 4.0, 4.0, 5.1, *[6.0] * 7], [0.0] * 11, [4.1, 3.9, 3.9, 4.2, *[9.0] * 7]])
    assert now.passes.tolist() == [0, 0]  # over tonight is over now, whatever rain does to it


def test_a_flush_aims_at_a_share_of_the_limit_or_at_what_lasts_a_week_and_never_below_what_water_allows(monkeypatch):
    # 0.85 of 4; and 5 less a week of 0.3, twice as fast where roots are half of what is fed, under 1.1 of the floor.
    found = due()
    monkeypatch.setattr(flushes, "some_layers", lambda layers, z: layers)
    layers = SimpleNamespace(depth=np.array([0.3, 0.3]), rooted=np.array([[0.1, 0.05], [0.2, 0.1]]))
    found.frame.salt = SimpleNamespace(layers=layers)
    assert found.enough.tolist() == pytest.approx([FLUSH.target_share * 4.0, FLUSH.target_margin * 4.5])
    assert found.target.tolist() == pytest.approx([4.0 - 7.0 * 0.05 * 2.0, FLUSH.target_margin * 4.5])
    low = due(floor=np.zeros(3))
    assert low.enough.tolist() == pytest.approx([3.4, 5.0 - 7.0 * 0.3])


def nights(allowed, protected, dates=DATES, **plan):
    place = SimpleNamespace(allowed=np.asarray(allowed), **plan)
    found = due(dates=dates, plan=place)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flushes, "protected_nights", lambda site, dates: np.asarray(protected))
        found.allowed  # noqa: B018  read while the calendar stands in
    return found


def test_a_flush_may_run_on_nights_with_any_hour_open_and_no_event():
    allowed = np.zeros((3, 3, 2), dtype=bool)
    allowed[1, :, 1] = allowed[2, 1, :] = True
    protected = np.zeros((3, 3), dtype=bool)
    protected[1, 0] = True
    assert nights(allowed, protected).allowed.tolist() == [[False, True, True], [False, True, False]]


@pytest.mark.parametrize(
    ("open_", "dates", "share"),
    [((0, 1, 2), DATES, FLUSH.stage_share), ((1,), DATES, FLUSH.largest_share), ((0,), DATES[:1], FLUSH.stage_share)],
)
def test_a_flush_is_a_stage_unless_one_of_several_nights_alone_allows_it(open_, dates, share):
    # 150 mm of water in the layers; runs of two nights of 60 min at 2 mm/min would pass far more.
    allowed = np.zeros((3, len(dates), 1), dtype=bool)
    allowed[:, list(open_)] = True
    given = dict(max_run=np.full(3, 60.0), net_rate=np.full(3, 2.0), depletion=np.array([0.0, 10.0, 230.0]))
    found = nights(allowed, np.zeros((3, len(dates)), dtype=bool), dates, **given)
    found.__dict__["part"] = SimpleNamespace(full_water=np.array([[100.0, 50.0]] * 2))
    # The second zone's roots take 230 of the 240 mm that two nights' runs give.
    assert found.most.tolist() == pytest.approx([share * 150.0, 10.0])


def test_a_flush_is_never_smaller_than_what_can_be_told_from_uneven_watering():
    given = dict(max_run=np.full(3, 1.0), net_rate=np.full(3, 1.0), depletion=np.full(3, 9.0))
    found = nights(np.ones((3, 3, 1), dtype=bool), np.zeros((3, 3), dtype=bool), **given)
    found.__dict__["part"] = SimpleNamespace(full_water=np.array([[100.0, 50.0]] * 2))
    assert found.most.tolist() == [FLUSH.smallest] * 2


@pytest.mark.parametrize(
    ("allowed", "passes", "by"),
    [
        ([1, 1, 1, 1], 2, 2),
        ([1, 1, 0, 1], 2, 1),  # the last that is open before
        ([1, 0, 0, 1], 2, 0),
        ([0, 0, 0, 1], 2, 2),  # none is in time
    ],
)
def test_a_flush_is_in_time_up_to_the_last_open_night_before_the_limit_is_passed(allowed, passes, by):
    assert _in_time(np.array([allowed], dtype=bool), np.array([passes])) == [by]


def test_a_storm_does_it_where_the_zone_stays_within_its_limit_from_then_on():
    # Rain drains on the second date (step 2 is its end); what stood over before does not count, what does after.
    view = SimpleNamespace(
        storm=np.array([1, 1, 1, -1]),
        mean=np.array([[5.0, 5.0, 4.0, 4.0, 9.0], [5.0, 5.0, 4.1, 4.0, 4.0], [5.0, 5.0, 4.0, 4.1, 4.0], [1.0] * 5]),
    )
    assert _storm_does_it(view, np.full(4, 4.0), 3).tolist() == [True, False, False, False]


def test_harm_is_what_a_flush_would_spare_in_the_saltier_part_above_the_limit():
    # FAO-56 Eq. 90: Ks = 1 - b / 100 (ECe - threshold), b = 10 %, 3 dS/m; the saltier part has 1.25 times the mean.
    ece = np.array([[4.0, 5.0, 6.0]])
    found = avoidable(ece, np.array([4.5]), np.array([3.2]), np.array([3.0]), np.array([10.0]))
    part = FLUSH.saltier_part
    spared = 0.1 * part * (ece - 3.2)
    np.testing.assert_allclose(found, np.where(ece > 4.5, spared, 0.0))


def test_harm_is_of_each_date_s_et_and_of_the_mean_beyond_the_horizon(monkeypatch):
    monkeypatch.setattr(flushes, "avoidable", lambda ece, *given: 0.5 * np.ones((2, 2 + flushes.AFTER)))
    zones = SimpleNamespace(ece_threshold=np.zeros(3), ece_slope=np.zeros(3))
    plan = SimpleNamespace(etc=np.array([[9.0, 9.0], [4.0, 6.0], [2.0, 8.0]]))
    found = SimpleNamespace(
        frame=SimpleNamespace(site=SimpleNamespace(zones=zones), plan=plan), z=np.array([1, 2]), limit=None, target=None
    )
    harm = flushes._harm(found, None)
    np.testing.assert_allclose(
        harm, 0.5 * np.array([[4.0, 6.0] + [5.0] * flushes.AFTER, [2.0, 8.0] + [5.0] * flushes.AFTER])
    )


def test_the_largest_flush_is_a_share_of_all_that_the_soil_holds(monkeypatch):
    led = []
    monkeypatch.setattr(flush_depths, "state_from_ece", lambda layers, depletion, ece: (depletion.tolist(), ece))
    monkeypatch.setattr(
        flush_depths, "lead_in", lambda layers, state, water, ec: led.append((state, water.tolist(), ec)) or "led"
    )
    monkeypatch.setattr(flush_depths, "ece_of", lambda layers, state: state)
    monkeypatch.setattr(flush_depths, "standing_ece", lambda layers, ece: ece)
    layers = SimpleNamespace(zones=2, full_water=np.array([[20.0, 30.0], [40.0, 60.0]]))
    assert left_by_largest(layers) == "led"
    assert led == [(([0.0, 0.0], 1.0), [FLUSH.largest_share * 50.0, FLUSH.largest_share * 100.0], 0.0)]


def frame(etc, drained=(True, True, False), known=(True, True, True)):
    three = np.ones(3)
    layers = SimpleNamespace(
        paste_water=np.array([[20.0, 30.0]] * 3), field_capacity=np.full((3, 2), 0.2), paste=np.full((3, 2), 0.25),
        rooted=np.full((3, 2), 0.1),
    )  # fmt: skip
    plan = SimpleNamespace(
        supply_share=np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5]]), etc=np.asarray(etc, dtype=float),
        zone_supply=np.array([[True, False, False], [True, True, False], [False, False, True]]), depletion=10 * three,
    )  # fmt: skip
    site = SimpleNamespace(
        zones=SimpleNamespace(drained=np.array(drained), ece_threshold=np.array([4, 4, 4])),
        sources=(SimpleNamespace(ec=2.0), SimpleNamespace(ec=1.0)),
    )
    salt = SimpleNamespace(layers=layers, source_ec=np.array([2.0, 1.0, 1.5]), known=np.array(known))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flushes, "some_layers", lambda layers, z: layers)
        patch.setattr(flushes, "left_by_largest", lambda layers: 0.5)
        return _frame(site, salt, plan, DATES, None)


def test_a_frame_tells_each_zone_s_best_water_its_rise_and_its_limit():
    found = frame([[4.0, 6.0, 8.0]] * 3)
    np.testing.assert_array_equal(found.open_ec, [[2.0, np.inf, np.inf], [2.0, 1.0, np.inf], [np.inf, np.inf, 1.5]])
    np.testing.assert_allclose(
        found.rise, 6.0 * np.array([2.0, 1.0, 1.5]) / 50.0
    )  # a mean date's ET in the paste's water
    np.testing.assert_allclose(
        found.floor, 0.8 * np.array([2.0, 1.0, 1.5])
    )  # in the paste at field capacity's dilution
    # floor + a week's rise over the half that the largest flush takes; a zone without drains keeps its threshold.
    np.testing.assert_allclose(found.limit, [1.6 + 7 * 0.24 / 0.5, 4.0, 4.0])
    assert frame([[4.0, 6.0, 8.0]] * 3, known=(False, True, True)).limit.tolist() == [4.0] * 3


def test_zones_come_in_question_whose_salt_and_that_of_all_their_water_could_pass(monkeypatch):
    # 50 mm of paste at the ECe there is, and 3 dates of 5 mm and 10 mm of refilling at the water's EC.
    found = frame([[5.0, 5.0, 5.0]] * 3)
    found.limit[:] = 4.0
    for ece, asked in (((3.0, 3.4, 9.0), [False, False, False]), ((3.1, 3.6, 9.0), [True, True, False])):
        salt = SimpleNamespace(ece=np.repeat(np.array(ece)[:, None], 2, axis=1))
        monkeypatch.setattr(flushes, "saltier", lambda _, salt=salt: salt)
        highest = (50.0 * np.array(ece) + 25.0 * found.salt.source_ec) / 50.0
        assert ((highest > 4.0)[:2]).tolist() == asked[:2]
        assert np.isin(np.arange(3), _in_question(found)).tolist() == asked


def test_zones_are_due_that_pass_their_limit_within_the_horizon_and_rain_does_not_help():
    # Over tonight; at the end of the last date; only after it; over, and from a storm on within the limit again.
    mean = np.zeros((4, 11))
    mean[0, 0], mean[1, 3], mean[2, 4:], mean[3, :2] = 5.0, 5.0, 5.0, 5.0
    view = SimpleNamespace(mean=mean, storm=np.array([-1, -1, -1, 1]))
    site = SimpleNamespace(zones=SimpleNamespace(zone=np.array(list("ABCDE"))))
    found = SimpleNamespace(dates=DATES, limit=np.full(5, 4.0), site=site)
    rows, spared = flushes._due(found, view, np.array([1, 2, 3, 4]))
    assert (rows.tolist(), spared) == ([0, 1], ("E",))


def asked_for(monkeypatch, storm=-1, first=(20.0, 3.0, True), rained=(9.0, 3.5, False), enough=3.2):
    """Flush of one zone whose depths are these before any rain, and those after it."""
    steps = []
    found = SimpleNamespace(
        frame=SimpleNamespace(open_ec=np.array([[1.0]])), z=np.array([0]), row=np.array([0]), part=None, most=None,
        target=None, passes=np.array([2]), enough=np.array([enough]),
        view=SimpleNamespace(storm=np.array([storm]), at=lambda row, step: steps.append(step.tolist()) or step),
    )  # fmt: skip
    answers = iter((first, rained))

    def depths(part, before, target, open_ec, most):
        assert (part, target, most) == (found.part, found.target, found.most) and open_ec is not target
        depth, reached, staged = next(answers)
        return np.array([[depth]]), np.array([reached]), np.array([staged])

    monkeypatch.setattr(flushes, "flush_drainage", depths)
    flush = flushes._flushes(found)
    return flush.depth[0, 0], flush.reached[0], bool(flush.staged[0]), bool(flush.rained[0]), steps


def test_a_flush_waits_for_rain_only_where_less_is_needed_after_it(monkeypatch):
    assert asked_for(monkeypatch)[:4] == (20.0, 3.0, False, False)  # what is reached is enough: no stage
    assert asked_for(monkeypatch, enough=2.9)[2]
    assert asked_for(monkeypatch, storm=0) == (
        9.0,
        3.5,
        False,
        True,
        [[2], [2]],
    )  # its night is later than rain
    assert asked_for(monkeypatch, storm=2)[4] == [[2], [3]]  # the opening after the storm's date
    assert asked_for(monkeypatch, storm=2, rained=(21.0, 3.5, False))[:4] == (20.0, 3.0, False, False)


def test_a_flush_passes_at_least_what_can_be_told_and_nothing_where_a_supply_cannot(monkeypatch):
    assert asked_for(monkeypatch, first=(0.5, 3.0, False))[0] == FLUSH.smallest
    assert np.isnan(asked_for(monkeypatch, first=(np.nan, 3.0, False))[0])


def wanted():
    mean = np.array([[3.0, 4.0, 5.0, 6.0, *[7.0] * 7]])
    plan = SimpleNamespace(etc=np.array([[0.0] * 3, [4.0, 5.0, 6.0]]))
    found = SimpleNamespace(
        frame=SimpleNamespace(
            plan=plan, dates=DATES, rise=np.array([9.0, 0.1]), fraction=np.full((2, 3), 0.5),
            salt=SimpleNamespace(source_ec=np.array([9.0, 1.5])),
        ),
        view=SimpleNamespace(mean=mean, at=lambda row, step: step.tolist()), z=np.array([1]), row=np.array([0]),
        part=None, limit=np.array([4.0]), allowed=np.array([[True] * 3]),
    )  # fmt: skip
    return found, SimpleNamespace(depth=np.array([[20.0]]), reached=np.array([3.0]))


def test_the_plan_is_told_the_harm_of_waiting_and_how_long_a_flush_lasts(monkeypatch):
    found, flush = wanted()
    monkeypatch.setattr(flushes, "_harm", lambda due, ece: 0.1 * ece)
    monkeypatch.setattr(flushes, "_upkeep", lambda due, flush: None)
    needs = flushes._needs(found, flush)
    np.testing.assert_allclose(needs.harm, [[0.4, 0.5, 0.6]])
    assert needs.harm_after.tolist() == pytest.approx([7 * 0.7])
    assert needs.lasts.tolist() == pytest.approx([10.0])  # from 3.0 to 4.0 at 0.1 a day
    np.testing.assert_allclose(needs.held, SALT.slow * found.frame.plan.etc[1:])
    flush.reached = np.array([3.95])
    assert flushes._needs(found, flush).lasts.tolist() == [1.0]


def test_upkeep_owes_what_is_left_of_a_flush_at_the_end_of_the_horizon(monkeypatch):
    found, flush = wanted()
    kept = np.array([[3.0, 3.2, 3.5, *[3.9] * 7]])
    monkeypatch.setattr(flushes, "_harm", lambda due, ece: 0.1 * ece)
    leach = np.array([[0.0, 2.0, 0.0]])

    def depths(plan, z, allowed, limit, ec):
        assert (limit.tolist(), ec.tolist()) == ([4.0], [1.5])
        return leach

    def with_upkeep(plan, z, soil, depth, *_):
        assert soil[1] == [0] and depth is leach  # as they stand tonight
        return kept

    monkeypatch.setattr(flushes, "upkeep_depths", depths)
    monkeypatch.setattr(flushes, "ece_with_upkeep", with_upkeep)
    upkeep = flushes._upkeep(found, flush)
    assert upkeep.depth is leach
    np.testing.assert_allclose(upkeep.harm, [[0.3, 0.32, 0.35]])
    assert upkeep.harm_after.tolist() == pytest.approx([7 * 0.39])
    assert upkeep.owed.tolist() == pytest.approx([0.5])  # 3.5 of the way from 3.0 to 4.0
    assert upkeep.owed_without.tolist() == [FLUSH.most_owed]  # 6.0 without: three flushes at most
    found.view.mean[found.row, 3] = 3.25
    assert flushes._upkeep(found, flush).owed_without.tolist() == pytest.approx([0.25])


def test_a_limit_is_the_turf_s_or_what_a_week_s_rest_or_endless_flushing_allow():
    # floor 2, half left: a week of 0.1 a day takes 2 + 7 * 0.1 / 0.5 = 3.4; 1.25 times a floor of 3 is 3.75.
    found = working_limit(
        np.array([3.0, 4.0, 3.0]), np.array([2.0, 2.0, 3.0]), np.array([0.1, 0.1, 0.01]), np.full(3, 0.5)
    )
    assert found.tolist() == pytest.approx([3.4, 4.0, 3.75])


def test_a_zone_is_taken_to_be_saltier_by_a_part_of_its_spread_and_of_its_ece_at_most():
    @dataclass(frozen=True)
    class State:
        ece: np.ndarray
        spread: np.ndarray
        mean: np.ndarray
        layers: SimpleNamespace
        origin: np.ndarray

    # The last two are fed from 0.3 m and rooted in half of it, over gravel; the last no probe reads.
    layers = SimpleNamespace(depth=np.full(5, 0.3), rooted=np.array([[0.15, 0.15]] * 3 + [[0.15, 0.0]] * 2))
    origin = np.array(["probe", "laboratory", "probe", "probe", "kin"], dtype=object)
    spread = np.array([0.3, 3.0, np.nan, 3.0, 3.0])
    salt = State(np.array([[2.0, 4.0]] * 5), spread, np.full(5, 3.0), layers, origin)
    more = 1.0 + FLUSH.wary * np.array([0.1, FLUSH.widest, 0.0, FLUSH.widest_fed, FLUSH.unread * FLUSH.widest_fed])
    np.testing.assert_allclose(saltier(salt).ece, salt.ece * more[:, None])


def test_the_night_a_flush_is_wanted_by_and_shut_nights_are_said():
    found = SimpleNamespace(
        z=np.array([0, 1, 2]), allowed=np.array([[0, 0, 0], [0, 0, 1], [0, 1, 1]], dtype=bool),
        passes=np.array([1, 1, 1]),
        frame=SimpleNamespace(floor=np.array([1.0, 1.0, 2.0])),
    )  # fmt: skip
    flush = SimpleNamespace(
        staged=np.zeros(3, dtype=bool),
        reached=np.array([3.0, 3.0, FLUSH.target_margin * 2.0]),
        rained=np.array([True, False, False]),
    )
    first, second, third = flushes._beside(found, flush)
    assert "rain in the forecast" in first and "no night of these allows it" in first
    assert "no night in time allows it" in second
    assert third == ", the least this water can reach"


def test_names_of_many_zones_are_cut_short():
    assert few_names(tuple("abcdef")) == "a, b, c, d, e, f"
    assert few_names(tuple("abcdefgh")) == "a, b, c, d, e, f and 2 more"
