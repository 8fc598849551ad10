"""Texts that start the nightly run by itself: a systemd service and timer, a cron line, a Windows task.

They are printed, never installed. systemd knows time zones, so its timer names the site's own clock and follows its
changes. cron and Windows know the machine's clock alone: there the command comes every quarter of an hour and does
nothing outside of the site's hours (`--when-due`).
"""

from __future__ import annotations

import re
import shlex
import shutil
import sys
from collections import defaultdict
from pathlib import Path

from models.choices import UNATTENDED
from scheduler.site import Site
from scheduler.site.records import WEEKDAYS

EVERY = 15  # [min] between two calls of a timer without time zones


def timer_text(site: Site) -> str:
    """Give the texts for one site, with a line on what to do with each.

    Parameters
    ----------
    site : Site
    """
    folder = site.folder.resolve()
    program = _program()
    name = "evenfall-" + (re.sub(r"[^a-z0-9]+", "-", site.name.lower()).strip("-") or "site")
    run = f"{shlex.join(program)} nightly {shlex.quote(str(folder))}"
    often = f"{shlex.join(program)} nightly --when-due --once {shlex.quote(str(folder))}"
    calendar = "\n".join(f"OnCalendar={line}" for line in _calendar(site))
    windows_run = " ".join(f'\\"{word}\\"' for word in (*program, "nightly", "--when-due", "--once", str(folder)))
    service = _escaped(run)
    return f"""\
# Nightly run of {site.name}. Nothing has been installed; take the part that fits the machine.
# Secrets that site.toml names are environment variables: give them to the run, never to this text.

# --- Linux with systemd: two files, then: systemctl enable --now {name}.timer
# /etc/systemd/system/{name}.service
[Unit]
Description=Nightly irrigation plan of {_plain(site.name)}
Wants=network-online.target
After=network-online.target

[Service]
Type=oneshot
ExecStart={service}
# EnvironmentFile=/etc/{name}.env
SuccessExitStatus=6
TimeoutStartSec=infinity

# /etc/systemd/system/{name}.timer
[Unit]
Description=Evenings of {_plain(site.name)}

[Timer]
{calendar}
Persistent=true

[Install]
WantedBy=timers.target

# --- cron: one line (crontab -e); it does nothing outside of the site's hours
*/{EVERY} * * * * {often.replace("%", chr(92) + "%")}

# --- Windows: one command in a terminal; it does nothing outside of the site's hours
schtasks /Create /TN "{name}" /SC MINUTE /MO {EVERY} /TR "{windows_run}"
"""


def _calendar(site: Site) -> list[str]:
    """Lines of a systemd calendar, one for each different time of the week, on the site's clock."""
    days_at: dict[int, list[int]] = defaultdict(list)
    for weekday in range(7):
        opens = site.window.by_weekday.get(weekday, site.window.default)[0]
        by = opens - UNATTENDED.before_opening if site.nightly.by is None else site.nightly.by
        starts = by - UNATTENDED.run if site.nightly.starts is None else site.nightly.starts
        later, minute = divmod(starts, 1440)
        days_at[minute].append((weekday + later) % 7)
    lines = []
    for minute, days in sorted(days_at.items()):
        named = "" if len(days) == 7 else ",".join(WEEKDAYS[d][:3] for d in sorted(days)) + " "
        lines.append(f"{named}*-*-* {minute // 60:02d}:{minute % 60:02d}:00 {site.time_zone.key}")
    return lines


def _program() -> list[str]:
    """How this program is called here."""
    beside = Path(sys.executable).with_name("evenfall")
    found = str(beside) if beside.is_file() else shutil.which("evenfall")
    return [found] if found else [sys.executable, "-m", "scheduler.cli"]


def _escaped(command: str) -> str:
    """A command line as systemd reads it: % and $ stand for themselves."""
    return command.replace("%", "%%").replace("$", "$$")


def _plain(name: str) -> str:
    return "".join(c for c in name if c.isprintable()).replace("%", "%%")
