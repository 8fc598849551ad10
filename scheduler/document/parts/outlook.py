"""What a person needs first in the plan document: what to do, the weather, what is coming, what changed."""

from __future__ import annotations

from enum import StrEnum

from pydantic import Field

from scheduler.document.parts.base import Amount, Count, Day, Moment, Part, Share


class Severity(StrEnum):
    """How much something matters, the most first."""

    TONIGHT = "tonight"
    TOMORROW = "tomorrow"
    KNOW = "to know"


class ActionKind(StrEnum):
    """What a person is asked to do."""

    STOP = "do not run"
    DECIDE = "decide"
    LOAD = "load the run times"
    KEEP_OFF = "keep people off"
    WATER = "water by hand"
    CHECK_PROBE = "check a probe"
    CHECK_PUMP = "check a pump"
    SAMPLE = "take a sample"
    BRING_DATA = "bring data"


class AdviceKind(StrEnum):
    """What advice from the weather is about."""

    HEAT = "heat"
    DRIFT = "drift"
    FROST = "frost"
    DOLLAR_SPOT = "dollar spot"
    OTHER = "other"


class ActionPart(Part):
    """One thing a person should do."""

    kind: ActionKind = Field(description="What kind of deed.")
    severity: Severity = Field(description="How soon.")
    where: str = Field(description="Place: zones, a probe, a controller.")
    what: str = Field(description="What to do, in words.")
    why: str = Field(description="Why, in words and the site's units.")
    by: Moment | None = Field(description="Local time by which it should be done; null where it can wait.")


class WeatherDay(Part):
    """Weather of one date."""

    day: Day = Field(description="Date.")
    observed: bool = Field(description="Whether it was observed; else it is the newest forecast.")
    eto_mm: Amount | None = Field(description="Reference ET [mm].")
    rain_mm: Amount | None = Field(description="Rain [mm].")
    rain_probability: Share | None = Field(description="Probability of rain [-]; null where not told.")
    tmin_degc: float | None = Field(description="Lowest temperature [degC].")
    tmax_degc: float | None = Field(description="Highest temperature [degC].")
    rh_percent: Amount | None = Field(description="Mean relative humidity [%].")
    wind_ms: Amount | None = Field(description="Mean wind at 2 m [m/s].")


class EventPart(Part):
    """One event of the calendar that holds something back within this plan."""

    begins: Day = Field(description="First day.")
    until: Day = Field(description="Last day.")
    kind: str = Field(description="Kind of the calendar: tournament, firm, no_water, no_flush, aerified, fertigation.")
    target: str = Field(description="Surface or zone.")
    zones: Count = Field(description="Zones concerned [-].")
    note: str = Field(description="As the calendar has it.")
    firm_nights: tuple[Day, ...] = Field(description="Nights of this plan on which its zones are kept firm.")
    dry_nights: tuple[Day, ...] = Field(description="Nights of this plan on which they get no water.")
    no_flush_nights: tuple[Day, ...] = Field(description="Nights of this plan on which they may not be flushed.")


class AdvicePart(Part):
    """Advice from the weather; it changes no run time."""

    kind: AdviceKind = Field(default=AdviceKind.OTHER, description="What it is about.")
    words: str = Field(description="One sentence for people, in the site's units.")
    source: str = Field(default="", description="Where the rule comes from, and how sure it is.")


class ChangesPart(Part):
    """What differs from what the plan of an earlier evening meant."""

    since: Day = Field(description="Night of that plan.")
    meant_m3: Amount | None = Field(description="Water it meant for tonight [m3]; null where it did not reach so far.")
    volume_m3: Amount = Field(description="Water tonight [m3].")
    now_running: tuple[str, ...] = Field(description="Zones that run tonight and were not meant to.")
    no_longer_running: tuple[str, ...] = Field(description="Zones that were meant to run tonight and do not.")
    programme: tuple[str, ...] = Field(
        default=(),
        description="What is to be keyed otherwise than that plan's own night had it, and why: five sentences at most.",
    )
    entries_changed: Count | None = Field(
        default=None, description="Minutes of zones and starts that differ from that plan's own night [-]."
    )
    new_warnings: tuple[str, ...] = Field(description="Subjects of warnings that plan did not have.")
    gone_warnings: tuple[str, ...] = Field(description="Subjects of its warnings that are gone.")
