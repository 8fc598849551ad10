"""The sentences of an account: five answers for a committee, what changed and why, what next season needs.

Only the wording is here; the figures are the document's. Volumes are in the account's own unit.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.choices import SEASON
from scheduler import edge
from scheduler.errors import counted
from scheduler.season import document as doc
from scheduler.season import parts
from scheduler.season.reconcile import Cause
from scheduler.sheets.names import PLURALS, joined
from scheduler.site.units import conversion

UNITS = {
    "m3": ("m³", "m3", 0),
    "gal": ("gal", "gal", 0),
    "kgal": ("1,000 gal", "kgal", 1),
    "acre_ft": ("acre-ft", "acre_foot", 2),
    "ccf": ("hundred ft³", "hundred_cubic_feet", 0),
}
MILLION = 1e6
TITLES = {
    "as_logged": "As it was run (log)",
    "et_replacement": "Full replacement of reference ET",
    "fixed_programme": "Fixed programme, three nights a week",
    "base_year": "As run in {base}",
}


@dataclass(frozen=True)
class Speech:
    """How figures are said: the account's unit and the site's units and currency."""

    units: str
    currency: str
    shown: parts.Shown

    def volume(self, m3: float | None) -> str:
        """Say a volume in the account's unit."""
        if m3 is None:
            return edge.DASH
        digits = UNITS[self.shown.unit][2]
        value = round(m3 * self.shown.per_m3, digits) + 0.0  # no "-0"
        return f"{value:,.{digits}f} {self.shown.name}"

    def about(self, m3: float) -> str:
        """Say a volume as people say it aloud: millions of gallons, else as in the account."""
        value = m3 * self.shown.per_m3
        if self.shown.unit == "gal" and abs(value) >= MILLION:
            return f"{value / MILLION:,.1f} million gal"
        return self.volume(m3)

    def price(self, per_m3: float) -> str:
        """Say a price of water by the account's unit; gallons by the thousand."""
        many = 1000.0 if self.shown.unit == "gal" else 1.0
        each = "1,000 gal" if self.shown.unit == "gal" else self.shown.name
        return f"{per_m3 / self.shown.per_m3 * many:,.2f} {self.currency} per {each}".replace("  ", " ")

    def money(self, amount: float | None) -> str:
        """Say an amount."""
        return edge.format_money(amount, self.currency)

    def depth(self, mm: float | None) -> str:
        """Say a depth."""
        return edge.format_depth(mm, self.units)


def shown_unit(asked: str | None, units: str) -> parts.Shown:
    """Unit of volumes as asked, else gallons or cubic metres by the site's units."""
    key = asked or ("gal" if units == "us" else "m3")
    name, unit, _ = UNITS[key]
    return parts.Shown(unit=key, name=name, per_m3=1.0 / conversion(unit, "m3").factor)


def practice_title(key: str, base: str) -> str:
    """Name a simulated practice."""
    return TITLES[key].format(base=base)


def cause_words(cause: Cause, say: Speech) -> str:
    """Say what explains a difference between meter and log."""
    if cause.size is None:
        since = "" if cause.since is None else f" from {edge.format_date(cause.since, say.units)} on"
        runs = f"{say.about(cause.volume / max(cause.nights, 1))} a night{since}, {say.about(cause.volume)} in all"
        return f"about {runs}, whatever is logged: a leak, or watering by hand"
    what = {"zone": f"zone {cause.name}", "branch": f"the zones on {cause.name}"}.get(cause.kind, "all runs alike")
    if cause.kind != "all" and cause.size <= SEASON.blocked:
        return f"{what}: logged and hardly metered, as with a valve that does not open"
    more = "more" if cause.size > 0 else "less"
    share = abs(cause.size) * 100
    if cause.kind == "all":
        return f"{what}: {share:.0f} % {more} ran than was logged, as with a meter that is off, or flows in zones.csv"
    return f"{what}: {share:.0f} % {more} ran than was logged, as with a wrong flow in zones.csv or a wrong nozzle"


