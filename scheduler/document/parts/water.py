"""The season's water and salts in the plan document."""

from __future__ import annotations

from pydantic import Field

from scheduler.document.parts.base import Amount, AtLeastOne, Count, Day, Named, Part, Share, SurfaceName


class SurfaceWorth(Part):
    """What one more cubic metre of the allocation would do to one surface."""

    volume_m3: float = Field(
        description="Part of the cubic metre that it would get [m3]; negative where it makes room for others."
    )
    less_dry_mm_days: float = Field(
        description="Depletion beyond the dry limit that is spared, summed over its zones and the dates of the plan "
        "[mm d]."
    )


class WorthPart(Part):
    """What one more cubic metre of the allocation would do."""

    by_surface: dict[str, SurfaceWorth] = Field(description="By surface, in order of service.")
    bill: float | None = Field(
        description="Water, energy and over-use to be paid more for it, at their true prices [currency]; negative is "
        "saved, null where the site names no price."
    )
    words: str = Field(description="The same in a sentence, in the site's units.")


class RainPart(Part):
    """Water held back for rain that may come, and what happens if it does not."""

    date: Day = Field(description="Date of the rain.")
    chance: Share = Field(description="Its chance [-].")
    amount_mm: Amount = Field(description="Its depth where it falls [mm].")
    held_back_mm: Amount = Field(
        description="Depth by which tonight's runs are shallower than they would be without any rain in sight [mm], "
        "mean over `zones_held_back`, weighted by area."
    )
    zones_held_back: Count = Field(description="Zones that get less tonight for it [-].")
    next_night: Day | None = Field(description="First night after the date; null beyond the plan.")
    surface: SurfaceName | None = Field(description="Surface with most zones that run then if it stays dry.")
    zones_if_dry: Count = Field(description="Its zones that run then if it stays dry [-].")
    words: str = Field(description="The same as a sentence for people.")


class SurfaceUneven(Part):
    """What the extra for uneven catch is on one surface, against run times made for its mean catch."""

    surface: SurfaceName = Field(description="The surface.")
    extra: Amount = Field(
        description="Share of the full extra that is given [-]; the full one gives the drier half of a zone its depth, "
        "mean depth over 0.4 + 0.6 DU_LQ; up to a third more where caution is careful."
    )
    longer: Amount = Field(description="By how much runs are longer for it [-], mean by area.")
    water_mm: float = Field(description="Water it takes over the days looked back on [mm], mean by area.")
    drained_mm: float = Field(description="Of that, what drains [mm].")
    leached_mm: Amount = Field(description="Of what drains, what the leaching requirement asked for [mm].")
    met: Share = Field(description="Share of its ET that the driest quarter takes with the extra [-], mean by zone.")
    met_without: Share = Field(description="The same without it.")
    soft_nights: Amount = Field(description="Nights that leave a wettest quarter soft with the extra, mean by zone.")
    soft_nights_without: Amount = Field(description="The same without it.")


class UnevenPart(Part):
    """How much longer zones run because water is caught unevenly: weighed by surface over the last weeks' weather."""

    days: AtLeastOne = Field(description="Days of weather it was weighed over.")
    surfaces: tuple[SurfaceUneven, ...] = Field(description="Surfaces that were weighed, in order of service.")
    words: str = Field(description="The same in a sentence, in the site's units.")


class AllocationPart(Part):
    """The season's water."""

    volume_m3: Amount = Field(description="Allocation of the season [m3].")
    used_m3: Amount = Field(description="Used before tonight [m3].")
    left_m3: float = Field(description="Left before tonight [m3]; negative when overdrawn.")
    share_this_horizon_m3: float | None = Field(
        description="Part of what is left that this horizon may take [m3]; null if not limited."
    )
    worth_per_m3: WorthPart | None = Field(
        description="What one more cubic metre of the allocation would do; null where it would change nothing."
    )


