"""What a surface's probes say of water that lingers: which nights and which zones count."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.lingering import lingering_share
from scheduler.state.lingering import lingers

NIGHTS = 32


def given(rain=0.0, fed=(0.2, 0.2, 0.3, 0.2)):
    """Zones F1 (probe), F2, G1 over gravel (probe), T1; a fairway's probe keeps 0.4 of what passes field capacity."""
    deep = np.where(np.arange(NIGHTS) % 4 == 3, 12.0, 1.0)
    zones = SimpleNamespace(
        surface=np.array(["fairway", "fairway", "green", "tee"]), root_depth=np.full(4, 0.2), fed_depth=np.array(fed)
    )
    etc = np.tile(np.tile([4.0, 6.0, 5.0], NIGHTS)[:NIGHTS], (4, 1))
    depletion, surplus = np.full((4, NIGHTS), 5.0), np.zeros((4, NIGHTS))
    surplus[:, 5], depletion[:, 5] = 3.0, 0.0  # water already above field capacity leaves no room
    before = np.column_stack((np.full(4, 2.0), np.where(depletion - surplus < 0, 0.0, 5.0)[:, :-1]))
    swing = np.array([1.5, 1.0])
    stored = 60.0 + 0.4 * deep - etc[[0, 2]]
    found = SimpleNamespace(
        rows=np.arange(4), sensors=SimpleNamespace(zone=np.array([0, 2])), start=np.full(4, 2.0),
        irrigation=before + deep, etc=etc, rain=np.full((4, NIGHTS), rain), moisture=swing[:, None] * stored / 200.0,
        run=SimpleNamespace(
            depletion=depletion, surplus=surplus, state=SimpleNamespace(log_gain=np.log([1.25, 1.0]))
        ),
        setup=SimpleNamespace(gain=np.array([1.2, 1.0])),
    )  # fmt: skip
    told = lingering_share(stored[:1], deep[None, :], etc[:1], np.array([0]))[0]
    return SimpleNamespace(zones=zones), found, told


def test_zones_of_a_surface_share_what_its_probe_says_and_sand_over_gravel_has_drained():
    site, found, told = given()
    assert told == pytest.approx(0.36, abs=0.01)
    assert lingers(site, found) == pytest.approx([told, told, 0.0, 0.0])
    site, found, told = given(fed=(0.3, 0.2, 0.3, 0.2))  # its probe stands over gravel: it says nothing of the others
    assert lingers(site, found).tolist() == [0.0] * 4


def test_dates_with_rain_say_nothing():
    site, found, _ = given(rain=0.6)
    assert lingers(site, found).tolist() == [0.0] * 4
