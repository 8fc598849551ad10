"""A few dozen writers killed at random moments; tests/bench/bench_kill.py kills as many as asked."""

from __future__ import annotations

import numpy as np

from tests.killing import STEPS, trial

TRIALS = 24


def test_a_killed_writer_leaves_a_sound_ledger(tmp_path):
    rng = np.random.default_rng(20260714)
    seen = []
    for number in range(TRIALS):
        folder = tmp_path / str(number)
        folder.mkdir()
        seen.append(trial(folder, float(rng.uniform(0.0, 0.45))))
    killed = [one for one in seen if not one.ended]
    assert len(killed) >= TRIALS // 2, "most children ended before they were killed; the trial proves nothing"
    assert any(0 < one.acknowledged < STEPS for one in killed)
