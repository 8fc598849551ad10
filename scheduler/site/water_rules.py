"""What limits and prices water and energy in site.toml: allocation, allowance, drought orders, tariff."""

from __future__ import annotations

from scheduler.errors import read_but
from scheduler.site import schema
from scheduler.site.findings import TomlFindings
from scheduler.site.records import Allocation, AllowanceRule, Restriction, Tariff
from scheduler.site.units import quantity


def settle_allocation(keys: schema.AllocationKeys | None, reader: TomlFindings) -> Allocation | None:
    """Read the season's water and its tiers."""
    if keys is None:
        return None
    if keys.ends < keys.starts:
        reader.problem(
            ("allocation", "ends"), read_but(keys.ends, f"a date not before the start, {keys.starts}, is allowed")
        )
    if keys.used_before > keys.volume and not keys.tier:
        reader.note("warning", "allocation.used_before is above the volume: nothing is left of the season's water")
    tiers: list[tuple[float, float]] = []
    for i, tier in enumerate(keys.tier):
        above = tier.above
        if isinstance(above, str):
            above = quantity(above, "m3") / keys.volume
        if tiers and above <= tiers[-1][0]:
            reader.problem(
                ("allocation", "tier", i, "above"),
                read_but(tier.above, "tiers must rise in the order they are written"),
            )
        if tiers and tier.price < tiers[-1][1]:
            reader.problem(
                ("allocation", "tier", i, "price"),
                read_but(tier.price, "a price not below that of the tier before is allowed"),
            )
        tiers.append((above, tier.price))
    return Allocation(keys.starts, keys.ends, keys.volume, keys.used_before, tuple(tiers))


def settle_allowance(keys: schema.AllowanceKeys) -> AllowanceRule:
    """Read the factors of an allowance by ET; landscape has that of turf unless it has its own."""
    landscape = keys.factor if keys.landscape_factor is None else keys.landscape_factor
    return AllowanceRule({"turf": keys.factor, "special": keys.special_factor, "landscape": landscape}, keys.rain_share)


def settle_restriction(keys: schema.RestrictionKeys, i: int, reader: TomlFindings) -> Restriction:
    """Read one drought order."""
    if keys.starts and keys.ends and keys.ends < keys.starts:
        reader.problem(("restriction", i, "until"), read_but(keys.ends, f"a date not before {keys.starts} is allowed"))
    if keys.nights_allowed is None and keys.hours is None and keys.cut == 0.0:
        reader.note("warning", f"restriction {i + 1} restricts nothing: it has none of nights_allowed, hours and cut")
    return Restriction(keys.nights_allowed, keys.hours, keys.surfaces, keys.cut, keys.starts, keys.ends)


def settle_tariff(keys: schema.TariffKeys, i: int, reader: TomlFindings) -> Tariff:
    """Read one block of the tariff; one that ends at or before it begins ends on the next day."""
    start = keys.starts % 1440
    return Tariff(start, keys.ends if keys.ends > start else keys.ends + 1440, keys.days, keys.price)
