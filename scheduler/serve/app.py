"""The routes: what can be seen of a site, what can be asked of it, and nothing else.

Every answer comes from the files of the site folder or from a command of this program in a process of its own; the
server itself plans nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import asynccontextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from scheduler.errors import InputProblems
from scheduler.feeds.bulletin import Refused
from scheduler.nights import choose_night, evening_of, local_now
from scheduler.serve import edits
from scheduler.serve.dropped import LARGEST, take_dropped
from scheduler.serve.guard import Guard, Rule, check_form, form_of
from scheduler.serve.jobs import Busy, Job, Jobs
from scheduler.serve.pages import LINKS, page, sheet
from scheduler.serve.sites import PAGES, Served, served, trouble
from scheduler.site import Site, load_site
from scheduler.site.load import FED

STATIC = Path(__file__).with_name("static")
COMMANDS = {  # what may be started: title, words after the command's name, where the result stands
    "tonight": ("planning tonight", "tonight"),
    "zones": ("planning tonight", "tonight"),
    "morning": ("looking back on last night", "morning"),
    "salts": ("salts over the season", "salts"),
    "season": ("the season's account", "season"),
}
# Keys of the board: name, words, unit, from, to, step, as things are.
BOARD = (
    ("allocation_factor", "Water left of the season", "of what is left", 0.2, 1.5, 0.05, 1.0),
    ("nights_a_week", "Nights a week", "nights", 1, 7, 1, 7),
    ("pump_capacity_factor", "Pumps deliver", "of what they can", 0.2, 1.2, 0.05, 1.0),
    ("temperature_shift", "Hotter by", "°C (1 °C is 1.8 °F)", -5, 10, 1, 0),
    ("rain_factor", "Rain of the forecast", "of what is forecast", 0, 2, 0.1, 1.0),
)


def make_app(folders: list[Path], rule: Rule) -> Starlette:
    """Make the application for some site folders."""
    sites, jobs = served(folders), Jobs()

    @asynccontextmanager
    async def life(_: Starlette) -> Any:
        yield
        jobs.stop_all()

    app = Starlette(
        routes=[
            Route("/", front),
            Mount("/static", StaticFiles(directory=STATIC)),
            Route("/job/{key}", job_state),
            Route("/job/{key}/stop", job_stop, methods=["POST"]),
            Route("/{site}/", lambda r: RedirectResponse(f"/{_site(r).key}/tonight")),
            Route("/{site}/{here:path}", site_page, methods=["GET", "POST"]),
        ],
        middleware=[Middleware(Guard, rule=rule)],
        exception_handlers={HTTPException: _said, PermissionError: _said, InputProblems: _problems},  # type: ignore[dict-item]
        lifespan=life,
    )
    app.state.sites, app.state.jobs, app.state.rule = sites, jobs, rule
    return app


async def front(request: Request) -> Response:
    """All sites in order of trouble; of one site its tonight."""
    sites: dict[str, Served] = request.app.state.sites
    if len(sites) == 1:
        return RedirectResponse(f"/{next(iter(sites))}/tonight")
    rows = [(*trouble(site), site, site.plan()) for site in sites.values()]
    rows.sort(key=lambda row: (-row[0], row[2].key))
    return page("front", request.app.state.rule, rows=rows)


async def site_page(request: Request) -> Response:
    """One page of a site, by its name."""
    site, here = _site(request), request.path_params["here"]
    if re.fullmatch(r"night/\d{4}-\d{2}-\d{2}/[a-z]+\.html", here):
        return _of_a_night(request, site, here)
    match = re.fullmatch(r"(whatif|season)/([A-Za-z0-9_.+-]{1,120})", here)
    if match and request.method == "GET":
        return _report(request, site, match[1], match[2])
    found = PAGES_OF.get((request.method, here))
    if found is None:
        raise HTTPException(404, "there is no such page")
    answer: Response = await found(request, site)
    return answer


# -------------------------------------------------------------------------------------------------- pages


async def tonight(request: Request, site: Served) -> Response:
    """The newest night sheet, or a word on how to get one."""
    return _newest(request, site, "tonight", "night.html", "No plan stands yet.")


async def zones(request: Request, site: Served) -> Response:
    """The newest page of zones."""
    return _newest(request, site, "zones", "zones.html", "No plan stands yet.")


async def morning(request: Request, site: Served) -> Response:
    """The newest morning page."""
    return _newest(request, site, "morning", "morning.html", "No night has been looked back on yet.")


async def salts(request: Request, site: Served) -> Response:
    """The newest page of salts."""
    return _newest(request, site, "salts", "salts.html", "Salts have not been worked out yet.")


def _newest(request: Request, site: Served, here: str, name: str, none: str) -> Response:
    found = site.newest(name)
    if found is None:
        return _own(request, site, here, "ask", words=none, command=here, jobs=request.app.state.jobs.of(site.key))
    return sheet(found[1], site, here, len(request.app.state.sites) > 1, found[0])


async def history(request: Request, site: Served) -> Response:
    """Every night that has files."""
    rows = [(night, [name for name in PAGES if site.page(night, name)]) for night in site.nights()]
    return _own(request, site, "history", "history", rows=rows)


async def season(request: Request, site: Served) -> Response:
    """Accounts that stand, and a button for a new one."""
    jobs = request.app.state.jobs.of(site.key)
    return _own(request, site, "season", "season", reports=site.reports("season"), jobs=jobs)


async def board(request: Request, site: Served) -> Response:
    """The what-if board: cases of the folder and what can be moved, and the reports that stand."""
    jobs = request.app.state.jobs.of(site.key)
    return _own(
        request, site, "whatif", "board", cases=site.cases(), board=BOARD, reports=site.reports("whatif"), jobs=jobs
    )


async def edits_page(request: Request, site: Served, wrong: str = "", status: int = 200) -> Response:
    """The manager's word for the coming night."""
    loaded = await run_in_threadpool(load_site, site.folder)
    night = _coming_night(loaded)
    plan = site.plan()
    planned = {z.id: z.minutes for z in plan.zones} if plan is not None and plan.night == night else {}
    held = edits.edits_of(site.folder, night)
    zones = loaded.zones
    rows = [
        (str(zones.zone[i]), str(zones.name[i]), str(zones.surface[i]), planned.get(str(zones.zone[i])),
         *held.get(str(zones.zone[i]), ("", "")))
        for i in range(len(zones))
    ]  # fmt: skip
    kept = any((site.folder / edits.KEPT).glob("edits-*.csv"))
    return _own(request, site, "edits", "edits", status=status, night=night, rows=rows, wrong=wrong, kept=kept)


