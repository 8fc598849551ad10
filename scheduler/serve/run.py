"""Starting the server: on loopback as it is, elsewhere only with a token."""

from __future__ import annotations

import gc
import ipaddress
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.types import ASGIApp

from scheduler.serve.app import make_app
from scheduler.serve.guard import LOOPBACK, Rule

if TYPE_CHECKING:
    import uvicorn

LEAST_TOKEN = 16  # characters


class NotServed(Exception):
    """The server cannot be started this way; the text says why."""


def rule_for(host: str, token: str, names: Sequence[str]) -> Rule:
    """What is allowed on an address.

    Raises
    ------
    NotServed   Another address than loopback without a token, or one too short.
    """
    loopback = host in LOOPBACK or host == "::1" or _is_loopback(host)
    if not loopback and len(token) < LEAST_TOKEN:
        raise NotServed(
            f"{host} can be reached by others: name an environment variable with a token of at least {LEAST_TOKEN} "
            "characters by --token-from, and put a proxy that speaks TLS in front"
        )
    own = {host.lower(), f"[{host.lower()}]"} if host not in ("0.0.0.0", "::") else set()
    return Rule(frozenset(LOOPBACK | own | {n.lower() for n in names}), token)


def run(
    sites: Sequence[Path],
    host: str,
    port: int,
    token_from: str | None,
    names: Sequence[str],
    told: Callable[[str], object],
) -> None:
    """Serve until interrupted, for months: here garbage is looked for again, which a short command does without.

    Raises
    ------
    NotServed   A folder is none, or the address needs a token.
    """
    for site in sites:
        if not (site / "site.toml").is_file():
            raise NotServed(f"{site}: there is no site.toml here")
    token = os.environ.get(token_from, "") if token_from else ""
    if token_from and not token:
        raise NotServed(f"the environment variable {token_from} is not set")
    rule = rule_for(host, token, names)
    shown = f"[{host}]" if ":" in host else host
    told(f"http://{shown}:{port}/ (end with Ctrl+C)")
    if not _is_loopback(host):
        told("This address can be reached by others. What goes over it is not protected: put a TLS proxy in front.")
    gc.enable()
    server_of(make_app([Path(s) for s in sites], rule), host, port).run()


def server_of(app: ASGIApp, host: str, port: int) -> uvicorn.Server:
    """Give the server of an application, with its limits of time and size."""
    import uvicorn

    from scheduler.serve.patient import PatientProtocol

    config = uvicorn.Config(
        app, host=host, port=port, log_level="warning", server_header=False, http=PatientProtocol,
        timeout_keep_alive=5, limit_concurrency=64, h11_max_incomplete_event_size=64 * 1024,
    )  # fmt: skip
    return uvicorn.Server(config)


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"
