"""Writers and whole commands killed here and there; tests/bench/bench_kill.py kills as many as asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from scheduler.site import load_site
from tests.command_kills import EVENINGS, grow, make_season, step_trial
from tests.drawn import draws
from tests.killing import STEPS, child, intake_child, intake_trial, takes, trial

KILLS = 20  # real ones: a child that ends before its signal does not count
MOST_TRIALS = 120


@pytest.mark.sweep
def test_a_killed_writer_leaves_a_sound_ledger(tmp_path):
    rng = np.random.default_rng(20260714)
    killed = []
    (tmp_path / "calm").mkdir()
    usual = takes(child, tmp_path / "calm", None, tmp_path / "said")
    for number in range(MOST_TRIALS):
        if len(killed) == KILLS:
            break
        folder = tmp_path / str(number)
        folder.mkdir()
        one = trial(folder, usual * float(rng.uniform(0.0, 1.0)))
        killed += [] if one.ended else [one]
    assert len(killed) == KILLS, "hardly a child was killed before it ended; the trial proves nothing"
    assert any(0 < one.acknowledged < STEPS for one in killed)


@pytest.mark.drawn
def test_a_killed_intake_is_there_whole_or_not_at_all(tmp_path):
    site = load_site(Path(__file__).parents[2] / "scenarios" / "lowland-stadium")
    rng = np.random.default_rng(7)
    seen = []
    (tmp_path / "calm").mkdir()
    usual = takes(intake_child, tmp_path / "calm", site, tmp_path / "said")
    for number in range(12):
        if sum(not one.ended for one in seen) == draws(12, 1):
            break
        folder = tmp_path / str(number)
        folder.mkdir()
        seen.append(intake_trial(folder, site, usual * float(rng.uniform(0.0, 1.0))))
    assert any(not one.ended for one in seen), "every intake ended before it was killed; the trial proves nothing"


@pytest.mark.sweep
def test_killed_commands_lose_nothing_and_double_nothing(tmp_path):
    season = make_season(tmp_path / "season", zones=3)
    steps = np.random.default_rng(11).permutation(np.arange(1, 71))[:6]  # of some eighty
    seen = []
    for evening, step in zip(EVENINGS, steps.tolist(), strict=False):
        grow(tmp_path / "site", season, evening)
        seen.append(step_trial(tmp_path / "site", "tonight", evening, step))
    grow(tmp_path / "site", season, EVENINGS[6])
    seen.append(step_trial(tmp_path / "site", "intake", EVENINGS[6], 12))
    assert all(one.killed for one in seen)
    assert len({one.came for one in seen}) > 1