async def intake_page(request: Request, site: Served, said: str = "", status: int = 200) -> Response:
    """Where a file can be dropped."""
    return _own(
        request, site, "intake", "intake", status=status, series=tuple(FED), said=said, largest=LARGEST // 2**20
    )


# -------------------------------------------------------------------------------------------------- what is asked


async def start(request: Request, site: Served) -> Response:
    """Start a command of the list."""
    values = await form_of(request, request.app.state.rule)
    command = values.get("command", "")
    if command not in COMMANDS:
        raise HTTPException(400, "this command cannot be started from here")
    title, name = COMMANDS[command]
    return _started(request, site, title, [name, str(site.folder)], f"/{site.key}/{command}")


async def start_whatif(request: Request, site: Served) -> Response:
    """Start a what-if: the cases ticked, and the keys that were moved."""
    values = await form_of(request, request.app.state.rule)
    cases = [case for case in site.cases() if values.get(f"case.{case}") == "on"]
    words = ["whatif", str(site.folder), *cases]
    moved = []
    for key, _, _, low, high, _, neutral in BOARD:
        text = values.get(key, "")
        if not re.fullmatch(r"-?\d{1,4}(\.\d{1,4})?", text or "0", re.ASCII):
            raise HTTPException(400, f"{key}: a number is needed")
        number = float(text or neutral)
        if not low <= number <= high:
            raise HTTPException(400, f"{key}: from {low:g} to {high:g} is allowed")
        if number != neutral:
            moved.append(f"{key}={number:g}")
    if not cases and not moved:
        raise HTTPException(400, "nothing was changed: tick a case or move something")
    for part in moved:
        words += ["--set", part]
    name = re.sub(r"[^A-Za-z0-9_.+-]", "_", "_".join([*cases, *moved]))[:100].replace("=", "-")
    words += ["--out", str(site.folder / "whatif" / name)]
    return _started(request, site, "what if", words, f"/{site.key}/whatif/{name}")


async def put_edits(request: Request, site: Served) -> Response:
    """Write one word, or take the last change back."""
    values = await form_of(request, request.app.state.rule)
    if values.get("undo"):
        await run_in_threadpool(edits.undo, site.folder)
        return RedirectResponse(f"/{site.key}/edits", 303)
    loaded = await run_in_threadpool(load_site, site.folder)
    zone = values.get("zone", "")
    names = [str(z) for z in loaded.zones.zone]
    if zone not in names:
        raise HTTPException(400, "there is no such zone")
    longest = float(loaded.zones.max_run[names.index(zone)])
    try:
        edits.put(site.folder, _coming_night(loaded), zone, values.get("word", ""), values.get("note", ""), longest)
    except edits.NotAnEdit as reason:
        return await edits_page(request, site, str(reason), 400)
    return RedirectResponse(f"/{site.key}/edits", 303)


