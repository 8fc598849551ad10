"""One zone in the plan document: its runs, where it stands, its limits, its water, its path over the coming nights."""

from __future__ import annotations

from pydantic import Field

from scheduler.document.parts.base import Amount, Day, Moment, Named, Part, Share, StateFrom, SurfaceName, Why


class CyclePart(Part):
    """One run."""

    start: Moment = Field(description="Valve opens.")
    end: Moment = Field(description="Valve closes.")
    minutes: Amount = Field(description="Length [min].")


class ZoneState(Part):
    """Where the zone's root zone stands at one moment."""

    depletion_mm: Amount = Field(description="Root zone depletion [mm]: 0 at field capacity, taw_mm at wilting point.")
    surplus_mm: Amount = Field(
        default=0.0,
        description="Water above field capacity that has not drained yet [mm]; above 0 only at depletion 0.",
    )
    ece_dsm: Amount | None = Field(
        description="Salinity of the saturation extract of the root zone [dS/m]; null if not tracked."
    )
    layers_dsm: tuple[Amount, ...] = Field(
        default=(),
        description="The same by layer of equal depth, the upper first [dS/m]; empty if not tracked. Where roots over "
        "gravel are fed from below them, the layers reach down to there.",
    )
    spread_mm: Amount | None = Field(
        description="Standard deviation of the depletion estimate [mm]; null if not known."
    )


class ZoneMake(Part):
    """How the zone is built, as the plan reckons with it."""

    area_m2: Amount = Field(description="Watered area [m2].")
    flow_lps: Amount = Field(description="Flow while it runs [L/s]; volume = minutes times 0.06 flow [m3].")
    rate_mm_h: Amount = Field(
        description="Net application rate [mm/h]: what reaches the part of the zone it is watered for; net depth = "
        "minutes / 60 times rate."
    )
    net_share: Amount = Field(description="Net rate over flow by area [-]; gross depth = net depth over it.")
    smallest_run_min: Amount = Field(description="Smallest run worth making [min].")
    longest_run_min: Amount = Field(description="Longest run tonight by its own limit, cycles, soaks and hours [min].")
    roots_by_layer: tuple[Share, ...] = Field(
        default=(),
        description="Share of the root depth in each of layers_dsm [-]: ece_dsm is their mean weighed by it; empty if "
        "ECe is not tracked.",
    )


class ZoneLimits(Part):
    """Limits of the zone."""

    taw_mm: Amount = Field(description="Total available water [mm].")
    raw_mm: Amount = Field(description="Readily available water [mm].")
    dry_limit_mm: Amount = Field(
        description="Depletion the zone should not pass [mm]: the dry edge of its moisture band."
    )
    wet_limit_mm: Amount = Field(
        description="Depletion the zone should not fall below [mm]: the wet edge of its moisture band, 0 = field "
        "capacity."
    )
    max_run_min: Amount = Field(description="Longest total run in one night [min].")
    resolution_s: Amount = Field(description="Step of the controller's run time [s].")
    soak_min: Amount = Field(description="Rest between two cycles of the zone tonight [min], 0 where it needs none.")
    margin_mm: Amount = Field(
        description="How far inside the dry limit the plan stays tonight, for what is not known of the zone's state "
        "and for salt that stresses the turf [mm]."
    )


class WaterBalance(Part):
    """Water of the root zone from `before` to `after`."""

    depth_mm: Amount = Field(description="Gross irrigation [mm].")
    uneven_mm: float = Field(
        description="Irrigation that does not count because of uneven distribution [mm]; below 0 where the told "
        "application rate is above flow over area."
    )
    etc_mm: Amount = Field(description="Turf evapotranspiration after stress [mm].")
    rain_mm: Amount = Field(description="Rain [mm].")
    runoff_mm: Amount = Field(description="Rain that does not enter [mm].")
    held_mm: float = Field(
        default=0.0,
        description="Water above field capacity, on its way down, that the turf takes on this date, less what the "
        "date's rain leaves there for the dates after [mm].",
    )
    drainage_mm: Amount = Field(description="Water leaving below the root zone [mm].")


