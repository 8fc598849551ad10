"""A few evenings with random faults where clocks change; `tests/bench/bench_nightly.py` runs a thousand."""

from datetime import date

import pytest

from tests.scheduler.nightly.faulty import evenings, prepare
from tests.sites import make_site


@pytest.mark.sweep
@pytest.mark.parametrize(("first", "seed"), [(date(2026, 3, 7), 3), (date(2026, 10, 31), 4)])
def test_before_every_opening_a_plan_or_a_named_rung_stands(tmp_path, first, seed):
    folder = make_site(tmp_path / "site", zones=5, nights=3, probes=False, evening=first, season_days=30)
    prepare(folder)
    seen = evenings(folder, first, 2, seed)
    assert [(s.night, s.done, s.codes, s.wrong) for s in seen if s.wrong] == []
