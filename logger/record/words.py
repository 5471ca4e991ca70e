"""From the facts of a record to the words on its pages; the layout is in `page.typ`.

Times on paper are wall time of the room with its offset; the JSON beside it has them in UTC.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from ..core.judge.leading_reason import ALL_KEPT
from ..instants import parse, wall
from .case_words import case_section, inspection_section
from .corrections import FORMULA, corrections, without_limit
from .names import EXPLANATION, person_text

Facts: TypeAlias = Mapping[str, Any]
UNITS = {"degC": "°C", "%RH": "% RH", "Pa": "Pa", "1": "", "g/m3": "g/m³", "kg/m3": "kg/m³"} | {
    "1/m3": "1/m³",
    "1e-6": "×10⁻⁶",
}
PLACES = {"kg/m3": 4}  # the density of air changes in the third


def page(facts: Facts) -> dict[str, Any]:
    """What the template needs: sentences, and tables as heads and rows of text."""
    zone = ZoneInfo(facts["room"]["timezone"])
    return {
        "watermark": "SIMULATED" if facts["simulated"] else "",
        "title": f"Record of conditions {facts['issue']['number']}",
        "place": f"{facts['room']['name']}, {facts['room']['site']}",
        "zone": facts["zone"]["name"],
        "sentence": sentence(facts),
        "because": because(facts),
        "span": f"{_wall(facts['from'], zone)} to {_wall(facts['to'], zone)}",
        "heads": _heads(facts, zone),
        "shares": [_share(row) for row in facts["shares"]],
        "sections": _sections(facts, zone),
        "provenance": _provenance(facts),
        "judged": _explanation(facts),
        "footer": f"{facts['room']['name']} · {facts['zone']['name']} · record {facts['issue']['number']}",
        "issued_utc": facts["issue"]["issued_at"],
    }


def sentence(facts: Facts) -> str:
    """What a person would say of the interval, in one sentence."""
    name, shares = facts["zone"]["name"], facts["shares"]
    total = sum(row["seconds"] for row in shares)
    stable = sum(row["seconds"] for row in shares if row["verdict"] == "stable")
    if stable == total:
        return f"{name} was stable throughout."
    if not stable:
        worst = (
            "not stable"
            if any(row["verdict"] == "not stable" for row in shares)
            else "not shown to be stable"
        )
        return f"{name} was {worst} at any time."
    spent = f"{length(stable)} of {length(total)} ({percent(stable / total)})".replace(" ", "\u00a0")
    return f"{name} was stable for {spent}."


def because(facts: Facts) -> str:
    """Where the rest of the time went, by verdict and reason."""
    parts = []
    for verdict in ("not stable", "not shown"):
        rows = [row for row in facts["shares"] if row["verdict"] == verdict]
        if rows:
            spent = ", ".join(f"{row['reason']} {length(row['seconds'])}" for row in rows)
            parts.append(f"{verdict} for {length(sum(row['seconds'] for row in rows))} ({spent})")
    words = "; ".join(parts)
    return f"{words[0].upper()}{words[1:]}." if words else ALL_KEPT


def length(seconds: float) -> str:
    """A length of time to the minute, or to the second below one.

    >>> length(86400), length(5460), length(45)
    ('24 h', '1 h 31 min', '45 s')
    """
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    return " ".join(f"{n} {unit}" for n, unit in ((hours, "h"), (minutes, "min")) if n)


def percent(share: float) -> str:
    """A share that never rounds to all or nothing.

    >>> percent(0.99995), percent(0.00001), percent(0.5)
    ('> 99.9 %', '< 0.1 %', '50.0 %')
    """
    if 0.9995 <= share < 1:
        return "> 99.9 %"
    if 0 < share < 0.0005:
        return "< 0.1 %"
    return f"{share * 100:.1f} %"


def figure(value: float | None, places: int = 2) -> str:
    """A number with a true minus sign, or a dash where there is none."""
    return "–" if value is None else f"{value:.{places}f}".replace("-", "−")


def unit(name: str) -> str:
    """A unit as it is printed."""
    return UNITS.get(name, name)


def _wall(text: str | None, zone: ZoneInfo) -> str:
    return "open" if text is None else wall(parse(text, zone), zone)


def _day(text: str | None, zone: ZoneInfo) -> str:
    return "no end" if text is None else wall(parse(text, zone), zone)[:10]


def _heads(facts: Facts, zone: ZoneInfo) -> list[list[str]]:
    issue = facts["issue"]
    rows = [
        ["Interval in UTC", f"{facts['from']} to {facts['to']}"],
        ["Decision rule", facts["decision_rule"]],
        ["Settings of evidence", "; ".join(facts["settings"])],
        *([["Sampling", "; ".join(facts["notices"])]] if facts["notices"] else []),
        ["Hours of use", facts["zone"]["hours_of_use"]],
        ["Answers for the room", facts["room"]["custodian"]],
        *_approval_rows(facts["setup"], zone),
        ["Issued", f"{_wall(issue['issued_at'], zone)} by {person_text(issue, 'by')}"],
    ]
    if issue["replaces"] is not None:
        rows.append(["Replaces", f"record {issue['replaces']}: {issue['why']}"])
    return rows


def _approval_rows(setup: Facts, zone: ZoneInfo) -> list[list[str]]:
    """Who put the setup in force; one person alone and corrected entry errors are always said."""
    newest = [v for v in setup["versions"] if v["version"] == setup["version"]]
    rows = [
        [
            f"Setup version {v['version']}",
            f"by {person_text(v, 'author')}, approved by {person_text(v, 'approver')} "
            f"{_wall(v['approved'], zone)}",
        ]
        for v in newest
    ]
    rows += [["Setup in force", notice] for notice in setup.get("notices", [])]
    if setup["single_person"]:
        rows.append(["Approval", "one person may approve own proposals in this room"])
    rows += [
        [
            f"Correction {c['version']}",
            f"of an entry error, effective from {_beginning(c['from'], zone)}: {c['reason']} "
            f"({person_text(c, 'author')} and {person_text(c, 'approver')}, {_wall(c['approved'], zone)})",
        ]
        for c in setup["corrections"]
    ]
    return rows


def _beginning(text: str, zone: ZoneInfo) -> str:
    """An instant; what holds from 1970 on holds for all that is recorded."""
    return "the beginning of the data" if parse(text, zone) <= 0 else _wall(text, zone)


def _share(row: Facts) -> dict[str, str]:
    return {
        "reason": row["reason"],
        "verdict": row["verdict"],
        "length": length(row["seconds"]),
        "share": percent(row["share"]),
        "in_use": "" if row["share_in_use"] is None else percent(row["share_in_use"]),
    }


def _sections(facts: Facts, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Tables in the order in which a reader asks: what was wanted, what was read, what went wrong."""
    return [
        _limits(facts),
        _statistics(facts),
        *([_section(*case_section(facts["cases"], zone))] if "cases" in facts else []),
        _excursions(facts, zone),
        _section(*inspection_section(facts["inspections"], zone)),
        _periods(facts, zone),
        _gaps(facts, zone),
        *([_section(*without_limit(facts))] if facts["without_limit"] else []),
        _marks(facts, zone),
        _alarms(facts, zone),
        _reviews(facts, zone),
        _probes(facts),
        _certificates(facts, zone),
        _section(*corrections(facts)),
    ]


