"""A few dozen writers killed at random moments; tests/bench/bench_kill.py kills as many as asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from scheduler.site import load_site
from tests.killing import STEPS, intake_trial, trial

TRIALS = 30


def test_a_killed_writer_leaves_a_sound_ledger(tmp_path):
    rng = np.random.default_rng(20260714)
    seen = []
    for number in range(TRIALS):
        folder = tmp_path / str(number)
        folder.mkdir()
        seen.append(trial(folder, float(rng.uniform(0.0, 0.25))))
    killed = [one for one in seen if not one.ended]
    assert len(killed) >= TRIALS // 4, "most children ended before they were killed; the trial proves nothing"
    assert any(0 < one.acknowledged < STEPS for one in killed)


def test_a_killed_intake_is_there_whole_or_not_at_all(tmp_path):
    site = load_site(Path(__file__).parents[2] / "scenarios" / "lowland-stadium")
    rng = np.random.default_rng(7)
    seen = []
    for number in range(12):
        folder = tmp_path / str(number)
        folder.mkdir()
        seen.append(intake_trial(folder, site, float(rng.uniform(0.0, 0.25))))
    assert any(not one.ended for one in seen), "every intake ended before it was killed; the trial proves nothing"
