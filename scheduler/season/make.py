"""Making the account of a season: record, meters, salts, simulations, earlier seasons, then the words.

`season_account` is the list of its steps.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import numpy as np
import pandas as pd

from scheduler.errors import NoPlan, counted
from scheduler.season import account as acc
from scheduler.season import document as doc
from scheduler.season import parts, words
from scheduler.season.otherwise import MANY, Practice, plain_practices
from scheduler.season.places import row_part, surface_part, zone_part
from scheduler.season.reconcile import differences
from scheduler.season.salts import SeasonSalts, season_salts
from scheduler.season.span import Span, earlier_seasons
from scheduler.site import Site

SALTS = ("ece_end", "above")  # of an outcome, told where salts are followed
KEPT_NOTES = ("ledger", "applied.csv", "meter.csv", "weather.csv")


def season_account(
    site: Site,
    span: Span,
    made: datetime,
    base_year: int | None = None,
    unit: str | None = None,
    step: Callable[[str], object] | None = None,
) -> tuple[doc.SeasonDocument, acc.Record]:
    """Make the account of a season.

    Parameters
    ----------
    site : Site              With what its ledger holds from before its files.
    span : Span              Nights of the account.
    made : datetime          Now, at the site.
    base_year : int, optional    Year whose same nights stand beside; the year before if its record is there.
    unit : str, optional     Unit of volumes on the pages; the site's if None.
    step : callable, optional    Called with what is done next.

    Raises
    ------
    NoPlan    Nothing is recorded of the season, or of the base year that was asked for.
    """
    say = step or (lambda _what: None)
    say("what was put on")
    record = acc.season_record(site, span)
    if not record.logged.ran.any() and not record.metered.covered.any() and not record.logged.uncounted:
        raise NoPlan(f"neither log nor meter says anything of the nights from {span.first} to {span.last}")
    say("earlier seasons")
    earlier = [acc.season_record(site, s) for s in earlier_seasons(site, span)]
    base = _base_record(site, span, base_year, earlier)
    say("salts")
    salts = season_salts(site, span)
    say("the season under plain practice")
    plain = _without_words(record, earlier, base, salts, made, unit)
    speech = _speech(site, unit)
    told = {
        "answers": words.answers(plain, speech),
        "changed": [] if plain.base is None else words.changed(plain.seasons[0], plain.base, speech),
        "next_season": words.next_season(plain, speech),
    }
    return plain.model_copy(update=told), record


def _speech(site: Site, unit: str | None) -> words.Speech:
    return words.Speech(site.units, site.currency, words.shown_unit(unit, site.units))


def _without_words(
    record: acc.Record,
    earlier: list[acc.Record],
    base: acc.Record | None,
    salts: SeasonSalts,
    made: datetime,
    unit: str | None,
) -> doc.SeasonDocument:
    """The account in figures alone."""
    site, span = record.site, record.span
    totals, months = acc.totals_part(record)
    speech = _speech(site, unit)
    allocation, cumulative = acc.allocation_part(record)
    sources = acc.source_part(record)
    return doc.SeasonDocument(
        made=made.isoformat(timespec="seconds"),
        site=parts.SiteRef(
            name=site.name, units=site.units, time_zone=site.time_zone.key, currency=site.currency,
            zones=len(site.zones), area_m2=float(site.zones.area.sum()),
        ),
        shown=speech.shown, span=acc.span_part(record), totals=totals,
        bill=round(totals.water_cost + (totals.energy_cost or 0.0) + (allocation.surcharge if allocation else 0.0), 4),
        months=months,
        sources=sources, source_totals=acc.source_totals(sources), zones=zone_part(record),
        rows=row_part(record),
        surfaces=surface_part(record), meters=_meters(record), meter_error=site.meter_error,
        differences=_differences(record, speech), allocation=allocation, cumulative=cumulative,
        allowance=acc.allowance_part(record, totals.use_m3), energy=acc.energy_part(record),
        flushes=salts.flushes, leaching=salts.leaching, salts=salts.paths, events=_events(site, span),
        practices=_practices(record, salts, base),
        seasons=[acc.beside_part(r, totals.use_m3) for r in (record, *earlier)],
        base=None if base is None else acc.beside_part(base, totals.use_m3),
        uncounted=_uncounted(record), estimates=_estimates(record, totals), answers=[], changed=[], next_season=[],
        notes=[*(str(n) for n in site.notes if n.subject in KEPT_NOTES), *salts.notes],
    )  # fmt: skip


def _base_record(site: Site, span: Span, base_year: int | None, earlier: list[acc.Record]) -> acc.Record | None:
    """The season that stands beside this one, if there is any."""
    base_span = _base(span, base_year, [r.span for r in earlier])
    if base_span is None:
        return None
    base = next((r for r in earlier if r.span == base_span), None) or acc.season_record(site, base_span)
    if not base.logged.ran.any() and not base.metered.covered.any() and base_year is not None:
        raise NoPlan(f"neither log nor meter says anything of {base_span.first} to {base_span.last}")
    return base


def _base(span: Span, base_year: int | None, known: list[Span]) -> Span | None:
    if base_year is None:
        return known[0] if known else None
    if base_year >= span.first.year:
        raise NoPlan(f"the base year {base_year} is not before the season, which begins on {span.first}")
    return span.years_earlier(span.first.year - base_year)


def _practices(record: acc.Record, salts: SeasonSalts, base: acc.Record | None) -> list[parts.PracticePart]:
    """Simulations, where the weather of the season is known."""
    known = np.isfinite(record.days.eto)
    if not known.any() or record.span.nights < 2:
        return []
    days = pd.DataFrame(
        {"date": record.logged.nights, "eto": np.nan_to_num(record.days.eto), "rain": np.nan_to_num(record.days.rain)}
    )
    own = record.own
    repeated = None
    if base is not None and base.logged.ran.any():
        repeated = _on_these_nights(base, record)
    found = plain_practices(record.site, days, record.turf, record.logged.volume[:own], repeated, salts.start)
    name = "" if base is None else base.span.words()
    return [_practice(p, name) for p in found]


def _on_these_nights(base: acc.Record, record: acc.Record) -> np.ndarray:
    """Water of the base season on the same days of this one, (Z, N) [m3]; 29 February has that of the 28th."""
    place = {(n.month, n.day): i for i, n in enumerate(base.logged.nights)}
    columns = [place.get((n.month, n.day), place.get((n.month, n.day - 1), -1)) for n in record.logged.nights]
    index = np.array(columns)
    water = base.logged.volume[: base.own][:, np.maximum(index, 0)]
    return np.where(index >= 0, water, 0.0)


def _practice(practice: Practice, base: str) -> parts.PracticePart:
    def band(name: str, digits: int) -> parts.Band:
        told = [o for o in practice.outcomes if name not in SALTS or np.isfinite(o.ece_end)]
        values = [float(getattr(o, name)) for o in told]
        if not values:
            return parts.Band(middle=None, low=None, high=None)
        return parts.Band(
            middle=round(values[0], digits), low=round(min(values), digits), high=round(max(values), digits)
        )

    return parts.PracticePart(
        key=practice.key, title=words.practice_title(practice.key, base), water_m3=band("water", 6),
        dry_zone_days=band("dry", 0), soft_zone_days=band("soft", 0), ece_end_dsm=band("ece_end", 3),
        zone_days_above_salt_limit=band("above", 0),
    )  # fmt: skip


def _meters(record: acc.Record) -> list[parts.MeterPart]:
    return [
        parts.MeterPart(
            meter=m.name, source=m.source, readings=m.readings, metered_m3=round(float(v.sum()), 6),
            divided_m3=round(float(d.sum()), 6), nights=int(c.sum()), exchanges=m.exchanges, rolled_over=m.rolled,
            unclear=m.unclear,
        )
        for m, v, d, c in zip(
            record.metered.meters, record.metered.volume, record.metered.spread, record.metered.covered, strict=True
        )
    ]  # fmt: skip


def _differences(record: acc.Record, say: words.Speech) -> list[parts.DifferencePart]:
    found = []
    for d in differences(record.site, record.zones, record.logged, record.metered):
        causes = [
            parts.CausePart(
                kind=c.kind, name=c.name, size=None if c.size is None else round(c.size, 4),
                volume_m3=round(c.volume, 6), explains=round(c.explains, 4), since=c.since,
                nights=c.nights, words=words.cause_words(c, say),
            )
            for c in d.causes
        ]  # fmt: skip
        found.append(
            parts.DifferencePart(
                source=d.source, nights=d.nights, metered_m3=round(d.metered, 6), logged_m3=round(d.logged, 6),
                difference_m3=round(d.metered - d.logged, 6), error_m3=round(d.error, 6),
                beyond_error=d.beyond_error, without_record_m3=round(d.without_record, 6),
                never_metered_m3=round(d.never_metered, 6), causes=causes,
            )
        )  # fmt: skip
    return found


def _events(site: Site, span: Span) -> list[parts.EventPart]:
    rows = site.calendar
    on = (rows["from"] <= pd.Timestamp(span.last)) & (rows["until"] >= pd.Timestamp(span.first))
    return [
        parts.EventPart(
            first=r["from"].date(), last=r["until"].date(), target=str(r["target"]), event=str(r["event"]),
            note=str(r["note"]),
        )
        for r in rows[on].to_dict("records")
    ]  # fmt: skip


def _uncounted(record: acc.Record) -> list[str]:
    lines = [
        f"zone {zone}: {counted(rows, 'run')}, {minutes:g} min; zones.csv has no such zone, the log no volume. "
        "Its id belongs in the column formerly of the zone it became."
        for zone, rows, minutes in record.logged.uncounted
    ]
    lines += [
        f"meter {m.name}: its count falls {counted(m.unclear, 'time')} without rolls_over_at and without the note "
        "exchanged; the water in between is not counted"
        for m in record.metered.meters
        if m.unclear
    ]
    unknown = int((~np.isfinite(record.days.eto)).sum())
    if unknown:
        lines.append(f"reference ET of {counted(unknown, 'day')} is not known: no demand is counted on them")
    return lines


def _estimates(record: acc.Record, totals: parts.Totals) -> list[str]:
    """Say which figures are estimated and not recorded."""
    lines = []
    if totals.estimated_m3:
        lines.append("Water of runs without a volume in the log is their minutes times the zone's flow.")
    if totals.divided_m3:
        lines.append("Water between two readings of a meter is divided evenly over the nights between them.")
    if not record.zones.told.all():
        lines.append("A zone with several sources counts to the first it names: the log does not say which one ran.")
    if totals.eto_days_not_observed or totals.rain_days_not_observed:
        days = counted(totals.eto_days_not_observed, "day")
        lines.append(
            f"Reference ET of {days} not observed is the forecast's or the mean of the days around; rain of "
            f"{counted(totals.rain_days_not_observed, 'day')} not observed is the forecast's or none."
        )
    if record.span.nights > MANY:
        lines.append(f"Simulations of more than {MANY} nights follow the water and leave salts out.")
    lines.append("Turf demand is reference ET times the turf's coefficient; dry and soft zone-days are reckoned.")
    if totals.energy_kwh is not None:
        lines.append(
            "Energy is the logged water at each pump's usual flow, spread over the window: the log has no times."
        )
    return lines
