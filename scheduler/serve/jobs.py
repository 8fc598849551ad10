"""Commands at work in processes of their own: what they print as progress, how they ended, and stopping them."""

from __future__ import annotations

import os
import secrets
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

KEPT_LINES = 60
KEPT_JOBS = 40
AT_ONCE = 2  # over all sites: each takes a core


class Busy(Exception):
    """Too much is at work already; the text says what."""


@dataclass
class Job:
    """One command: what it is called, its site, where its result will stand, its lines so far, its code once ended."""

    key: str
    title: str
    site: str
    result: str
    process: subprocess.Popen[str]
    began: float = field(default_factory=time.monotonic)
    lines: deque[str] = field(default_factory=lambda: deque(maxlen=KEPT_LINES))
    code: int | None = None
    stopped: bool = False
    seconds: float = 0.0

    @property
    def state(self) -> str:
        """Where it stands, in a word."""
        if self.code is None:
            return "at work"
        return "stopped" if self.stopped else "done" if self.code == 0 else "failed"

    def stop(self) -> None:
        """End the command and what it started."""
        if self.code is None and self.process.poll() is None:
            self.stopped = True
            with suppress(OSError):
                if os.name == "posix":
                    os.killpg(self.process.pid, signal.SIGTERM)
                else:
                    self.process.terminate()


class Jobs:
    """All commands since the start, the newest first; one at a time for a site."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(self, title: str, site: str, words: Sequence[str], result: str, folder: Path) -> Job:
        """Start a command of this program.

        Raises
        ------
        Busy   One of the site, or too many over all, are at work.
        """
        with self._lock:
            running = [job for job in self._jobs.values() if job.code is None]
            own = next((job for job in running if job.site == site), None)
            if own is not None:
                raise Busy(f"{own.title} is still at work for this site")
            if len(running) >= AT_ONCE:
                raise Busy("two commands are at work already; wait for one to end, or stop it")
            process = subprocess.Popen(
                [sys.executable, "-m", "scheduler.cli", *words],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                encoding="utf-8", errors="replace", start_new_session=os.name == "posix",
                env=os.environ | {"COLUMNS": "100", "NO_COLOR": "1", "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
            job = Job(secrets.token_urlsafe(9), title, site, result, process)
            self._jobs[job.key] = job
            for old in [k for k, j in self._jobs.items() if j.code is not None][:-KEPT_JOBS]:
                del self._jobs[old]
        threading.Thread(target=self._follow, args=(job,), daemon=True).start()
        return job

    def _follow(self, job: Job) -> None:
        """Take what the command prints until it ends."""
        assert job.process.stdout is not None
        for line in job.process.stdout:
            text = line.rstrip()
            if text:
                job.lines.append(text)
        job.seconds = time.monotonic() - job.began
        job.code = job.process.wait()

    def get(self, key: str) -> Job | None:
        """Give a job by its key."""
        return self._jobs.get(key)

    def of(self, site: str) -> list[Job]:
        """Give the jobs of a site, the newest first."""
        return [job for job in reversed(self._jobs.values()) if job.site == site]

    def stop_all(self) -> None:
        """End everything, at the end of the server."""
        for job in self._jobs.values():
            job.stop()
