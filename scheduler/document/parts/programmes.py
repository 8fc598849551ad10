"""Controllers that take no start time a station, in the plan document: their programmes, and what changes in them."""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from scheduler.document.parts.base import Amount, AtLeastOne, Count, Day, Moment, Named, Part


class ControllerKind(StrEnum):
    """What a controller takes in place of a start time for every station."""

    PROGRAMMES = "programmes"
    RUN_TIME_ONLY = "run time only"


class ProgrammeStation(Part):
    """One station of a programme."""

    zone: Named = Field(description="Id of the zone.")
    minutes: Amount = Field(description="Minutes at one start, at 100 % [min].")
    before_minutes: Amount | None = Field(
        default=None, description="The same the evening before [min]; null where it was not in this programme."
    )


class ProgrammePart(Part):
    """One programme as it is to stand in its controller tonight."""

    number: AtLeastOne = Field(description="Number of the programme, from 1.")
    percent: Amount = Field(default=100.0, description="Seasonal percent [%].")
    stations: tuple[ProgrammeStation, ...] = Field(description="Its stations, in the order they run.")
    taken_out: tuple[str, ...] = Field(
        default=(), description="Ids of zones to be taken out of it: they were in it the evening before."
    )
    starts: tuple[Moment, ...] = Field(description="Start times tonight; none where it rests.")
    start_minutes: tuple[Amount, ...] = Field(
        default=(), description="The same as minutes after 00:00 of the evening's date [min]."
    )
    length_min: Amount = Field(default=0.0, description="How long it runs from one start [min].")
    before_starts: tuple[Moment, ...] | None = Field(
        default=None, description="Start times the evening before; null where the programme is new or not known."
    )
    before_percent: Amount | None = Field(default=None, description="Percent the evening before [%]; null where new.")


class ControllerPart(Part):
    """One controller that takes no start time a station."""

    name: Named = Field(description="Name of the controller.")
    kind: ControllerKind = Field(description="What it takes.")
    at_once: AtLeastOne = Field(description="Stations a programme, or the controller, runs together [-].")
    programmes: tuple[ProgrammePart, ...] = Field(
        default=(), description="All programmes it is to hold, also those that rest; none for run times only."
    )
    since: Day | None = Field(
        default=None, description="Night of the plan the programmes are compared with; null without one."
    )
    entries: Count = Field(default=0, description="Values a person has to key in tonight [-].")
    opens: Moment | None = Field(default=None, description="Run times only: when it may begin.")
    done_by: Moment | None = Field(
        default=None, description="Run times only: when it is done at the latest, whatever the order of its stations."
    )
    lost_minutes: Amount = Field(
        default=0.0, description="What a free start time for every station would run beside what runs [min]."
    )
    lost_m3: Amount = Field(default=0.0, description="The same as water [m3].")


class ProgrammeName(Part):
    """One programme, by its controller and number."""

    controller: Named = Field(description="Name of the controller.")
    number: AtLeastOne = Field(description="Number of the programme.")


class PercentPart(Part):
    """A seasonal percent in place of keying minutes: a choice of the manager."""

    programmes: tuple[ProgrammeName, ...] = Field(description="Programmes whose percent would be set.")
    percent: Amount = Field(description="The percent [%].")
    starts: tuple[tuple[Moment, ...], ...] = Field(
        default=(), description="Start times of each of them with it, which may be earlier than those planned."
    )
    entries: Count = Field(description="Values to key in with it [-].")
    instead_of: Count = Field(description="Values to key in without it [-].")
    most_off_mm: Amount = Field(description="By how much a zone would be off its planned depth at most [mm].")
    most_off_zone: Named = Field(description="Id of that zone.")
    volume_m3: float = Field(description="Water it would run beyond what is planned, less below 0 [m3].")
