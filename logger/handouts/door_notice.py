"""The notice for the door: what the three words ask for, all limits in force by activity, whom to call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from ..core.validity.hours_of_use import describe_hours
from ..instants import local
from ..model import Config, Reason, Rule, Setup, Verdict
from ..model.figures import limit_text
from ..model.words import medium_words
from ..record.marks import FILLS, LEVELS, PATTERNS, SOFT
from ..record.svg import drawing, element, path
from .code import base_address, code_svg
from .paper import compile_paper, frame

# What each verdict asks one to do, with the mark of the reason that is met most.
_STOP = "A limit is exceeded, or machine and parts are settling. Stop, note the part, wait until it is ready."
WORDS: tuple[tuple[Verdict, Reason, str], ...] = (
    ("stable", "conforming", "Every limit is kept, and the probes prove it. Measure."),
    ("not shown", "indeterminate", "Perhaps all is well, but the probes cannot prove it. Do not begin; ask."),
    ("not stable", "nonconforming", _STOP),
)

# Kind of limit, or "pair" -> what its name on the notice means.
MEANINGS: Mapping[str, str] = {
    "span": "Span: the highest less the lowest value of one probe within the time that is named.",
    "pair": "Gradient along the pair: the difference between two probes over the distance between them.",
}


def door_notice(config: Config, zones: Sequence[str], name: str, at_ns: int, *, simulated: bool) -> bytes:
    """The notice as PDF, a page of A4 for each zone; `name`: host of the pages for the code, or ""."""
    setup = config.setup
    pages = [_page(config, zone, name, at_ns) for zone in zones]
    words = frame(setup, "Notice", simulated=simulated) | {
        "zones": pages,
        "words": [{"word": w, "mark": f"{r}.svg", "text": t} for w, r, t in WORDS],
        "printed": f"Printed {_day(setup, at_ns)}; replace it when the setup changes.",
    }
    pictures = {f"{reason}.svg": _mark(verdict, reason).encode() for verdict, reason, _ in WORDS}
    codes = {page["code"]: code_svg(_address(name, page["key"])) for page in pages if page["code"]}
    return compile_paper("notice", words, at_ns, {**pictures, **codes})


def _mark(verdict: Verdict, reason: Reason) -> str:
    """A piece of the verdict trace: its place tells the verdict, as below every chart."""
    row = 10.0
    lines = "".join(path(f"M0 {(n + 1) * row:g}H54", SOFT, 0.5) for n in range(len(LEVELS)))
    box = element(
        "rect", x=0, y=LEVELS.index(verdict) * row + 1, width=54, height=row - 1, fill=FILLS[reason]
    )
    return drawing(54, len(LEVELS) * row + 1, PATTERNS + lines + box)


def _address(name: str, zone: str) -> str:
    return f"{base_address(name)}/?zone={zone}"


def _day(setup: Setup, at_ns: int) -> str:
    return local(at_ns, ZoneInfo(setup.room.timezone)).date().isoformat()


def _page(config: Config, key: str, name: str, at_ns: int) -> dict[str, Any]:
    setup = config.setup
    zone = setup.zone(key)
    rules = [r for r in setup.rules if r.zone == key and r.holds(at_ns)]
    activities = ["", *sorted({r.activity for r in rules if r.activity})]
    bodies = bool(zone.bodies)
    settling = "machine and parts settle by their own temperatures" if bodies else _hours(zone.settling_s)
    return {
        "key": key,
        "name": zone.name,
        "code": f"code-{key}.svg" if name else "",
        "activities": ["all work", *activities[1:]],
        "limits": _rows(rules, activities),
        "notes": [
            f"Settling after an excursion: {settling}.",
            f"Hours of use: {describe_hours(zone.hours_of_use)}.",
            *_explained(rules),
            "Basis: " + "; ".join(dict.fromkeys(r.basis for r in rules if r.basis)) + ".",
        ],
        "call": [f"{setup.room.custodian}, custodian", *_on_duty(config)],
    }


def _explained(rules: Sequence[Rule]) -> list[str]:
    """A sentence for each name of a limit on this page that does not say by itself what is compared."""
    pair = any(rule.kind == "gradient" and rule.direction == "pair" for rule in rules)
    kinds = [*dict.fromkeys(rule.kind for rule in rules), *(["pair"] if pair else [])]
    return [MEANINGS[kind] for kind in kinds if kind in MEANINGS]


def _hours(seconds: int) -> str:
    hours, rest = divmod(seconds, 3600)
    return f"{hours} h" + (f" {rest // 60} min" if rest else "")


def _on_duty(config: Config) -> list[str]:
    """People who are notified of alarms, by name; addresses stay in the setup."""
    return [p.name for p in config.people if p.name != config.setup.room.custodian]


def _rows(rules: Sequence[Rule], activities: Sequence[str]) -> list[list[str]]:
    """A row for each kind of limit: what is limited, then the limit for all work and for each activity."""
    by_name: dict[tuple[str, str], dict[str, list[str]]] = {}
    for rule in rules:
        cell = by_name.setdefault((rule_subject(rule), rule.name), {}).setdefault(rule.activity, [])
        cell.append(limits_text(rule))
    return [[subject, *_cells(cells, activities)] for (subject, _), cells in by_name.items()]


def _cells(cells: Mapping[str, Sequence[str]], activities: Sequence[str]) -> list[str]:
    general = "; ".join(cells.get("", ()))
    return [general or "–", *("; ".join(cells.get(a, ())) or general for a in activities[1:])]


def rule_subject(rule: Rule) -> str:
    """What a rule limits, as people call it, with the medium where it is not the air."""
    media = "" if rule.media == ("air",) else f" ({', '.join(map(medium_words, rule.media))})"
    quantity = rule.quantity.replace("_", " ")
    words = (
        rule.name
        if rule.quantity in ("", "temperature") or quantity in rule.name
        else f"{quantity}, {rule.name}"
    )
    return f"{words}{media}"


def limits_text(rule: Rule, temperature: str = "degC") -> str:
    """Both limits of a rule in the unit that people read; `temperature`: degC or degF, differences with it.

    >>> from logger.model import Rule
    >>> limits_text(Rule("a", "z", "limit", "temperature", "temperature", "degC", 19.5, 20.5, "b", 0))
    '19.5 to 20.5 °C'
    >>> limits_text(Rule("a", "z", "span", "span in 1 h", "temperature", "K", None, 0.5, "b", 0), "degF")
    'at most 0.9 °F'
    """
    lower, upper = (
        None if v is None else _limit(v, rule.unit, temperature) for v in (rule.lower, rule.upper)
    )
    if lower and upper:
        number, _, unit = lower.partition(" ")
        return f"{number} to {upper}" if upper.endswith(unit) else f"{lower} to {upper}"
    return f"at least {lower}" if lower else f"at most {upper}"


def _limit(value: float, unit: str, temperature: str) -> str:
    if temperature == "degF" and unit == "degC":
        return f"{round(value * 1.8 + 32, 6):g} °F".replace("-", "−")
    if temperature == "degF" and unit.split("/", maxsplit=1)[0] == "K":
        return f"{round(value * 1.8, 6):g} {unit.replace('K', '°F', 1)}".replace("-", "−")
    return limit_text(value, unit)
