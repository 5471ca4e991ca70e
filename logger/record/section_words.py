"""Tables of a record: limits, readings, excursions, gaps, marks, inspections, acts, alarms, reviews, people.

No table grows without bound: what a page cannot hold is counted, and stands whole in an attached file.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from ..inspections.case_forms import CaseForm
from ..inspections.length_words import BOUNDS_NOTE, ERROR_HEAD, ERROR_NOTE, SHARE_HEAD
from ..instants import parse
from ..model.figures import number_of, percent, to_printed_unit, unit_name, usual_decimals
from ..model.plain_forms import ExcursionFacts
from .act_forms import ActIntervalFacts, InspectionFacts
from .case_facts import decision_words
from .case_words import case_rows, run_figures
from .fact_forms import JudgedFacts, LimitFacts, RecordFacts, StatisticFacts, StayFacts
from .names import person_text
from .print_words import (
    Clock,
    Table,
    at,
    figure,
    first_of,
    grouped,
    length,
    names,
    table,
    unit,
)

MOST = {"cases": 10, "excursions": 8, "gaps": 6, "marks": 6, "inspections": 16, "acts": 10, "alarms": 5} | {
    "reviews": 6,
    "people": 10,
}


def limits(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Limits with the activity that they hold for, and their basis."""
    rows = [
        (
            rule_name(row, facts, zone),
            row["activity"] or "all",
            _band(row),
            unit(row["unit"]),
            f"{row['guard_factor_r']:g} · U",
            row["basis"] + _plate_text(row),
        )
        for row in facts["limits"]
    ]
    heads = ("Rule", "Activity", "Limits", "Unit", "Guard band", "Basis")
    return table("Limits and their basis", heads, "llrllw", rows, "No limits defined.")


def _plate_text(row: LimitFacts) -> str:
    """From what a bending is computed, so that it can be worked out again; empty of other rules."""
    if "plate" not in row:
        return ""
    plate = row["plate"]
    size = f"L = {plate['length_mm']:g} mm, h = {plate['thickness_mm']:g} mm"
    alpha = f"α = ({plate['alpha_per_K'] * 1e6:g} ± {2e6 * plate['u_alpha_per_K']:g}) × 10⁻⁶ K⁻¹"
    return f". Computed as α·ΔT·L²/(8·h), {size}, {alpha}, ΔT top − bottom"


def rule_name(row: LimitFacts, facts: JudgedFacts, zone: ZoneInfo) -> str:
    """The rule's name, and since or until when where that lies inside the interval."""
    begin, end = parse(facts["from"], zone), parse(facts["to"], zone)
    since = f", from {at(row['from'], zone)}" if parse(row["from"], zone) > begin else ""
    last = row["to"]
    until = f", until {at(last, zone)}" if last is not None and parse(last, zone) < end else ""
    return row["name"] + since + until


def _band(row: LimitFacts) -> str:
    lower, upper = (
        None if end is None else f"{end:.10g}".replace("-", "−") for end in (row["lower"], row["upper"])
    )
    if lower is None:
        return f"at most {upper}"
    return f"at least {lower}" if upper is None else f"{lower} to {upper}"


def statistics(facts: JudgedFacts) -> Table:
    """What each channel read, corrected; what is computed from others stands here where it has a value."""
    measured = {key for stay in facts["probes"] for key in _channels_of(stay)}
    rows = [
        _statistic(row)
        for row in facts["statistics"]
        if row["mean"] is not None or row["channel"] in measured
    ]
    heads = ("Channel", "Least", "Greatest", "Mean", "Span", "Unit", "Within limits", "In hours of use")
    return table("Corrected readings by channel", heads, "wrrrrlrr", rows, "No channel has readings here.")


def _channels_of(stay: StayFacts) -> list[str]:
    return [c["channel"] for c in stay["certificates"]] + [*stay.get("without_certificate", ())]


def _statistic(row: StatisticFacts) -> tuple[str, ...]:
    shares = (row["share_conforming"], row["share_conforming_in_use"])
    values = (row["min"], row["max"], row["mean"], row["span"])
    printed = [None if value is None else to_printed_unit(value, row["unit"]) for value in values]
    figures = [figure(value, usual_decimals(row["unit"])) for value in printed]
    return (
        row["channel"],
        *figures,
        "hPa" if row["unit"] == "Pa" else unit(row["unit"]),
        *("–" if s is None else percent(s) for s in shares),
    )


