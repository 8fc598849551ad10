"""What the terminal shows of the ledger's side: an intake, a lesson, a morning."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from scheduler.edge import format_rate
from scheduler.errors import counted
from scheduler.learn import Lesson
from scheduler.ledger.intake import IntakeReport
from scheduler.morning.records import MorningReport
from scheduler.sheets.names import listed
from scheduler.site import Site

LISTED = 12  # rows shown before "and N more"
NAMED = 4  # zones of one question that are named
WALKED = 8  # the same of a morning's lists, which people carry in their heads
SHOWN = {
    "microclimate": lambda v, _: f"{v:.2f}",
    "application_rate": lambda v, units: format_rate(v, units),
    "field_capacity": lambda v, _: f"{100 * v:.1f} %",
    "depletion_fraction": lambda v, _: f"{100 * v:.0f} %",
    "du_lq": lambda v, _: f"{v:.2f}",
}

TITLE = {"depletion_fraction": "water used before turf suffers"}


def print_intake(screen: Console, report: IntakeReport, where: str) -> None:
    """Print what an intake did."""
    for line in report.lines():
        screen.print(escape(line), highlight=False)
    for flag in report.flags.head(LISTED).itertuples(index=False):
        span = f"{flag.starts:%Y-%m-%d %H:%M} to {flag.ends:%Y-%m-%d %H:%M}"
        screen.print(
            f"probe {escape(str(flag.probe))}, {flag.what}, {span}: {escape(flag.reason)}",
            style="yellow",
            highlight=False,
        )
    if len(report.flags) > LISTED:
        screen.print(f"and {counted(len(report.flags) - LISTED, 'more flag')}", style="yellow", highlight=False)
    for note in report.notes:
        screen.print(f"{note.kind.replace('_', '-')}: {escape(str(note))}", style="yellow", highlight=False)
    done = f"kept in {where}" if report.changed else f"nothing new; {where} is as it was"
    screen.print(escape(done), highlight=False, soft_wrap=True)


def print_lesson(screen: Console, site: Site, lesson: Lesson, kept: int | None) -> None:
    """Print what was learned of each surface, before and after, what to ask, and what became of it."""
    if lesson.nights:
        screen.print(
            f"read {counted(lesson.nights, 'night')} and {counted(lesson.probes, 'sensor')}; intervals hold 95 %",
            highlight=False,
        )
    for surface, text in lesson.reasons:
        screen.print(escape(f"{surface}: {text}"), highlight=False)
    for quantity, shown in SHOWN.items():
        rows = lesson.hints if quantity == "du_lq" else lesson.table[lesson.table["quantity"] == quantity]
        if rows.empty:
            continue
        hint = " (a hint for a catch-can audit; never stored)" if quantity == "du_lq" else ""
        table = Table(
            box=None, pad_edge=False, header_style="bold", title=TITLE.get(quantity, quantity.replace("_", " ")) + hint
        )
        for name in ("zone", "told", "in use", "learned", "from", "to", "readings"):
            table.add_column(name, justify="left" if name == "zone" else "right")
        for r in rows[rows["through"] != "kin"].itertuples(index=False):
            values = (shown(v, site.units) for v in (r.told, r.before, r.value, r.low, r.high))
            table.add_row(escape(str(r.zone)), *values, str(r.events))
        screen.print(table)
        kin = rows[rows["through"] == "kin"]
        if len(kin):
            low, high = shown(kin["value"].min(), site.units), shown(kin["value"].max(), site.units)
            text = f"and {counted(len(kin), 'zone')} without a probe, through zones like them: {low} to {high}"
            screen.print(text, highlight=False)
    _print_questions(screen, site, lesson)
    for note in lesson.notes:
        screen.print(f"{note.kind.replace('_', '-')}: {escape(str(note))}", style="yellow", highlight=False)
    if kept is not None:
        screen.print(f"{counted(kept, 'value')} accepted; used from the next evening on", style="bold")
    elif lesson.nights and len(lesson.table):
        screen.print("Nothing was changed. --accept keeps all, --accept-only NAME,... some of them.", highlight=False)
    elif lesson.nights:
        screen.print("Nothing differs from what is used now.", highlight=False)


def _print_questions(screen: Console, site: Site, lesson: Lesson) -> None:
    """Print what is too large a change to be offered, a line for each value told."""
    groups = list(lesson.questions.groupby(["quantity", "told"], sort=False))
    for (quantity, told), rows in groups[:LISTED]:
        shown, names = SHOWN[quantity], [str(z) for z in rows["zone"]]
        low, high = (shown(v, site.units) for v in (rows["value"].min(), rows["value"].max()))
        text = (
            f"question: {'zone' if len(names) == 1 else 'zones'} {listed(names, NAMED)}: {quantity.replace('_', ' ')} "
            f"would be {low if low == high else f'{low} to {high}'}, told {shown(told, site.units)}: "
            f"{rows['words'].iloc[0]}"
        )
        screen.print(escape(text), style="yellow", highlight=False)
    if len(groups) > LISTED:
        screen.print(f"and {counted(len(groups) - LISTED, 'more question')}", style="yellow", highlight=False)


def print_morning(screen: Console, report: MorningReport, file: Path) -> None:
    """Print the short list and the hand-watering list of a morning."""
    screen.print(f"[bold]{escape(report.site.name)}[/bold], {escape(report.headline)}", highlight=False)
    if not report.walk:
        screen.print("nothing to walk to first", highlight=False)
    for i, stop in enumerate(report.walk[:WALKED], start=1):
        screen.print(f"{i}. {escape(stop.where)}: {escape(stop.why)}", style="yellow", highlight=False)
    left = sum(stop.zones for stop in report.walk[WALKED:])
    if left:
        screen.print(f"and {counted(left, 'more zone')} in {escape(file.name)}", style="yellow", highlight=False)
    for spot in report.hand[:WALKED]:
        screen.print(f"by hand: {escape(spot.where)}: {escape(spot.words)}", highlight=False)
    if len(report.hand) > WALKED:
        screen.print(f"and {counted(len(report.hand) - WALKED, 'more spot')} in {escape(file.name)}", highlight=False)
    for note in report.notes:
        screen.print(f"{note.kind.replace('_', '-')}: {escape(str(note))}", style="yellow", highlight=False)
    screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)