def changed(this: parts.SeasonBeside, base: parts.SeasonBeside, say: Speech) -> list[str]:
    """What changed against another season, and why as far as weather tells."""
    use = this.use_m3 - base.use_m3
    lines = []
    if base.use_m3 > 0:
        direction = "more" if use > 0 else "less"
        lines.append(
            f"Water: {say.about(abs(use))} {direction} than in {base.name} ({abs(use) / base.use_m3 * 100:.0f} % "
            f"{direction})."
        )
    if this.eto_mm is not None and base.eto_mm:
        change = (this.eto_mm / base.eto_mm - 1) * 100
        lines.append(
            f"Weather: reference ET {say.depth(this.eto_mm)} against {say.depth(base.eto_mm)} "
            f"({abs(change):.0f} % {'higher' if change > 0 else 'lower'}), rain {say.depth(this.rain_mm)} against "
            f"{say.depth(base.rain_mm)}."
        )
        need = asked_more(this, base)
        if need is not None:
            more = "more" if need > 0 else "less"
            lines.append(f"Turf: by weather alone it asked for {abs(need) * 100:.0f} % {more} than in {base.name}.")
    dry, before = this.dry_zone_days / max(this.zone_days, 1), base.dry_zone_days / max(base.zone_days, 1)
    lines.append(
        f"Turf condition: {dry * 100:.1f} % of zone-days dry against {before * 100:.1f} %, reckoned from the logs."
    )
    return lines


def answers(d: doc.SeasonDocument, say: Speech) -> list[parts.Answer]:
    """The five questions of a committee, answered."""
    return [_how_much(d, say), _against_what(d, say), _why(d, say), _bought(d), _risk(d, say)]


def counted_by(d: doc.SeasonDocument) -> str:
    """Say whether use was counted by meters or by the log."""
    by = {s.use_from for s in d.sources}
    if by == {"meter"}:
        return "by the meters"
    return "by the log" if by == {"log"} else "by the meters where they were read all month, else by the log"


def _how_much(d: doc.SeasonDocument, say: Speech) -> parts.Answer:
    depth = d.totals.use_m3 / d.site.area_m2 * 1000.0 if d.site.area_m2 else None
    words = f"{say.depth(depth)} over the irrigated area"
    if d.totals.nights_run:
        words += f", on {counted(d.totals.nights_run, 'night')}"
    if d.bill > 0:
        words += f"; {say.money(d.bill)} for water and pumping"
    return parts.Answer(
        question="How much water?",
        headline=say.about(d.totals.use_m3),
        words=f"{words}. Counted {counted_by(d)}.",
    )


def _against_what(d: doc.SeasonDocument, say: Speech) -> parts.Answer:
    question, rule, formula = "Against what allowance?", d.allocation, ""
    by_et = edge.format_percent(d.allowance.share) if d.allowance is not None else edge.DASH
    if d.allowance is not None:
        formula = f"The public ET formula allows {say.about(d.allowance.allowance_m3)}; use was {by_et} of it."
    if rule is None:
        words = formula or "site.toml names no allocation, and no reference ET is known."
        headline = f"{by_et} of the ET allowance" if formula else "none is known"
        return parts.Answer(question=question, headline=headline, words=words)
    words = f"{say.about(rule.left_m3)} of {say.about(rule.volume_m3)} left."
    if rule.over_m3:
        words = f"{say.about(rule.over_m3)} above the {say.about(rule.volume_m3)}."
    if rule.surcharge:
        words += f" Surcharge {say.money(rule.surcharge)}."
    headline = f"{edge.format_percent(rule.share)} of the allocation"
    return parts.Answer(question=question, headline=headline, words=f"{words} {formula}".strip())


def _why(d: doc.SeasonDocument, say: Speech) -> parts.Answer:
    question, this, base = "Why more or less than before?", d.seasons[0], d.base
    if base is None or base.use_m3 <= 0:
        return parts.Answer(question=question, headline="no earlier season", words="No earlier record to set beside.")
    change = this.use_m3 / base.use_m3 - 1
    headline = f"{abs(change) * 100:.0f} % {'more' if change > 0 else 'less'} than {base.name}"
    reasons = []
    if this.eto_mm is not None and base.eto_mm:
        eto = this.eto_mm / base.eto_mm - 1
        reasons.append(f"reference ET was {abs(eto) * 100:.0f} % {'higher' if eto > 0 else 'lower'}")
        rain = (this.rain_mm or 0.0) - (base.rain_mm or 0.0)
        reasons.append(f"rain was {say.depth(abs(rain))} {'more' if rain > 0 else 'less'}")
    words = joined(reasons) or "no weather of both seasons is known"
    text = f"{words[:1].upper()}{words[1:]}."
    need = asked_more(this, base)
    if need is not None:
        text += f" By weather alone the turf asked for {abs(need) * 100:.0f} % {'more' if need > 0 else 'less'}."
        if abs(change - need) > SEASON.beyond_weather:
            text += " The rest is how it was watered."
    return parts.Answer(question=question, headline=headline, words=text)