def _section(
    title: str, heads: Sequence[str], align: str, rows: Sequence[Sequence[str]], none: str
) -> dict[str, Any]:
    """One table; `align` has a letter a column: l text, r figures, w text that takes the spare width."""
    return {
        "title": title,
        "heads": list(heads),
        "align": align,
        "rows": [list(r) for r in rows],
        "none": none,
    }


def _limits(facts: Facts) -> dict[str, Any]:
    zone = ZoneInfo(facts["room"]["timezone"])
    rows = [
        (
            _name(row, facts, zone),
            _band(row),
            unit(row["unit"]),
            f"{row['guard_factor_r']:g} · U",
            row["basis"],
        )
        for row in facts["limits"]
    ]
    heads = ("Rule", "Limits", "Unit", "Guard band", "Basis")
    return _section("Limits and where they come from", heads, "lrllw", rows, "The zone has no limits.")


def _name(row: Facts, facts: Facts, zone: ZoneInfo) -> str:
    """The rule's name, and since or until when where that lies inside the interval."""
    begin, end = parse(facts["from"], zone), parse(facts["to"], zone)
    since = f", from {_wall(row['from'], zone)[:16]}" if parse(row["from"], zone) > begin else ""
    until = row["to"] is not None and parse(row["to"], zone) < end
    only = f" (only for {row['activity']})" if row["activity"] else ""
    return str(row["name"]) + only + since + (f", until {_wall(row['to'], zone)[:16]}" if until else "")