async def put_file(request: Request, site: Served) -> Response:
    """Take a dropped file."""
    form = await request.form(max_files=1, max_fields=5)
    check_form(form.get("form"), request.app.state.rule)
    file = form.get("file")
    if file is None or isinstance(file, str):
        return await intake_page(request, site, "No file came.", 400)
    data = await file.read(LARGEST + 1)
    loaded = await run_in_threadpool(load_site, site.folder)
    series = str(form.get("series", ""))
    try:
        rows = await run_in_threadpool(take_dropped, loaded, series, data, local_now(loaded))
    except Refused as reason:
        return await intake_page(request, site, f"Not taken: {reason}. Nothing was changed.", 400)
    return await intake_page(request, site, f"{rows:,} new rows of {series} taken.")


async def job_state(request: Request) -> Response:
    """Where a command stands, for the page that waits for it."""
    job: Job | None = request.app.state.jobs.get(request.path_params["key"])
    if job is None:
        raise HTTPException(404, "there is no such job")
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"state": job.state, "lines": list(job.lines), "result": job.result})
    site = request.app.state.sites[job.site]
    return _own(request, site, "", "job", job=job)


async def job_stop(request: Request) -> Response:
    """Stop a command."""
    await form_of(request, request.app.state.rule)
    job: Job | None = request.app.state.jobs.get(request.path_params["key"])
    if job is None:
        raise HTTPException(404, "there is no such job")
    job.stop()
    return RedirectResponse(f"/job/{job.key}", 303)


def _started(request: Request, site: Served, title: str, words: list[str], result: str) -> Response:
    try:
        job = request.app.state.jobs.start(title, site.key, words, result, site.folder)
    except Busy as reason:
        raise HTTPException(409, str(reason)) from reason
    return RedirectResponse(f"/job/{job.key}", 303)


# -------------------------------------------------------------------------------------------------- helpers


def _of_a_night(request: Request, site: Served, here: str) -> Response:
    _, night, name = here.split("/")
    try:
        path = site.page(date.fromisoformat(night), name)
    except ValueError:
        path = None
    if path is None or request.method != "GET":
        raise HTTPException(404, "there is no such page")
    return sheet(path, site, "history", len(request.app.state.sites) > 1, date.fromisoformat(night))


def _report(request: Request, site: Served, kind: str, name: str) -> Response:
    """A what-if or an account that stands: its page, or one of the files beside it."""
    stem, _, file = name.partition("+file+")
    if stem not in site.reports(kind):
        raise HTTPException(404, "there is no such page")
    folder = site.folder / kind / stem
    if file:
        if not re.fullmatch(r"[a-z]+\.(html|json|csv|xlsx)", file) or not (folder / file).is_file():
            raise HTTPException(404, "there is no such file")
        if not file.endswith(".html"):
            return FileResponse(folder / file, filename=f"{site.key}-{stem}-{file}")
        return sheet(folder / file, site, kind, len(request.app.state.sites) > 1)
    return sheet(folder / f"{kind}.html", site, kind, len(request.app.state.sites) > 1)


def _site(request: Request) -> Served:
    found: Served | None = request.app.state.sites.get(request.path_params["site"])
    if found is None:
        raise HTTPException(404, "there is no such site")
    return found


def _own(request: Request, site: Served, here: str, name: str, status: int = 200, **values: Any) -> Response:
    about = {"site": site, "links": LINKS, "here": here, "several": len(request.app.state.sites) > 1, "night": None}
    return page(name, request.app.state.rule, status, **(about | values))


def _coming_night(site: Site) -> date:
    """The night an edit is for: tonight, or of a past season its last evening."""
    now = local_now(site)
    evening = evening_of(now)
    night = choose_night(site, evening)
    closes = site.window.of(night)[1]
    over = datetime(night.year, night.month, night.day) + timedelta(minutes=closes)
    if night == evening and now.replace(tzinfo=None) > over:
        return night + timedelta(days=1)
    return night


async def _said(request: Request, error: Exception) -> Response:
    """A fault in words, without anything of the machine."""
    status = error.status_code if isinstance(error, HTTPException) else 403
    text = error.detail if isinstance(error, HTTPException) else str(error)
    if "application/json" in request.headers.get("accept", "") or "sites" not in request.app.state._state:
        return PlainTextResponse(text, status)
    return page("said", request.app.state.rule, status, words=text)


async def _problems(request: Request, error: Exception) -> Response:
    """Problems of a site folder, as the command line tells them."""
    assert isinstance(error, InputProblems)
    return page("said", request.app.state.rule, 409, words="\n".join(map(str, error.problems[:20])))


PAGES_OF: dict[tuple[str, str], Callable[..., Any]] = {
    ("GET", "tonight"): tonight,
    ("GET", "zones"): zones,
    ("GET", "morning"): morning,
    ("GET", "salts"): salts,
    ("GET", "history"): history,
    ("GET", "season"): season,
    ("GET", "whatif"): board,
    ("GET", "edits"): edits_page,
    ("GET", "intake"): intake_page,
    ("POST", "start"): start,
    ("POST", "whatif"): start_whatif,
    ("POST", "edits"): put_edits,
    ("POST", "intake"): put_file,
}
