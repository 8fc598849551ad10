"""The plan document whole: plan.json as a type. Its JSON Schema is made from these classes."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from scheduler.document.parts.base import Amount, AtLeastOne, Count, Day, Moment, Named, Part, Status, Units
from scheduler.document.parts.nights import EnergyBlock, FlowPart, GiveWay, NightPart, PumpPart, SurfacePart
from scheduler.document.parts.outlook import ActionPart, AdvicePart, ChangesPart, EventPart, WeatherDay
from scheduler.document.parts.programmes import ControllerPart, PercentPart
from scheduler.document.parts.water import AllocationPart, FlushPart, LeachingPart, RainPart, UnevenPart
from scheduler.document.parts.zone import ZonePart
from scheduler.document.rung import Rung
from scheduler.notes import Topic

SCHEMA_NAME: Literal["evenfall-plan/2"] = "evenfall-plan/2"


class SitePart(Part):
    """The site as far as a reader of the plan needs it."""

    name: str = Field(description="Name of the site.")
    units: Units = Field(description="Units people of this site read: the plan itself is always SI.")
    time_zone: Named = Field(description="IANA time zone name.")
    latitude: float = Field(ge=-90, le=90, description="Latitude [deg], north positive.")
    longitude: float = Field(ge=-180, le=180, description="Longitude [deg], east positive.")
    zones: AtLeastOne = Field(description="Number of zones of the site [-]; equals the length of `zones`.")
    currency: str = Field(description="Currency of every price and cost, empty if none is set.")


class WeatherRead(Part):
    """Observed weather."""

    newest: Day | None = Field(description="Newest date observed.")
    age_days: Amount | None = Field(description="Age of the newest date on the planning evening [d].")
    days: Count = Field(description="Days read [d].")
    routes: dict[str, Count] = Field(description="Days [d] by the route the reference ET took.")


class ForecastRead(Part):
    """Weather forecast used."""

    issued: Moment | None = Field(description="When it was issued; null without forecast.")
    age_days: Amount | None = Field(description="Age on the planning evening [d].")
    days: Count = Field(description="Days used [d].")
    members: Count = Field(description="Members [-]; 1 is a single forecast.")


class ProbesRead(Part):
    """Soil moisture probes."""

    newest: Moment | None = Field(description="Time of the newest reading.")
    age_hours: Amount | None = Field(description="Age of the newest reading [h].")
    read: Count = Field(description="Probes with readings [-].")
    used: Count = Field(description="Probes used tonight [-].")
    doubtful: Count = Field(
        description="Probes put aside or used with less trust [-]; each has a warning of the kind `probe`."
    )


class AppliedRead(Part):
    """What the controllers reported as run."""

    newest: Day | None = Field(description="Newest night reported.")
    age_days: Amount | None = Field(description="Age of the newest night [d].")
    nights: Count = Field(description="Nights read [-].")
    nights_as_planned: Count = Field(
        default=0, description="Nights after those reported that count as run as their published plan said [-]."
    )


class StepDown(Part):
    """One step down."""

    what: str = Field(description="What was missing.")
    why: str = Field(description="What was done instead, and what it means for tonight.")


class InputsPart(Part):
    """What was read, how old it is, and what had to be done without."""

    weather: WeatherRead = Field(description="Observed weather.")
    forecast: ForecastRead = Field(description="Weather forecast used.")
    probes: ProbesRead = Field(description="Soil moisture probes.")
    applied: AppliedRead = Field(description="What the controllers reported as run.")
    step_downs: tuple[StepDown, ...] = Field(description="Information that was missing and what stood in for it.")


class WarningPart(Part):
    """One warning."""

    kind: Topic = Field(description="What it is about, as a kind.")
    name: str = Field(default="", description="Id of the probe, or name of the pump, it speaks of; empty where none.")
    zone: str = Field(default="", description="Id of the zone the probe stands in; empty where none.")
    subject: str = Field(description="What it is about, for people.")
    text: str = Field(description="Sentences for people, in the site's units.")


class PlanDocument(Part):
    """Everything one evening decided, for programs.

    SI as the trade uses it: mm over a zone's area, m3, L/s, min, dS/m, kWh. Times are the site's local time in ISO
    8601; a night is named by the date of its evening. `words`, `reason`, `text` and `advice` are finished sentences for
    people, in the site's units; the kinds beside them are for programs. Numbers are not rounded for display. For each
    zone, balance and states close: after.depletion_mm = before.depletion_mm + etc_mm - (rain_mm - runoff_mm) -
    held_mm - depth_mm + uneven_mm + drainage_mm.
    """

    schema_name: Literal["evenfall-plan/2"] = Field(
        default=SCHEMA_NAME, alias="schema", description="Name and version of this structure."
    )
    site: SitePart = Field(description="The site as far as a reader of the plan needs it.")
    pumps: tuple[PumpPart, ...] = Field(
        default=(),
        description="Pump stations, for the chart of flow. May be left out; the chart then has no capacity line.",
    )
    night: Day = Field(description="The night planned: date of its evening.")
    made: Moment = Field(description="When the plan was made, with offset from UTC where known.")
    status: Status = Field(
        description="planned: some zone runs tonight; no watering allowed: a rule forbids it; no water needed: "
        "nothing has to run; no water available: zones need water, and a permit, the allocation, an order "
        "or the capacity leaves none."
    )
    rung: Rung = Field(default=Rung.FULL, description="How the plan came about, where it is not a full one.")
    inputs: InputsPart = Field(description="What was read, how old it is, and what had to be done without.")
    zones: tuple[ZonePart, ...] = Field(description="Every zone of the site, running tonight or not.")
    nights: tuple[NightPart, ...] = Field(description="Site totals, tonight first.")
    surfaces: tuple[SurfacePart, ...] = Field(
        description="Totals by surface: tonight's water and the state over the horizon."
    )
    allocation: AllocationPart | None = Field(description="The season's water, or null without allocation.")
    rain: RainPart | None = Field(
        default=None, description="What rain that may come is worth tonight; null where nothing is held back for it."
    )
    uneven: UnevenPart | None = Field(
        default=None,
        description="How much longer zones run for uneven catch; null where every surface says so itself or the "
        "record of weather is too short.",
    )
    give_way: tuple[GiveWay, ...] = Field(
        description="Surfaces that get less than they need, last in order of service first."
    )
    flushes: tuple[FlushPart, ...] = Field(
        description="Salt flushes: those planned, in order of their first night; then zones that need one and get "
        "none within this plan."
    )
    energy: tuple[EnergyBlock, ...] = Field(
        default=(),
        description="Energy and its cost tonight by tariff block, in order of time, integrated over the flow as it "
        "runs; empty where no head is known or nothing runs.",
    )
    leaching: LeachingPart = Field(
        default=LeachingPart(since=None, surfaces=(), upkeep=()),
        description="Leaching achieved against required, and what the plan does for it with ordinary watering.",
    )
    flow: tuple[FlowPart, ...] = Field(
        description="Pump flow through tonight, in order of time: a value holds until the next entry, the last entry "
        "for one minute."
    )
    controllers: tuple[ControllerPart, ...] = Field(
        default=(),
        description="Controllers that take no start time a station: they hold programmes or find their own start "
        "times. Of the latter the start times of cycles are only one way they may run.",
    )
    percents: tuple[PercentPart, ...] = Field(
        default=(), description="Where one seasonal percent would do in place of keying minutes: choices."
    )
    actions: tuple[ActionPart, ...] = Field(default=(), description="What a person should do, the most pressing first.")
    weather: tuple[WeatherDay, ...] = Field(
        default=(), description="Weather of the days around tonight, as far as it is known."
    )
    events: tuple[EventPart, ...] = Field(default=(), description="Events that hold something back within this plan.")
    changes: ChangesPart | None = Field(
        default=None, description="What differs from what the plan of the evening before meant; null without one."
    )
    advice: tuple[AdvicePart, ...] = Field(
        description="Advice from published models (heat, disease): sentences for people; never a hidden change of run "
        "times."
    )
    warnings: tuple[WarningPart, ...] = Field(description="What a person should look at.")

    def plain(self) -> dict[str, Any]:
        """Give the document as plan.json has it: plain values, dates and times as ISO text."""
        return self.model_dump(mode="json")