def _rule(key: str, facts: Facts) -> str:
    """A rule of the zone by its name, as the table of the limits has it."""
    return next((str(row["name"]) for row in facts["limits"] if row["rule"] == key), key)


def _band(row: Facts) -> str:
    lower, upper = row["lower"], row["upper"]
    if lower is None:
        return f"at most {upper:g}"
    return f"at least {lower:g}" if upper is None else f"{lower:g} to {upper:g}"


def _statistics(facts: Facts) -> dict[str, Any]:
    rows = [_statistic(row) for row in facts["statistics"]]
    heads = ("Channel", "Least", "Largest", "Mean", "Span", "Unit", "Conforming", "Hours of use")
    return _section(
        "What the channels read, corrected", heads, "lrrrrlrr", rows, "No channel has readings here."
    )


def _statistic(row: Facts) -> tuple[str, ...]:
    name, factor = unit(row["unit"]), 1.0
    shares = (row["share_conforming"], row["share_conforming_in_use"])
    if row["unit"] == "Pa":  # people read the barometer in hPa
        name, factor = "hPa", 0.01
    values = [None if row[key] is None else row[key] * factor for key in ("min", "max", "mean", "span")]
    figures = [figure(value, PLACES.get(row["unit"], 2)) for value in values]
    return row["channel"], *figures, name, *("–" if s is None else percent(s) for s in shares)


