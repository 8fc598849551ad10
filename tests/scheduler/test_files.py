import os
import stat

import pytest

from scheduler.files import write_atomic, write_atomic_with


def test_text_and_bytes_arrive_as_given(tmp_path):
    assert write_atomic(tmp_path / "a.txt", "Zürich\r\nline 2\n") == tmp_path / "a.txt"
    assert (tmp_path / "a.txt").read_bytes() == "Zürich\r\nline 2\n".encode()
    write_atomic(tmp_path / "new" / "folder" / "b.bin", b"\x00\xff")
    assert (tmp_path / "new" / "folder" / "b.bin").read_bytes() == b"\x00\xff"


def test_a_failing_writer_leaves_the_old_file_and_no_debris(tmp_path):
    target = tmp_path / "plan.json"
    write_atomic(target, "the last good plan")

    def half(stream):
        stream.write(b"half a pl")
        raise RuntimeError("power went")

    with pytest.raises(RuntimeError, match="power went"):
        write_atomic_with(target, half)
    assert target.read_text() == "the last good plan"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_text_that_cannot_be_encoded_leaves_the_old_file(tmp_path):
    target = tmp_path / "plan.json"
    write_atomic(target, "old")
    with pytest.raises(UnicodeEncodeError):
        write_atomic(target, "\ud800")
    assert target.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_failing_move_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "plan.json"
    write_atomic(target, "old")

    def refuse(self, other):
        raise PermissionError("busy")

    monkeypatch.setattr("pathlib.Path.replace", refuse)
    with pytest.raises(PermissionError, match="busy"):
        write_atomic(target, "new")
    assert target.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_the_data_is_on_the_disk_before_the_move(tmp_path, monkeypatch):
    order = []
    fsync, replace = os.fsync, type(tmp_path).replace
    monkeypatch.setattr(os, "fsync", lambda f: (order.append("sync"), fsync(f)))
    monkeypatch.setattr("pathlib.Path.replace", lambda self, other: (order.append("move"), replace(self, other))[1])
    write_atomic(tmp_path / "x", "x")
    assert order[:2] == ["sync", "move"]


@pytest.mark.skipif(os.name != "posix", reason="file modes are a POSIX matter")
def test_modes_are_readable_and_kept(tmp_path):
    target = tmp_path / "x"
    write_atomic(target, "1")
    assert stat.S_IMODE(target.stat().st_mode) == 0o644
    target.chmod(0o640)
    write_atomic(target, "2")
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
