"""A month or a year as a workbook with native charts; equal input gives equal bytes.

Texts are written as texts, whatever they begin with; there is no formula, no macro and no link. The signed
record is the PDF; the workbook names what it rests on.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from textwrap import wrap
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from .. import __version__
from ..core.calibration.status import register
from ..inspections.case_record import CaseRecord
from ..inspections.cases import cases_in, lost_time
from ..instants import NS, rfc3339, wall
from ..model import Period
from ..record.marks import LIMIT, SERIES
from .span_figures import SpanFigures, parts_of, span_figures

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

UNITS = ("degC", "degF")
_FIELDS = ("stable_s", "not_stable_s", "not_shown_s", "without_record_s", "in_use_s", "stable_in_use_s")


@dataclass(frozen=True)
class WorkbookFacts:
    """Everything that stands in a workbook; `label`: the month 2026-10 or the year 2026."""

    label: str
    span: tuple[int, int]
    figures: Mapping[str, tuple[SpanFigures, ...]]  # by zone
    cases: tuple[CaseRecord, ...]
    causes: tuple[tuple[str, int, int], ...]  # cause, cases, seconds
    no_case_s: int
    periods: Mapping[str, tuple[Period, ...]]
    rule_names: Mapping[str, str]  # as printed, by key


def workbook_facts(verdicts: Verdicts, label: str, zones: Sequence[str], now_ns: int) -> WorkbookFacts:
    """The figures of a month or a year of some zones, up to now where it is not over."""
    span, parts = parts_of(label, verdicts.setup.room.timezone)
    end = max(span[0], min(span[1], now_ns))
    records = cases_in(verdicts, None, span[0], end, now_ns) if end > span[0] else []
    figures = {z: tuple(span_figures(verdicts, z, parts, records, now_ns)) for z in zones}
    causes: dict[str, tuple[int, int]] = {}
    rest = 0
    for zone in zones:
        mine = [r for r in records if zone in r.case.zones]
        lost = lost_time(verdicts, mine, zone, (span[0], end), now_ns)
        for c in lost.causes:
            number, seconds = causes.get(c.cause, (0, 0))
            causes[c.cause] = number + c.cases, seconds + c.lost_ns // NS
        rest += lost.rest_ns // NS
    rows = sorted(((name, *pair) for name, pair in causes.items()), key=lambda row: (-row[2], row[0]))
    chosen = [r for r in records if set(r.case.zones) & set(zones)]
    periods = {z: tuple(verdicts.periods(z, span[0], end, now_ns, refresh=False)) for z in zones}
    names = verdicts.setup.rule_names
    return WorkbookFacts(label, (span[0], end), figures, tuple(chosen), tuple(rows), rest, periods, names)


def workbook(
    store: Store, verdicts: Verdicts, facts: WorkbookFacts, now_ns: int, unit: str = "degC"
) -> bytes:
    """The bytes of the workbook; `unit`: of temperatures, differences in K or °F differences accordingly."""
    import xlsxwriter

    content = io.BytesIO()
    book: Any = xlsxwriter.Workbook(
        content,
        {"in_memory": True, **dict.fromkeys(("strings_to_numbers", "strings_to_formulas"), False)}
        | dict.fromkeys(("strings_to_urls", "nan_inf_to_errors"), False),
    )
    room = verdicts.setup.room
    # The same instant gives the same bytes: that up to which the record is told.
    stamp = datetime.fromtimestamp(facts.span[1] // NS, UTC).replace(tzinfo=None)
    book.set_properties({"title": f"{room.name}, {facts.label}", "author": room.site, "created": stamp})
    sheets = _Sheets(book, ZoneInfo(room.timezone), simulated=store.simulated, unit=unit)
    sheets.summary(verdicts, facts)
    sheets.parts(verdicts, facts)
    sheets.cases(facts)
    sheets.causes(facts)
    sheets.probes(verdicts, facts)
    sheets.periods(facts)
    sheets.about(store, verdicts, facts, now_ns)
    book.close()
    return content.getvalue()


LINE = 14  # points of a line of 10-point text
SUMMARY_WIDTHS = (24, 24, *[14] * 8)


class _Sheets:
    """The sheets of one workbook; each method writes one."""

    def __init__(self, book: Any, zone: ZoneInfo, *, simulated: bool, unit: str) -> None:
        self._book, self._zone, self._simulated, self._unit = book, zone, simulated, unit
        face = {"font_name": "Calibri", "font_size": 10}
        self._plain = book.add_format(face)
        self._head = book.add_format(
            {**face, "bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"}
        )
        self._title = book.add_format({**face, "bold": True, "font_size": 14})
        self._mark = book.add_format({**face, "bold": True, "font_color": LIMIT})
        self._share = book.add_format({**face, "num_format": "0.0%"})
        self._degrees = book.add_format({**face, "num_format": "0.00"})
        self._minutes = book.add_format({**face, "num_format": "0"})

    def _sheet(self, name: str, title: str, heads: Sequence[str], widths: Sequence[int]) -> tuple[Any, int]:
        """A sheet with its title, the mark of simulated data and its heads; and the first row of figures."""
        sheet = self._book.add_worksheet(name)
        sheet.write_string(0, 0, title, self._title)
        if self._simulated:
            sheet.write_string(1, 0, "SIMULATED: no measured data", self._mark)
            sheet.set_header("&CSIMULATED: no measured data")
        for n, width in enumerate(widths):
            sheet.set_column(n, n, width)
        self._write_heads(sheet, 3, heads, widths)
        if heads:
            sheet.freeze_panes(4, 1)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        return sheet, 4

    def _write_heads(self, sheet: Any, row: int, heads: Sequence[str], widths: Sequence[int]) -> None:
        """Heads of columns, in a row as high as the longest of them takes."""
        lines = [len(wrap(head, max(width - 1, 1))) for head, width in zip(heads, widths, strict=False)]
        sheet.set_row(row, LINE * max(lines, default=1))
        for n, head in enumerate(heads):
            sheet.write_string(row, n, head, self._head)

    def _row(self, sheet: Any, row: int, cells: Sequence[Any], formats: Sequence[Any] = ()) -> None:
        for n, cell in enumerate(cells):
            style = formats[n] if n < len(formats) else self._plain
            if cell is None:
                sheet.write_blank(row, n, None, style)
            elif isinstance(cell, str):
                sheet.write_string(row, n, cell, self._plain)
            else:
                sheet.write_number(row, n, cell, style)

    def _in_unit(self, value_C: float | None) -> float | None:
        if value_C is None or self._unit == "degC":
            return value_C
        return value_C * 1.8 + 32

    def _difference(self, value_K: float | None) -> float | None:
        return value_K if value_K is None or self._unit == "degC" else value_K * 1.8

    @property
    def _names(self) -> tuple[str, str]:
        """The units of a temperature and of a difference."""
        return ("°C", "K") if self._unit == "degC" else ("°F", "°F")

    def summary(self, verdicts: Verdicts, facts: WorkbookFacts) -> None:
        """One row a zone."""
        heads = ("zone", "recorded min", "stable min", "not stable min", "not shown min", "stable",
                 "in hours of use min", "stable in hours of use", "not stable in hours of use min",
                 "cases in use")  # fmt: skip
        room = verdicts.setup.room
        sheet, row = self._sheet("Summary", f"{room.site}, {room.name}: {facts.label}", heads, SUMMARY_WIDTHS)
        for zone, parts in facts.figures.items():
            total = {name: sum(getattr(p, name) for p in parts) for name in _FIELDS}
            recorded = total["stable_s"] + total["not_stable_s"] + total["not_shown_s"]
            cells = (
                verdicts.setup.zone(zone).name, recorded / 60, total["stable_s"] / 60,
                total["not_stable_s"] / 60, total["not_shown_s"] / 60,
                total["stable_s"] / recorded if recorded else None, total["in_use_s"] / 60,
                total["stable_in_use_s"] / total["in_use_s"] if total["in_use_s"] else None,
                sum(p.not_stable_in_use_s for p in parts) / 60, sum(p.cases for p in parts),
            )  # fmt: skip
            m, s = self._minutes, self._share
            self._row(sheet, row, cells, (self._plain, m, m, m, m, s, m, s, m, m))
            row += 1
        self._limits(sheet, row + 2, verdicts, facts)

    def _limits(self, sheet: Any, row: int, verdicts: Verdicts, facts: WorkbookFacts) -> None:
        from .door_notice import limits_text, rule_subject

        heads = ("zone", "limit", "for", "at", "basis as it was written")
        self._write_heads(sheet, row, heads, SUMMARY_WIDTHS)
        for zone in facts.figures:
            for rule in verdicts.setup.rules:
                if (
                    rule.zone == zone
                    and rule.from_ns < facts.span[1]
                    and (rule.to_ns or facts.span[1]) > facts.span[0]
                ):
                    row += 1
                    what = rule_subject(rule)
                    self._row(sheet, row, (verdicts.setup.zone(zone).name, what, rule.activity or "all work",
                                           limits_text(rule, self._unit), rule.basis))  # fmt: skip

    def parts(self, verdicts: Verdicts, facts: WorkbookFacts) -> None:
        """Days of a month or months of a year, a block and a chart for each zone."""
        unit, difference = self._names
        name = "Months" if len(facts.label) == 4 else "Days"
        degrees = [f"{word} {unit}" for word in ("least", "mean", "greatest")]
        limits = [f"{word} limit {unit}" for word in ("lower", "upper")]
        heads = (
            *("zone", name[:-1].lower(), "recorded min", "stable", "stable in hours of use"),
            *("not stable in hours of use min", "cases in use", *degrees, f"U {difference}", *limits),
        )
        sheet, row = self._sheet(name, f"{name} of {facts.label}", heads, (18, 12, *[11] * 11))
        m, s, d = self._minutes, self._share, self._degrees
        formats = (self._plain, self._plain, m, s, s, m, m, d, d, d, d, d, d)
        first = row
        for number, (zone, parts) in enumerate(facts.figures.items()):
            begin = row
            for p in parts:
                in_use = p.stable_in_use_s / p.in_use_s if p.in_use_s else None
                air = (p.min_degC, p.mean_degC, p.max_degC)
                cells = (
                    verdicts.setup.zone(zone).name, p.label, p.recorded_s / 60, p.stable_share, in_use,
                    p.not_stable_in_use_s / 60, p.cases, *map(self._in_unit, air), self._difference(p.U_K),
                    self._in_unit(p.lower_degC), self._in_unit(p.upper_degC),
                )  # fmt: skip
                self._row(sheet, row, cells, formats)
                row += 1
            if row > begin:
                place = (first + 20 * number, 14)
                self._chart(sheet, name, (begin, row - 1), place, verdicts.setup.zone(zone).name)

    def _chart(self, sheet: Any, name: str, rows: tuple[int, int], place: tuple[int, int], zone: str) -> None:
        """Least, mean and greatest value with both limits as lines; gaps stay gaps."""
        chart = self._book.add_chart({"type": "line"})
        lines = (
            (7, "least", SERIES[0][0], "solid"), (8, "mean", SERIES[2][0], "solid"),
            (9, "greatest", SERIES[4][0], "solid"), (11, "lower limit", LIMIT, "dash"),
            (12, "upper limit", LIMIT, "dash"),
        )  # fmt: skip
        for column, words, colour, dash in lines:
            chart.add_series({
                "name": words,
                "categories": [name, rows[0], 1, rows[1], 1],
                "values": [name, rows[0], column, rows[1], column],
                "line": {"color": colour, "width": 1.5, "dash_type": dash},
            })  # fmt: skip
        chart.set_title({"name": f"{zone}: air temperature", "name_font": {"size": 11}})
        chart.set_y_axis(
            {"name": self._names[0], "major_gridlines": {"visible": True, "line": {"color": "#c9ced3"}}}
        )
        chart.set_x_axis({"num_font": {"rotation": -90}})
        chart.set_legend({"position": "bottom"})
        chart.show_blanks_as("gap")
        chart.set_size({"width": 640, "height": 360})
        words = f"{zone}: least, mean and greatest air temperature with its limits"
        sheet.insert_chart(*place, chart, {"description": words})

    def cases(self, facts: WorkbookFacts) -> None:
        """One row a case in use."""
        heads = ("case", "zone", "from", "to", "state", "cause", "runs", "inspections")
        sheet, row = self._sheet(
            "Cases", f"Cases in use, {facts.label}", heads, (8, 24, 26, 26, 12, 30, 8, 12)
        )
        for record in facts.cases:
            if record.case.in_use:
                times = (wall(ns, self._zone) for ns in (record.case.from_ns, record.case.to_ns))
                self._row(sheet, row, (
                    record.number, ", ".join(record.case.zones), *times, record.state, record.cause,
                    len(record.case.runs), len(record.affected),
                ))  # fmt: skip
                row += 1

    def causes(self, facts: WorkbookFacts) -> None:
        """Time not stable in hours of use by cause; each minute counts once."""
        heads = ("cause", "cases", "not stable in hours of use min")
        sheet, row = self._sheet("Causes", f"What cost the time, {facts.label}", heads, (40, 10, 20))
        rows = [*facts.causes, ("no case", None, facts.no_case_s)]
        total = sum(r[2] for r in rows)
        for name, number, seconds in [*rows, ("all", None, total)]:
            self._row(sheet, row, (name, number, seconds / 60), (self._plain, self._minutes, self._minutes))
            row += 1

    def probes(self, verdicts: Verdicts, facts: WorkbookFacts) -> None:
        """The register at the end of the interval."""
        heads = ("channel", "serial", "position", "certificate", "laboratory", "due", "status", "missing")
        sheet, row = self._sheet("Probes", f"Probes, {facts.label}", heads, (26, 14, 22, 18, 32, 12, 12, 30))
        for e in register(verdicts.setup, facts.span[1] - 1):
            c = e.confirmation.certificate
            self._row(sheet, row, (
                e.confirmation.channel, e.serial, e.position.name if e.position else "nowhere",
                c.number if c else "", c.issuer if c else "",
                e.confirmation.due.isoformat() if e.confirmation.due else "", e.confirmation.status,
                ", ".join(e.missing),
            ))  # fmt: skip
            row += 1

    def periods(self, facts: WorkbookFacts) -> None:
        """Every period of one verdict and reason."""
        heads = ("zone", "from", "to", "min", "verdict", "reason", "rule", "probe")
        sheet, row = self._sheet(
            "Verdict periods", f"Verdict periods, {facts.label}", heads, (18, 26, 26, 10, 12, 16, 32, 14)
        )
        for zone, periods in facts.periods.items():
            for p in periods:
                rule = facts.rule_names.get(p.rule, p.rule)
                times = (wall(ns, self._zone) for ns in (p.from_ns, p.to_ns))
                self._row(sheet, row, (zone, *times, (p.to_ns - p.from_ns) / NS / 60, p.verdict, p.reason,
                                       rule, p.probe), (*[self._plain] * 3, self._minutes))  # fmt: skip
                row += 1

    def about(self, store: Store, verdicts: Verdicts, facts: WorkbookFacts, now_ns: int) -> None:
        """What the workbook rests on."""
        from ..core.judge.judgement import digest

        sheet, row = self._sheet("About", "About this workbook", (), (30, 90))
        room = verdicts.setup.room
        last_ns = min(now_ns, facts.span[1])
        periods = {
            z: [[p.from_ns, p.to_ns, p.verdict, p.reason] for p in ps] for z, ps in facts.periods.items()
        }
        for name, words in (
            ("room", f"{room.site}, {room.name}"),
            ("interval", f"{wall(facts.span[0], self._zone)} to {wall(last_ns, self._zone)}"),
            ("interval in UTC", f"{rfc3339(facts.span[0])} to {rfc3339(last_ns // NS * NS)}"),
            ("software", f"stillroom {__version__}"),
            ("setup", f"version {verdicts.setup.version}, {verdicts.setup.digest}"),
            ("record", store.key),
            ("verdict periods, SHA-256", digest(periods)),
            ("", "Not signed: the record is the PDF of each month (stillroom record issue)."),
            ("", "Minutes not stable in hours of use are the union over rules: each minute counts once."),
            ("", "Bases of limits are quoted as they were written, whatever the unit of this workbook."),
        ):  # fmt: skip
            self._row(sheet, row, (name, words))
            row += 1
