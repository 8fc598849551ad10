"""Work side by side: a worker killed half way, a task that fails, an address that does not answer."""

import os
import signal
import socket
import threading
import time
from pathlib import Path

import pytest

from scheduler.whatif import door
from scheduler.whatif.door import Door, NoCluster, Workers, problem_of, run_all


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
    with Door(Workers(), 4) as door:
        values, failures = ended(list(run_all(work, [(i, str(tmp_path)) for i in range(4)], door)))
    assert values == {0: 0, 1: 1, 3: 9} and failures == {2: "of no use"}


@pytest.mark.sweep
def test_a_killed_worker_is_replaced_and_a_failure_stops_no_other(tmp_path):
    pytest.importorskip("distributed")
    with Door(Workers(2), 6) as door:
        values, failures = ended(list(run_all(work, [(i, str(tmp_path)) for i in range(6)], door)))
    assert (tmp_path / "killed").exists()
    assert values == {0: 0, 1: 1, 3: 9, 4: 16, 5: 25} and failures == {2: "of no use"}


def test_an_address_that_does_not_answer(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(door, "PATIENCE", 1.0)
    with pytest.raises(NoCluster, match="no cluster answers at tcp://127.0.0.1:9"):
        Door(Workers(address="tcp://127.0.0.1:9"), 1).begin()


@pytest.mark.parametrize("answer", [b"", b"this is no cluster at all"])
def test_an_address_at_which_something_else_answers(monkeypatch, answer):
    pytest.importorskip("distributed")
    monkeypatch.setattr(door, "PATIENCE", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken: list[socket.socket] = []

        def answers():
            taken.append(server.accept()[0])
            taken[0].sendall(answer)

        threading.Thread(target=answers, daemon=True).start()
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(NoCluster, match=f"no cluster answers at {address}"):
            Door(Workers(address=address), 1).begin()
        taken[0].close()


def test_kinds_that_take_longest_are_begun_first(monkeypatch):
    # three kinds, four tasks each, told apart as they end: one of each is begun, then what took longest
    clock = iter(range(100))
    monkeypatch.setattr(door.time, "monotonic", lambda: float(next(clock)))
    order = door._Order([i // 4 for i in range(12)])
    first = [order.next(3) for _ in range(3)]  # at 0, 1, 2
    assert first == [0, 4, 8]
    for place in (4, 8, 0):  # at 3, 4, 5: kind 1 took 2, kind 2 took 2, kind 0 took 5
        order.ended(place)
    assert [order.next(3) for _ in range(4)] == [1, 2, 3, 5]


def test_a_wait_behind_another_task_is_no_part_of_how_long_a_task_is(monkeypatch):
    # one thread, two tasks sent ahead: the second is sent at once, begins when the first ends, and is the shorter one
    now = [0.0]
    monkeypatch.setattr(door.time, "monotonic", lambda: now[0])
    order = door._Order(["long", "long", "short", "short"])
    assert [order.next(1), order.next(1)] == [0, 2]
    now[0] = 10.0
    order.ended(0)
    now[0] = 13.0
    order.ended(2)
    assert order.took == {"long": [10.0], "short": [3.0]}
    assert order.next(1) == 1  # at work since 13
    assert order.next(1) == 3
    order.ended(3)  # before the one that was sent before it: of neither is it known how long it took
    now[0] = 20.0
    order.ended(1)
    assert order.took == {"long": [10.0, 7.0], "short": [3.0]}


def test_the_last_tasks_wait_for_whoever_is_free():
    # ten tasks, two workers: two each are sent while more than four are left to send, then one each
    order = door._Order([0] * 10)
    sent = []
    while order.left:
        sent.append(order.at_once(2))
        order.next(2)
    assert sent == [4] * 6 + [2] * 4


def test_workers_keep_the_memory_they_will_ask_for_again():
    dask = pytest.importorskip("dask")
    pytest.importorskip("distributed")
    door._dask()
    told = dask.config.get("distributed.nanny.pre-spawn-environ")  # what a worker's process is started with
    assert told["MALLOC_TRIM_THRESHOLD_"] == told["MALLOC_MMAP_THRESHOLD_"] == 1 << 28
    assert told["OMP_NUM_THREADS"] == told["OPENBLAS_NUM_THREADS"] == told["MKL_NUM_THREADS"] == 1


def test_nothing_is_started_where_nothing_is_sent(tmp_path):
    with Door(Workers(2), 6) as closed:
        assert list(run_all(work, [], closed)) == []
        assert closed._opening is None