class PathNight(Part):
    """One night and the date after it."""

    night: Day = Field(description="Night.")
    minutes: Amount = Field(description="Run time [min].")
    depth_mm: Amount = Field(description="Gross depth [mm].")
    etc_mm: Amount = Field(description="Evapotranspiration of the date after the night [mm].")
    effective_rain_mm: Amount = Field(description="Rain entering on the date after the night [mm].")
    held_mm: float = Field(default=0.0, description="As `held_mm` of tonight's balance [mm].")
    drainage_mm: Amount = Field(description="Drainage [mm].")
    depletion_mm: Amount = Field(description="Depletion at the end, the next opening time [mm].")
    kc: Amount | None = Field(
        default=None,
        description="Crop coefficient times microclimate of the date after the night [-]; etc_mm = kc ks eto_mm of the "
        "night, or what the roots still hold where that is less.",
    )
    ks: Share | None = Field(
        default=None,
        description="Reduction of ET by dry soil on the date after the night, at the depletion `watered_mm` [-].",
    )
    watered_mm: Amount | None = Field(
        default=None, description="Depletion after the night's water, before the date's ET and rain [mm]."
    )
    dry_limit_mm: Amount | None = Field(
        default=None, description="Depletion the zone should not pass at the end of the date [mm]."
    )
    ece_dsm: Amount | None = Field(
        default=None,
        description="Salinity of the saturation extract at the end of the date [dS/m]; null if not tracked.",
    )


class ZonePart(Part):
    """One zone tonight."""

    id: Named = Field(description="Unique id of the zone.")
    name: str = Field(description="What people call it.")
    place: str = Field(default="", description="Hole, pitch or part of the grounds; empty where not known.")
    position_m: tuple[float, float] | None = Field(
        default=None, description="Middle of the zone, east and north of one point of the site [m]; null if not known."
    )
    outline_m: tuple[tuple[tuple[float, float], ...], ...] = Field(
        default=(),
        description="Its outline, for drawing only: rings of points east and north of the same point [m], the first "
        "not repeated at the end; empty where not known.",
    )
    surface: SurfaceName = Field(description="Surface the zone belongs to.")
    controller: str | None = Field(description="Controller; null or empty if none is named.")
    station: str | None = Field(description="Address at the controller; null or empty if none is given.")
    branch: str | None = Field(description="Pipe branch; null if none.")
    pump: str | None = Field(description="Pump station; null on mains.")
    minutes: Amount = Field(description="Run time tonight [min], the sum of its cycles.")
    depth_mm: Amount = Field(description="Gross depth tonight [mm].")
    net_depth_mm: Amount = Field(
        description="Depth that counts in the part of the zone it is watered for [mm]: gross less what uneven "
        "distribution takes."
    )
    volume_m3: Amount = Field(description="Volume tonight [m3].")
    source: str | None = Field(description="Main water source tonight; null if it does not run or none is named.")
    volumes_m3: dict[str, Amount] = Field(
        description="Volume tonight by source [m3]; sums to volume_m3 where sources are named."
    )
    finish_by: Moment | None = Field(
        default=None,
        description="Local time by which its runs should be done, as before mowing; null where that is the close.",
    )
    cycles: tuple[CyclePart, ...] = Field(description="Runs in order of time; between two of them the water soaks in.")
    why: Why = Field(description="Why it runs as long as it does, or not at all: the kind of reason.")
    reason: str = Field(description="Why it runs as long as it does, or not at all: one sentence.")
    state_from: StateFrom = Field(description="Where the estimate of `before` comes from, best first.")
    make: ZoneMake | None = Field(
        default=None, description="How the zone is built; null in plans made before it was kept."
    )
    water_ec_dsm: Amount | None = Field(
        default=None,
        description="EC of tonight's water, of the source it would take where it does not run [dS/m]; null if not "
        "known.",
    )
    before: ZoneState = Field(description="State at tonight's opening time.")
    after: ZoneState = Field(
        description="State expected at the next opening time: after tonight's water and the ET and rain of the next "
        "date."
    )
    limits: ZoneLimits = Field(description="Limits of the zone.")
    balance: WaterBalance = Field(description="Water of the root zone from `before` to `after`.")
    path: tuple[PathNight, ...] = Field(description="Forecast of the coming nights, tonight first.")