def asked_more(this: parts.SeasonBeside, base: parts.SeasonBeside) -> float | None:
    """How much more demand less effective rain was than in another season [-]; None where that says nothing."""
    before = base.demand_m3 - base.effective_rain_m3
    return (this.demand_m3 - this.effective_rain_m3) / before - 1.0 if before > 0 else None


def _bought(d: doc.SeasonDocument) -> parts.Answer:
    this = d.seasons[0]
    if this.eto_mm is None:
        text = "Without weather the turf's condition cannot be reckoned."
        return parts.Answer(question="What did it buy?", headline="not known", words=text)
    fine = 1.0 - d.totals.dry_zone_days / max(this.zone_days, 1)
    words = [
        f"{PLURALS.get(s.surface, s.surface)}: {s.dry_zone_days / s.zone_days * 100:.1f} % of zone-days dry"
        for s in d.surfaces[:1]
        if s.zone_days
    ]
    played = sum(e.event in ("tournament", "firm") for e in d.events)
    if played:
        words.append(f"{played} {'event' if played == 1 else 'events'} prepared for")
    if d.flushes:
        through = sum(f.reached_lower for f in d.flushes)
        words.append(f"{len(d.flushes)} salt flushes, {through} of which took salt out of the lower roots")
    text = f"{'; '.join(words)}. Reckoned from the log, not measured.".removeprefix(". ")
    return parts.Answer(question="What did it buy?", headline=f"{fine * 100:.1f} % of zone-days not dry", words=text)


def _risk(d: doc.SeasonDocument, say: Speech) -> parts.Answer:
    need, name = driest(d)
    question = "What is next year's risk?"
    words = f"{name} would take about {say.about(need)} at this season's care (estimate)."
    if d.allocation is None:
        return parts.Answer(question=question, headline=f"up to {say.about(need)}", words=words)
    room = d.allocation.volume_m3 - need
    headline = f"{say.about(abs(room))} {'short' if room < 0 else 'to spare'}"
    words += f" The allocation is {say.about(d.allocation.volume_m3)}."
    if d.allocation.expected_m3 > d.allocation.used_m3:
        words += f" This one ends near {say.about(d.allocation.expected_m3)} at the present pace."
    return parts.Answer(question=question, headline=headline, words=words)


def driest(d: doc.SeasonDocument) -> tuple[float, str]:
    """Water a season that asks most would take at this one's care [m3], and its name; an estimate.

    use x (demand of that season / demand of this one); with no drier one known, a tenth more demand. Where there is an
    allocation it is the whole of its season that counts, as far as it can be expected.
    """
    this = d.seasons[0]
    use = this.use_m3 if d.allocation is None else d.allocation.expected_m3
    worst = max(d.seasons, key=lambda s: s.demand_m3)
    if this.demand_m3 <= 0 or worst.demand_m3 <= this.demand_m3 * 1.001:
        return use * SEASON.drier, "A season a tenth drier"
    return use * worst.demand_m3 / this.demand_m3, f"A season like {worst.name}"


def next_season(d: doc.SeasonDocument, say: Speech) -> list[str]:
    """What next season needs, in the order of its weight."""
    lines = []
    need, name = driest(d)
    if d.allocation is not None and need > d.allocation.volume_m3:
        lines.append(
            f"{name} would take {say.about(need - d.allocation.volume_m3)} more than the allocation: more water, or a "
            "plan of which surfaces go without."
        )
    for one in (one for one in d.differences if one.beyond_error):
        cause = f": {one.causes[0].words}" if one.causes else ""
        lines.append(f"Look into {say.about(abs(one.difference_m3))} between meter and log of {one.source}{cause}.")
    for row in d.leaching:
        if row.reached is not None and row.required is not None and row.reached < row.required:
            lines.append(
                f"More leaching on {PLURALS.get(row.surface, row.surface).lower()}: {row.reached * 100:.0f} % reached, "
                f"{row.required * 100:.0f} % needed."
            )
    if not d.meters:
        lines.append("A water meter read at least once a month: without one this account stands on the log alone.")
    return lines or ["Nothing stands out: keep the readings of the meters and the log complete."]