class FlushPart(Part):
    """One zone's flush."""

    zone: str = Field(description="Zone id.")
    nights: tuple[Day, ...] = Field(
        description="One night, or two in a row; empty where the flush is not planned within the horizon."
    )
    drainage_mm: Amount = Field(
        description="Water that drains below the roots on its nights and the dates after them, by the water balance of "
        "the zone's path [mm]; 0 where it is not planned."
    )
    leached_mm: Amount | None = Field(
        default=None,
        description="Water that leaves the roots with its salt over the same nights, by the salt balance of two "
        "layers, which drains more slowly [mm]; null where it is not planned.",
    )
    depth_mm: Amount = Field(
        description="Gross irrigation of its nights [mm], less with rain; 0 where it is not planned."
    )
    ece_before_dsm: Amount | None = Field(description="ECe before [dS/m].")
    ece_after_dsm: Amount | None = Field(description="ECe expected on the evening after [dS/m].")
    likely_dsm: tuple[Amount, Amount] | None = Field(
        default=None,
        description="Within which ECe is expected then, in four cases of five [dS/m]; null where it is not planned.",
    )
    layers_before_dsm: tuple[Amount, ...] = Field(
        default=(), description="ECe before by layer, the upper first, as layers_dsm of its zone [dS/m]."
    )
    layers_after_dsm: tuple[Amount, ...] = Field(
        default=(), description="The same expected after [dS/m]; empty where it is not planned."
    )
    lower_probe: Named | None = Field(
        default=None,
        description="Lowest probe in the lower half of the roots or below: if it gets wetter in the night, water went "
        "through; null without one.",
    )
    lower_probe_cm: Amount | None = Field(default=None, description="Its depth [cm].")
    again_by: Day | None = Field(
        default=None,
        description="About when the zone is due for another; null where it is not planned or that is weeks away.",
    )
    staged: bool = Field(default=False, description="True where one flush is not enough: another will follow.")
    words: str = Field(description="One sentence for people, in the site's units.")
    by: Day = Field(description="Last night on which the flush is in time.")


class SurfaceLeaching(Part):
    """One surface."""

    surface: str = Field(description="Surface.")
    entered_mm: Amount = Field(description="Irrigation and rain that entered the soil [mm].")
    drained_mm: Amount = Field(description="What left the roots with its salt [mm].")
    achieved: Share | None = Field(
        description="Leaching fraction achieved [-]: drained over entered; null where nothing entered."
    )
    required: Share | None = Field(
        description="Leaching requirement of FAO-29 Eq. 9 for the turf's threshold with the water that entered [-]; "
        "null where no amount would do."
    )


class UpkeepPart(Part):
    """One zone."""

    zone: str = Field(description="Zone id.")
    nights: tuple[Day, ...] = Field(min_length=1, description="Nights on which it leaches.")
    drainage_mm: Amount = Field(
        description="Water that drains below the roots on them and the dates after them, by the water balance of the "
        "zone's path [mm]."
    )
    leached_mm: Amount | None = Field(
        default=None,
        description="Water that leaves the roots with its salt on the same dates, by the salt balance of two layers, "
        "which drains more slowly [mm].",
    )
    depth_mm: Amount = Field(description="Gross irrigation of these nights [mm].")
    ece_before_dsm: Amount = Field(description="Mean ECe tonight [dS/m].")
    ece_after_dsm: Amount = Field(description="Mean ECe at the end of the plan [dS/m].")


class LeachingPart(Part):
    """Leaching achieved against required, and what the plan does for it with ordinary watering."""

    since: Day | None = Field(
        description="First date counted, up to the end of the plan; null where no salinity is known."
    )
    surfaces: tuple[SurfaceLeaching, ...] = Field(description="By surface, over its area.")
    upkeep: tuple[UpkeepPart, ...] = Field(
        description="Zones that leach a little with their watering in place of a flush, in order of their first night."
    )