def _excursions(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [_excursion(row, facts, zone) for row in facts["excursions"]]
    heads = ("Rule", "From", "To", "Worst", "Limit", "U", "Unit", "Exceedance", "Probe", "Proven")
    return _section("Excursions", heads, "wllrrrlrll", rows, "No rule was broken.")


def _excursion(row: Facts, facts: Facts, zone: ZoneInfo) -> tuple[str, ...]:
    figures = [figure(row[key]) for key in ("worst", "limit", "U")]
    times = _wall(row["from"], zone)[:16], _wall(row["to"], zone)[:16]
    return (
        _rule(row["rule"], facts),
        *times,
        *figures,
        unit(row["unit"]),
        _exceedance(row),
        ", ".join(row["probes"]),
        "yes" if row["proven"] else "within U",
    )


def _exceedance(row: Facts) -> str:
    """Area beyond the limit; a difference of temperature is in K."""
    name = {"degC": "K"}.get(row["unit"], unit(row["unit"]))
    area = figure(row["exceedance"]) if row["exceedance"] >= 0.005 else "< 0.01"
    return f"{area} {name}·h"


def _periods(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [
        (
            _wall(p["from"], zone)[:16],
            _wall(p["to"], zone)[:16],
            p["verdict"],
            p["reason"],
            _rule(p["rule"], facts),
            p["probe"],
        )
        for p in facts["periods"]
    ]
    heads = ("From", "To", "Verdict", "Reason", "Rule that decided", "Probe")
    return _section("Periods", heads, "llllwl", rows, "The interval is empty.")


def _gaps(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [
        (
            _wall(g["from"], zone)[:16],
            _wall(g["to"], zone)[:16],
            length(g["seconds"]),
            ", ".join(g["channels"]),
        )
        for g in facts["gaps"]
    ]
    heads = ("From", "To", "Silent for", "Channels")
    return _section("Gaps", heads, "lllw", rows, "No channel was silent for longer than it may be.")


def _marks(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [
        (_wall(m["from"], zone)[:16], _wall(m["to"], zone)[:16], m["reason"], person_text(m, "who"))
        for m in facts["marks"]
    ]
    heads = ("From", "To", "Reason", "Marked by")
    return _section("Marked as not to be trusted", heads, "llwl", rows, "Nothing was marked.")


def _alarms(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [
        (_wall(a["at"], zone)[:16], a["alarm"], a["what"], person_text(a, "who"), a["why"])
        for a in facts["alarms"]
    ]
    heads = ("At", "Alarm", "What", "Who", "Comment")
    return _section("Alarms and acknowledgements", heads, "llllw", rows, "None in this interval.")


def _reviews(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [
        (
            r["period"],
            r["who"],
            _wall(r["at"], zone)[:16],
            "password" if r["signed"] else "name given",
            r["comment"],
        )
        for r in facts["reviews"]
    ]
    heads = ("Period", "Reviewed by", "At", "Signed by", "Comment")
    return _section("Reviews", heads, "llllw", rows, "Nobody had reviewed this interval when it was issued.")


def _probes(facts: Facts) -> dict[str, Any]:
    rows = [
        (p["probe"], p["serial"], p["position"], p["medium"], " / ".join(f"{v:.2f}" for v in p["xyz_m"]))
        for p in facts["probes"]
    ]
    heads = ("Probe", "Serial", "Position", "Medium", "x / y / z in m")
    return _section("Probes", heads, "llwlr", rows, "No probe stood in the zone.")


def _certificates(facts: Facts, zone: ZoneInfo) -> dict[str, Any]:
    rows = [row for p in facts["probes"] for row in _certificates_of(p, zone)]
    heads = ("Channel", "Certificate", "Issuer", "Calibrated", "Due", "U", "Status")
    return _section("Certificates in force", heads, "llwllll", rows, "No certificate was in force.")


def _certificates_of(probe: Facts, zone: ZoneInfo) -> Iterator[tuple[str, ...]]:
    """A row for each certificate, and one for each channel that had none: its readings support no verdict."""
    for c in probe["certificates"]:
        yield (
            c["channel"],
            c["number"],
            f"{c['issuer']} ({c['accreditation']})",
            c["calibrated_on"],
            _last_day(c["due"], zone),
            f"{c['U']:g} {unit(c['unit'])} (k = {c['k']:g})",
            c["status"],
        )
    for channel in probe.get("without_certificate", ()):  # records of before do not say it
        yield (channel, "no certificate", "", "", "", "", "not calibrated")


def _last_day(due: str | None, zone: ZoneInfo) -> str:
    """`due` is the first instant after the due day."""
    if due is None:
        return "none"
    return wall(parse(due, zone) - 1, zone)[:10]


def _explanation(facts: Facts) -> list[str]:
    """How to read it, for someone who has never seen such a record."""
    settling = length(facts["zone"]["settling_s"])
    gap = length(facts["zone"]["body_gap_s"])
    return [
        "Stable means: every rule is shown to be met, its guard band included, and bodies have settled. "
        "Not stable means: a rule was not met, the time was marked, or bodies had not yet settled. "
        "Not shown means: the record can say neither. Unknown is never good.",
        f"After a limit that disturbs bodies was left, they settle for {settling}. After more than {gap} "
        "without evidence they are unknown for as long.",
        "Values are corrected by the certificate in force; U is expanded uncertainty at k = 2. What was "
        "measured beyond a limit counts as nonconforming even where it lies within U of it.",
        EXPLANATION,
        FORMULA,
    ]


def _provenance(facts: Facts) -> list[list[str]]:
    head = facts["head"]
    return [
        ["Result (periods and findings)", facts["digest"]],
        [f"Setup version {facts['setup']['version']}", facts["setup"]["digest"]],
        [f"Head of the chain, entry {head['number']}", head["sha256"]],
        [f"Readings attached, {facts['readings']['rows']} rows", facts["readings"]["sha256"]],
        ["Program", facts["software"]],
    ]
