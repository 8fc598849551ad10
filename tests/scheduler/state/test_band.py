"""The moisture band of a surface: RAW or a floor, never at the wilting point, and firmness from field capacity down."""

from types import SimpleNamespace

import numpy as np

from scheduler.state.band import dry_limit, eased_raw, wet_limit
from scheduler.state.caution import CAUTION

FLOORS = {"green": None, "tee": 0.7, "rough": 0.0, "pitch": 0.995}
SITE = SimpleNamespace(
    caution="even",
    zones=SimpleNamespace(surface=np.array(list(FLOORS))),
    surfaces={s: SimpleNamespace(moisture_floor=f, firmness_limit=0.9) for s, f in FLOORS.items()},
)
TAW = np.array([40.0, 50.0, 60.0, 100.0])


def test_a_floor_of_moisture_stands_in_place_of_raw_within_what_the_soil_holds():
    # 30 % of 50 mm may go; a floor of nothing still leaves a fiftieth, and one of nearly all leaves one to plan with.
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    found = dry_limit(SITE, TAW, raw)
    np.testing.assert_allclose(found, [[16.0, 20.0], [15.0, 15.0], [58.8, 58.8], [2.0, 2.0]])


def test_lean_lets_turf_dry_to_where_it_takes_the_share_of_its_et_the_word_says_but_keeps_floors_that_are_told():
    # FAO-56 Eq. 84: Ks = (TAW - D) / (TAW - RAW)
    lean = SimpleNamespace(zones=SITE.zones, surfaces=SITE.surfaces, caution="lean")
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    met = CAUTION["lean"].met
    found = eased_raw(lean, TAW, raw)
    np.testing.assert_allclose((40.0 - found[0]) / (40.0 - raw[0]), met)
    np.testing.assert_array_equal(found[1:], raw[1:])
    np.testing.assert_allclose(dry_limit(lean, TAW, raw), np.vstack((found[0], dry_limit(SITE, TAW, raw)[1:])))
    np.testing.assert_array_equal(eased_raw(SITE, TAW, raw), raw)


def test_ground_is_soft_above_its_firmness_limit():
    np.testing.assert_allclose(wet_limit(SITE, TAW), [4.0, 5.0, 6.0, 10.0])
