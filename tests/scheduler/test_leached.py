"""How well water leaches, learned from flushes that probes have seen: found in the log, fitted by kin, said."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from models.layers import root_zone_ece, state_from_ece
from models.salt_balance import lead_in
from scheduler.salinity import SLOW, site_layers
from tests.scheduler import salty_sites as s

FLUSH = s.NIGHT - timedelta(days=20)
BEFORE = (2.0, 6.0)  # dS/m


def log(minutes: int) -> str:
    """Every night refills what a date of June takes, 0.88 of 5 mm (22 min at 12 mm/h); one night runs longer."""
    nights = [s.NIGHT - timedelta(days=d) for d in range(39, 0, -1)]
    rows = [f"{n},{z},{minutes if n == FLUSH else 22}\n" for n in nights for z in ("G1", "G2", "G3")]
    return "night,zone,minutes\n" + "".join(rows)


def seen(after: tuple[float, float]) -> str:
    """Perfect probes in G1, at ECe `BEFORE` until the evening of the flush and `after` from the morning on."""
    rows = [s.PROBE_HEAD]
    for d in range(25, -1, -1):
        day = s.NIGHT - timedelta(days=d)
        upper, lower = BEFORE if day <= FLUSH else after
        rows.append(s.probes_csv({"G1-5": upper, "G1-15": lower}, at=day))
    return "".join(rows)


def learned(folder, after, minutes=60, zones=s.GREENS):
    files = {"applied": log(minutes), "probes": seen(after), "probe_sites": s.PROBE_SITES}
    place = s.salty(folder, zones=zones, **files)
    return place, s.evening(place)[2]


def after_a_flush(place, mixing: float) -> tuple[float, float]:
    """What the layers forecast of a flush of 60 min, 12 mm, with a mixing of their own.

    The first night of the log found the roots full: since then they end a date short of less than its ET by what is
    held.
    """
    layers = replace(site_layers(place), mixing=np.full((3, 2), mixing))
    etc = 5.0 * place.zones.kc_month[0, FLUSH.month - 1]
    state = state_from_ece(layers, np.full(3, (1.0 - SLOW) * etc), np.tile(BEFORE, (3, 1)))
    end = lead_in(layers, state, 12.0 - SLOW * etc, 1.4)
    return tuple((end.salt / layers.paste_water)[0])


@pytest.mark.parametrize("mixing", [1.0, 1.6, 3.0])
def test_one_flush_moves_mixing_a_third_of_the_way_to_what_was_seen(tmp_path, mixing):
    place, _ = learned(tmp_path / "a", BEFORE)
    _, salt = learned(tmp_path / "b", after_a_flush(place, mixing))
    assert salt.layers.mixing[0, 0] == pytest.approx(2.0 + (mixing - 2.0) / 3.0, abs=0.005)
    assert (salt.layers.mixing[1:] == salt.layers.mixing[0]).all()  # kin: the same green on the same soil
    assert any("learned from 1 flush that probes" in n.text for n in salt.notes)


def test_what_is_not_kin_or_not_a_flush_teaches_nothing(tmp_path):
    zones = s.zones_csv(
        "G1,green,creeping_bentgrass,reclaimed",
        "G2,fairway,creeping_bentgrass,reclaimed",
        "G3,tee,tall_fescue,reclaimed",
    )
    _, salt = learned(tmp_path / "a", (1.5, 5.5), zones=zones)
    assert salt.layers.mixing[0, 0] != 2.0
    assert (salt.layers.mixing[1:] == 2.0).all()
    _, small = learned(tmp_path / "b", (1.5, 5.5), minutes=40)
    assert (small.layers.mixing == 2.0).all()
    half = seen((1.5, 5.5)).replace("G1-15", "G9-15")
    place = s.salty(tmp_path / "c", applied=log(60), probes=half, probe_sites=s.PROBE_SITES)
    assert (s.evening(place)[2].layers.mixing == 2.0).all()  # the lower half was not read


def test_a_flush_leaves_less_the_better_water_leaches(tmp_path):
    place, _ = learned(tmp_path / "a", BEFORE)
    left = [root_zone_ece(site_layers(place), np.array([after_a_flush(place, f)] * 3))[0] for f in (1.0, 2.0, 3.0)]
    assert np.all(np.diff(left) < 0)
