"""Connections that say nothing, or say it a letter at a time, are ended; else a few of them would hold the server."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

PATIENCE = 10.0  # [s] for the first line and the headers of a request; our choice


class PatientProtocol(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it, with a time by which a request must have said what it wants."""

    waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what came; stop waiting once a request is at work."""
        if not self._at_work() and self.waiting is None:
            self._wait()
        super().data_received(data)
        if self._at_work() and self.waiting is not None:
            self.waiting.cancel()
            self.waiting = None

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        if self.waiting is not None:
            self.waiting.cancel()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self.waiting = asyncio.get_running_loop().call_later(PATIENCE, self._give_up)

    def _at_work(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _give_up(self) -> None:
        if not self._at_work():
            self.transport.close()
