"""Small parts of the ledger by hand: days of readings and their digests, and which of two plans is the newer."""

import numpy as np
import pytest

from scheduler.ledger import keeping, readings

DAY = readings._DAY


def test_rows_of_a_probe_and_a_day_stand_together_whatever_probe_or_day_came_before():
    number = np.array([1, 1, 1, 1, 2, 2])
    time = np.array([0, DAY - 1, DAY, 3 * DAY, 3 * DAY, 3 * DAY + 5])  # two days later counts as another day, too
    values = np.array([[0.1, 0.2], [0.1, 0.2], [0.1, 0.2], [0.3, 0.2], [0.3, 0.2], [0.3, 0.2]])
    found = readings._Days.of(number, time, values)
    assert (found.rows, found.starts.tolist()) == (6, [0, 2, 3, 4])
    assert found.probe.tolist() == [1, 1, 1, 2] and found.day.tolist() == [0, 1, 3, 3]
    one = readings._digests(time, values).astype(np.uint64)
    with np.errstate(over="ignore"):
        assert found.digest[0] == (one[0] + one[1]).view(np.int64) and found.digest[1] == one[2].view(np.int64)
    assert found.digest[2] != found.digest[3]  # of one day and other readings


@pytest.mark.parametrize(
    ("text", "held", "newer"),
    [
        ('{"made": "2026-07-14T18:00:01-07:00"}', "2026-07-14T18:00:00-07:00", True),
        ('{"made": "2026-07-14T18:00:00-07:00"}', "2026-07-14T18:00:00-07:00", False),
        ('{"made":"2026-07-14T18:30:00-07:00"}', "2026-07-15T01:00:00+00:00", True),  # 01:30 there
        ('{"made": "soon"}', "2026-07-14T18:00:00-07:00", True), ('{"made": "soon"}', "soon", False),
        ("{}", "2026-07-14T18:00:00-07:00", True), ("{}", None, True),
    ],
)  # fmt: skip
def test_a_plan_is_taken_in_where_it_was_made_after_the_one_held(tmp_path, text, held, newer):
    path = tmp_path / "plan.json"
    path.write_text(text)
    assert keeping._is_newer(path, held) is newer
