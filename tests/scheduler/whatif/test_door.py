"""Work side by side: a worker killed half way, a task that fails, an address that does not answer."""

import os
import signal
import time
from pathlib import Path

import pytest

from scheduler.whatif import door
from scheduler.whatif.door import NoCluster, Workers, problem_of, run_all


def work(place: int, folder: str) -> int:
    """Square a number; the second task's worker is killed once, the third fails."""
    if place == 1 and not (Path(folder) / "killed").exists():
        (Path(folder) / "killed").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if place == 2:
        raise ValueError("of no use")
    time.sleep(0.1)
    return place * place


def ended(done):
    values = {d.place: d.value for d in done if d.failure is None}
    failures = {d.place: problem_of(d.failure) for d in done if d.failure is not None}
    return values, failures


def test_in_this_process_a_failure_stops_no_other(tmp_path):
    (tmp_path / "killed").touch()
    values, failures = ended(list(run_all(work, [(i, str(tmp_path)) for i in range(4)], Workers())))
    assert values == {0: 0, 1: 1, 3: 9} and failures == {2: "of no use"}


def test_a_killed_worker_is_replaced_and_a_failure_stops_no_other(tmp_path):
    pytest.importorskip("distributed")
    values, failures = ended(list(run_all(work, [(i, str(tmp_path)) for i in range(6)], Workers(2))))
    assert (tmp_path / "killed").exists()
    assert values == {0: 0, 1: 1, 3: 9, 4: 16, 5: 25} and failures == {2: "of no use"}


def test_an_address_that_does_not_answer(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(door, "PATIENCE", 1.0)
    with pytest.raises(NoCluster, match="no cluster answers at tcp://127.0.0.1:9"):
        list(run_all(work, [(0, ".")], Workers(address="tcp://127.0.0.1:9")))
