"""What the terminal shows of a nightly run and of the doctor."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from models.forecast_skill import LeadSkill
from scheduler.edge import format_count, format_depth, format_short_date, format_volume
from scheduler.errors import BAD_INPUT, OK, counted
from scheduler.feeds.store import FeedState
from scheduler.nightly.doctor import Finding
from scheduler.nightly.records import Status, Step, StepState
from scheduler.plan.cautions import Lives
from scheduler.site import Site

STYLES = {StepState.FAILED: "red", StepState.PARTLY: "yellow"}
LISTED = 6
TITLE = "How good the forecasts were"
DRY_BY = "dry: its drier half past the limit that careful keeps; the other words let turf go a little past it"
LEAST_DAYS = 5  # days held against what came, below which a lead is not shown


class NightlyScreen:
    """Prints each step as it ends, and how the run ended."""

    def __init__(self, screen: Console) -> None:
        self.screen = screen

    def step(self, site: Path, step: Step) -> None:
        """Print one step."""
        words = "; ".join(step.words[:LISTED]) + ("; ..." if len(step.words) > LISTED else "")
        line = f"{step.name}: {step.state}" + (f" ({words})" if words else "")
        self.screen.print(escape(line), style=STYLES.get(step.state, ""), highlight=False, soft_wrap=True)

    def ended(self, site: Path, status: Status) -> None:
        """Print what stands now."""
        if status.plan is None:
            text = f"{status.site}, night of {status.night}: no plan stands"
        else:
            text = f"{status.site}, night of {status.night}: a plan stands ({status.plan.rung})"
        self.screen.print(escape(text), style="bold", highlight=False, soft_wrap=True)
        if status.trouble:
            self.screen.print(f"to look at: {len(status.trouble)}; see status.json", style="yellow", highlight=False)

    def refused(self, site: Path, words: str) -> None:
        """Print why a site was not run."""
        self.screen.print(escape(f"{site}: {words}"), style="red", highlight=False, soft_wrap=True)


def print_findings(screen: Console, findings: Iterable[Finding]) -> int:
    """Print the doctor's findings; the exit code."""
    well = True
    for finding in findings:
        mark, style = ("ok  ", "") if finding.well else ("look", "yellow")
        todo = "" if finding.well or not finding.todo else f". To do: {finding.todo}"
        line = escape(f"{mark}  {finding.what}: {finding.words}{todo}")
        screen.print(line, style=style, highlight=False, soft_wrap=True)
        well &= finding.well
    return OK if well else BAD_INPUT


def print_feeds(screen: Console, site: Site, states: Mapping[str, FeedState]) -> None:
    """Say of each feed when it last gave something, and what is wrong with it."""
    for feed in site.feeds:
        state = states.get(feed.name, FeedState())
        taken = f"last new on {state.taken[:10]} at {state.taken[11:16]}" if state.taken else "has brought nothing yet"
        line = f"feed {feed.name} ({feed.series}): {taken}" + (f"; last time: {state.fault}" if state.fault else "")
        screen.print(escape(line), style="yellow" if state.fault else "", highlight=False, soft_wrap=True)


def print_cautions(screen: Console, lives: Lives | None, now: str, units: str) -> None:
    """Show what each word for caution would have done over the last evenings; nothing without their forecasts."""
    if lives is None:
        return
    span = f"{format_short_date(lives.first, units)} to {format_short_date(lives.last, units)}"
    title = f"What each caution would have done, {counted(lives.evenings, 'evening')} from {span}"
    table = Table(box=None, pad_edge=False, header_style="bold", title=title, title_justify="left")
    for name in ("caution", "water", "runs of zones", "dry zone-days"):
        table.add_column(name, justify="left" if name == "caution" else "right")
    for life in lives.words:
        word = f"{life.word} (now)" if life.word == now else life.word
        table.add_row(word, format_volume(life.water, units), format_count(life.runs), format_count(life.dry))
    screen.print(table)
    screen.print(DRY_BY, highlight=False)


def print_skill(screen: Console, skill: Sequence[LeadSkill], units: str) -> None:
    """Show how good past forecasts were, by lead day; nothing where there are too few."""
    shown = [s for s in skill if s.days >= LEAST_DAYS]
    if not shown:
        return
    table = Table(box=None, pad_edge=False, header_style="bold", title=TITLE, title_justify="left")
    for name in ("days ahead", "held against", "ETo off by", "rain off by", "rain chance of use"):
        table.add_column(name, justify="right")
    for s in shown:
        gain = 1.0 - s.brier / s.climate_brier if s.climate_brier > 0 else float("nan")
        table.add_row(
            str(s.lead), counted(s.days, "day"), format_depth(s.eto_error, units), format_depth(s.rain_error, units),
            "-" if gain != gain else "yes" if gain > 0.05 else "hardly" if gain > -0.05 else "no",
        )  # fmt: skip
    screen.print(table)
