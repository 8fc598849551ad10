"""Pages of a season for people: the account, the statement for an agency, one page in plain words.

Every number stands in season.json; on the page it is a `data` element whose value is the document's own figure in its
own unit, so that a program can hold one against the other. Volumes are rounded for reading; sums also stand in cubic
metres to the litre.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from scheduler import edge
from scheduler.season import charts, parts
from scheduler.season import document as doc
from scheduler.season.words import Speech, counted_by
from scheduler.sheets.names import PLURALS
from scheduler.sheets.night import environment

ZONES_LISTED = 400  # rows of zones on the page, at most
FLUSHES_LISTED = 60


class Writer:
    """Turns figures of the document into `data` elements with their words."""

    def __init__(self, d: doc.SeasonDocument) -> None:
        self.d = d
        self.say = Speech(d.site.units, d.site.currency, d.shown)

    def volume(self, m3: float | None) -> Markup:
        """A volume in the account's unit, without naming it."""
        return self._data(m3, None if m3 is None else self.say.volume(m3).removesuffix(f" {self.d.shown.name}"))

    def with_unit(self, m3: float | None) -> Markup:
        """A volume with its unit."""
        return self._data(m3, self.say.volume(m3))

    def litres(self, m3: float | None) -> Markup:
        """A volume in cubic metres to the litre."""
        return self._data(m3, None if m3 is None else f"{m3 + 0.0:,.3f}")

    def depth(self, mm: float | None) -> Markup:
        """A depth with its unit."""
        return self._data(mm, self.say.depth(mm))

    def money(self, amount: float | None) -> Markup:
        """An amount of money."""
        return self._data(amount, self.say.money(amount))

    def price(self, per_m3: float) -> Markup:
        """A price of water by the account's unit."""
        return self._data(per_m3, self.say.price(per_m3))

    def share(self, value: float | None, digits: int = 0) -> Markup:
        """A share as percent."""
        return self._data(value, None if value is None else f"{value * 100:,.{digits}f} %")

    def count(self, value: float | None) -> Markup:
        """A whole number."""
        return self._data(value, None if value is None else f"{value:,.0f}")

    def area(self, m2: float | None) -> Markup:
        """An area with its unit."""
        return self._data(m2, edge.format_area(m2, self.d.site.units))

    def number(self, value: float | None, digits: int = 1) -> Markup:
        """A number with so many decimals."""
        return self._data(value, None if value is None else f"{value:,.{digits}f}")

    def day(self, day: Any) -> str:
        """A date for a table."""
        month = edge.MONTHS[day.month - 1][:3]
        return f"{month} {day.day}, {day.year}" if self.d.site.units == "us" else f"{day.day} {month} {day.year}"

    def band(self, band: parts.Band, write: Callable[[float | None], Markup]) -> Markup:
        """A simulated figure with its band."""
        if band.middle is None:
            return Markup(edge.DASH)
        if band.low == band.high == band.middle:
            return write(band.middle)
        text = Markup("{}<br><small>({} to {})</small>")
        return text.format(write(band.middle), write(band.low), write(band.high))

    @staticmethod
    def _data(value: float | None, text: str | None) -> Markup:
        if value is None or text is None or text == edge.DASH:
            return Markup(edge.DASH)
        return Markup('<data value="{}">{}</data>').format(repr(value), text)


@dataclass(frozen=True)
class Pictures:
    """The drawings that two pages share."""

    water: Markup
    allocation: Markup
    turf: Markup

    @classmethod
    def of(cls, d: doc.SeasonDocument) -> Pictures:
        """Draw them once."""
        return cls(charts.water_chart(d), charts.allocation_chart(d), charts.turf_chart(d))


def account_page(d: doc.SeasonDocument, pictures: Pictures) -> str:
    """The account of the season, season.html."""
    w = Writer(d)
    drawn = [
        ("Water used by month and source, against turf demand and rain", pictures.water, ""),
        ("Use summed against the allocation", pictures.allocation, ""),
        ("Turf condition by surface", pictures.turf, "Reckoned by the daily balance from the log."),
        (_salt_title(d), charts.salt_chart(d), "Flush nights as upright lines." if d.flushes else ""),
        ("Metered against logged", charts.meter_chart(d), "Nights metered only."),
    ]
    return _render(
        "season.html.jinja", d, w, charts=[c for c in drawn if c[1]], zones=d.zones[:ZONES_LISTED],
        more_zones=max(len(d.zones) - ZONES_LISTED, 0), flushes=d.flushes[:FLUSHES_LISTED],
        more_flushes=max(len(d.flushes) - FLUSHES_LISTED, 0),
    )  # fmt: skip


def statement_page(d: doc.SeasonDocument) -> str:
    """The statement for a water agency, statement.html."""
    w = Writer(d)
    names = [t.source for t in d.source_totals if t.metered_m3 is not None]
    by_month = {(s.month, s.source): s for s in d.sources}
    return _render("statement.html.jinja", d, w, names=names, by_month=by_month)


def summary_page(d: doc.SeasonDocument, pictures: Pictures) -> str:
    """One page in plain words, summary.html."""
    drawn = [
        ("Where the water went, month by month", pictures.water),
        ("Use against the allocation", pictures.allocation),
        ("How the turf stood", pictures.turf),
    ]
    return _render("summary.html.jinja", d, Writer(d), charts=[c for c in drawn if c[1]])


def _render(name: str, d: doc.SeasonDocument, w: Writer, **more: Any) -> str:
    return environment().get_template(name).render(
        d=d, w=w, counted=counted_by(d), surface=lambda s: PLURALS.get(s, s), first=w.day(d.span.first),
        last=w.day(d.span.last), month_name=lambda m: f"{edge.MONTHS[int(m[5:]) - 1][:3]} {m[:4]}", **more,
    )  # fmt: skip


def _salt_title(d: doc.SeasonDocument) -> str:
    return f"Salinity of {PLURALS.get(d.salts[0].surface, d.salts[0].surface).lower()}" if d.salts else ""