def cases(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Cases in use, each with cause and decision; those out of use are counted."""
    used = [case for case in facts["cases"] if case["in_use"]]
    quiet = len(facts["cases"]) - len(used)
    shown, more = first_of(used, MOST["cases"], _case_rank, "longest, open ones first,", "cases.csv")
    if quiet:
        word = "case" if quiet == 1 else "cases"
        more = (
            f"{more} {quiet} {word} outside hours of use: nothing is asked; see cases.csv, attached.".strip()
        )
    clock = Clock(facts, zone)
    heads = ("Case", clock.head("From"), "To", "Cause", "Action, effect and decision", "State")
    none = "No excursions." if not facts["cases"] else f"None in hours of use. {more}".strip()
    return table("Cases", heads, "lllwww", case_rows(shown, zone, clock), none, more)


def _case_rank(case: CaseForm) -> tuple[bool, int]:
    utc = ZoneInfo("UTC")
    return case["state"] in ("open", "running"), parse(case["to"], utc) - parse(case["from"], utc)


def excursions(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Runs of single rules out of limits, the worst ones."""
    shown, more = first_of(
        facts["excursions"],
        MOST["excursions"],
        lambda e: (e["proven"], e["exceedance"] / max(e["U"], 1e-9)),
        "worst",
        "excursions.csv",
    )
    clock = Clock(facts, zone)
    rows = [_excursion(row, facts, clock) for row in shown]
    heads = ("Rule", clock.head("From"), "To", "Worst", "Limit", "U", "Unit", "Exceedance")
    title = "Excursions: one rule out of limits"
    return table(title, (*heads, "Probe", "Proven"), "wllrrrlrwl", rows, "No excursions.", more)


def _excursion(row: ExcursionFacts, facts: JudgedFacts, clock: Clock) -> tuple[str, ...]:
    values = [to_printed_unit(value, row["unit"]) for value in (row["worst"], row["limit"], row["U"])]
    return (
        rule_of(row["rule"], facts),
        clock.minute(row["from"]),
        clock.minute(row["to"]),
        *run_figures(values, row["unit"]),
        unit_name(row["unit"]),
        _exceedance(row),
        names(row["probes"]),
        "yes" if row["proven"] else "within U",
    )


def rule_of(key: str, facts: JudgedFacts) -> str:
    """A rule of the zone by its name, as the table of the limits has it."""
    return next((row["name"] for row in facts["limits"] if row["rule"] == key), key)


def _exceedance(row: ExcursionFacts) -> str:
    """Area beyond the limit; a difference of temperature is in K."""
    name = {"degC": "K"}.get(row["unit"], unit_name(row["unit"]))
    value = to_printed_unit(row["exceedance"], row["unit"])
    return f"{figure(value) if value >= 0.005 else '< 0.01'} {name}·h"


def gaps(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Where channels with a limit were silent for too long, the longest ones."""
    shown, more = first_of(facts["gaps"], MOST["gaps"], lambda g: g["seconds"], "longest", "gaps.csv")
    clock = Clock(facts, zone)
    rows = [
        (
            clock.minute(g["from"]),
            clock.minute(g["to"]),
            length(g["seconds"]),
            names(g["channels"]),
        )
        for g in shown
    ]
    heads = (clock.head("From"), "To", "Silent for", "Channels")
    return table("Gaps", heads, "lllw", rows, "No gaps.", more)


def without_limit(facts: JudgedFacts) -> Table:
    """Channels that no limit rests on, such as a thermometer read by hand."""
    rows = [
        (w["channel"], str(w["readings"]), length(w["longest_silence_s"])) for w in facts["without_limit"]
    ]
    heads = ("Channel", "Readings", "Longest time without a reading")
    return table("Channels that no limit rests on", heads, "wrr", rows, "None.")


def marks(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Time that people marked."""
    shown, more = first_of(facts["marks"], MOST["marks"], lambda m: m["to"], "latest", "marks.csv")
    clock = Clock(facts, zone)
    rows = [
        (clock.minute(m["from"]), clock.minute(m["to"]), m["reason"], person_text(m, "who")) for m in shown
    ]
    heads = (clock.head("From"), "To", "Reason", "Marked by")
    return table("Time marked as not to be used", heads, "llwl", rows, "None.", more)


def inspections(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Inspections with verdict, µm and decision; those that are not stable first where not all have room."""
    shown, more = first_of(
        facts["inspections"],
        MOST["inspections"],
        lambda job: (
            {"not stable": 2, "not shown": 1}.get(job["verdict"], 0),
            job.get("share_of_tolerance") or 0.0,
        ),
        "least certain",
        "inspections.csv",
    )
    clock = Clock(facts, zone)
    heads = (
        "Inspection",
        "Of",
        clock.head("From"),
        "To",
        "Verdict",
        ERROR_HEAD,
        SHARE_HEAD,
    )
    counts = _verdict_counts(facts["inspections"])
    notes = counts, more, _length_note(shown), _revision_note(shown)
    return table(
        "Inspections", (*heads, "Decision"), "lwlllrrw", [_job(j, clock) for j in shown],
        "No inspections registered.", " ".join(filter(None, notes)),
    )  # fmt: skip


def _length_note(shown: Sequence[InspectionFacts]) -> str:
    """What the figures in µm are, where there are any."""
    with_error = [job for job in shown if job.get("error_um") is not None]
    by_bounds = any(job.get("U_um") is None for job in with_error)
    return " ".join([ERROR_NOTE] * bool(with_error) + [BOUNDS_NOTE] * by_bounds)


def _revision_note(shown: Sequence[InspectionFacts]) -> str:
    """Because of what verdicts or figures are not those of revision 1, said once for all of one cause."""
    because = [
        f"{job['key']}: {job['revision_cause']}"
        for job in shown
        if (job.get("revision") or 1) > 1 and job.get("revision_cause")
    ]
    return " ".join(f"Revised, {words}." for words in grouped(because))


def _job(job: InspectionFacts, clock: Clock) -> tuple[str, ...]:
    error, U, share = job.get("error_um"), job.get("U_um"), job.get("share_of_tolerance")
    revision = f" (rev. {job['revision']})" if (job.get("revision") or 1) > 1 else ""
    return (
        job["key"],
        job["title"],
        clock.minute(job["from"]),
        clock.last(job["from"], job["to"]),
        job["verdict"] + revision,
        "" if error is None else f"{figure(error)} ± {figure(U)}" if U is not None else figure(error),
        "" if share is None else percent(share),
        "; ".join(map(decision_words, job.get("decisions", ()))) or "none needed",
    )


def _verdict_counts(jobs: Sequence[InspectionFacts]) -> str:
    if not jobs:
        return ""
    words = ("stable", "not stable", "not shown")
    counts = [(sum(job["verdict"] == w for job in jobs), w) for w in words]
    return f"{number_of(len(jobs), 'inspection')}: " + ", ".join(f"{n} {w}" for n, w in counts if n) + "."


def acts(facts: RecordFacts, zone: ZoneInfo) -> Table:
    """Acts about this time, with the time at which they were done."""
    shown, more = first_of(facts.get("acts", ()), MOST["acts"], lambda a: a["entry"], "latest", "acts.csv")
    act_clock = Clock({}, zone, [a["at"] for a in shown])
    clock = Clock(facts, zone, [t for a in shown for t in (a["about"]["from"], a["about"]["to"]) if t])
    rows = [
        (act_clock.minute(a["at"]), _about(a["about"], clock), a["what"], person_text(a, "who"))
        for a in shown
    ]
    heads = (act_clock.head("Done"), clock.head("About"), "Act", "Who")
    return table("Acts about this time, whenever they were done", heads, "llwl", rows, "None.", more)


def _about(about: ActIntervalFacts, clock: Clock) -> str:
    """An interval without its year, which the record's own names."""
    begin, until = _without_year(clock.minute(about["from"])), about["to"]
    if until is None:
        return f"{begin} on"
    end, last = clock.minute(until), clock.last(about["from"], until)
    if begin == _without_year(end):
        return begin
    return f"{begin[:11]}–{last}{begin[11:]}" if len(last) == 5 else f"{begin}–{_without_year(last)}"


def _without_year(text: str) -> str:
    """
    >>> _without_year("2026-10-25 02:30"), _without_year("10-25 02:30 +02:00")
    ('10-25 02:30', '10-25 02:30 +02:00')
    """
    return text[5:] if text[4] == "-" else text


def alarms(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Alarms in a sentence, and the acknowledgements and comments of people."""
    figures = facts.get("alarm_figures")
    spoken = [a for a in facts["alarms"] if a["why"]]
    shown, more = first_of(spoken, MOST["alarms"], lambda a: a["at"], "latest comments", "alarms.csv")
    clock = Clock(facts, zone)
    rows = [(clock.minute(a["at"]), a["alarm"], a["what"], person_text(a, "who"), a["why"]) for a in shown]
    heads = (clock.head("At"), "Alarm", "What", "Who", "Comment")
    raised, waited_s = (figures["raised"], figures["to_acknowledge_s"]) if figures else (0, None)
    words = f"{raised} alarm{'' if raised == 1 else 's'} raised"
    if waited_s is not None:
        words += f", median time to acknowledge {length(waited_s)}"
    sentence = f"{words}." if raised or facts["alarms"] else ""
    none = sentence or "No alarms."
    return table("Alarms and comments on them", heads, "llllw", rows, none, f"{sentence} {more}".strip())


def reviews(facts: JudgedFacts, zone: ZoneInfo) -> Table:
    """Who reviewed this time."""
    shown, more = first_of(facts["reviews"], MOST["reviews"], lambda r: r["at"], "latest", "record.json")
    rows = [
        (
            r["period"],
            person_text(r, "who"),
            at(r["at"], zone)[:16] + at(r["at"], zone)[-7:],
            "password" if r["signed"] else "name given",
            r["comment"],
        )
        for r in shown
    ]
    heads = ("Period", "Reviewed by", "At", "Signed by", "Remarks")
    return table("Reviews", heads, "llllw", rows, "Not reviewed at the time of issue.", more)


def people(facts: RecordFacts) -> Table:
    """Everybody who is named, with the roles of their account."""
    listed = facts.get("people", ())
    shown, more = first_of(listed, MOST["people"], lambda p: len(p["did"]), "most involved", "record.json")
    rows = [
        (p["person"], ", ".join(p["did"]), ", ".join(p["roles"]) or "no account: name given, not proven")
        for p in shown
    ]
    return table(
        "People and roles", ("Name", "In this record", "Roles of the account"), "lww", rows, "None.", more
    )
