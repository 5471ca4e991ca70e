"""alarms.toml to the model: alarms, ways out of the house, people and their calendar, and what is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date, tzinfo
from itertools import chain
from typing import Any

from ..errors import Fault
from ..formats.toml import Entry
from ..model import (
    AlarmSpec,
    Away,
    ChatRoute,
    CommandRoute,
    CommonCause,
    Config,
    Duty,
    HoursOfUse,
    MailRoute,
    NoticePlan,
    Person,
    Setup,
    Shift,
    WebhookRoute,
)
from . import notice_tables as of
from .moments import instant_ns, zone_of
from .tables import Tables, unknown
from .zones import WANTED_HOURS, weekly

_KEY_OF_UNIT = {
    "degC": "deadband_K",
    "K": "deadband_K",
    "%RH": "deadband_percent_RH",
    "Pa": "deadband_hPa",
    "ppm": "deadband_ppm",
    "K/h": "deadband_K_per_h",
    "K/m": "deadband_K_per_m",
}


def deadbands(table: of.AlarmTable) -> Mapping[str, float]:
    """Stated deadbands by key, as in {"deadband_K": 0.05}."""
    stated = {k: v for k, v in table.model_dump().items() if k.startswith("deadband_")}
    return {k: v for k, v in stated.items() if v is not None}


def alarms_of(tables: Tables) -> tuple[AlarmSpec, ...]:
    """The declared alarms, in the order of the files."""
    return tuple(_alarm(key, entry.value, tables) for key, entry in tables.alarms.items())


def _alarm(key: str, table: of.AlarmTable, tables: Tables) -> AlarmSpec:
    deadband = next(iter(deadbands(table).items()), ("", 0.0))
    pascals = 100.0 if deadband[0] == "deadband_hPa" else 1.0
    return AlarmSpec(
        key=key,
        rule=table.rule,
        priority=table.priority,
        consequence=table.consequence,
        action=table.action,
        on_delay_s=table.on_delay_s,
        off_delay_s=table.off_delay_s,
        deadband=deadband[1] * pascals,
        routes=tuple(table.routes),
        latching=table.latching,
        hours=_hours(table.hours, tables),
        in_hours_of_use=table.in_hours_of_use,
        escalate_after_s=table.escalate_after_s,
        escalate_to=tuple(table.escalate_to),
        repeat_after_s=table.repeat_after_s,
        can_wait=table.priority == "low" if table.can_wait is None else table.can_wait,
        screen_alone=table.screen_alone.strip(),
    )


def with_notices(config: Config, tables: Tables) -> Config:
    """The configuration with its ways, people, calendars and what holds for all notices."""
    routes = {key: entry.value for key, entry in tables.routes.items()}
    return replace(
        config,
        mail=tuple(_mail(k, t) for k, t in routes.items() if isinstance(t, of.MailTable)),
        ways=tuple(chain.from_iterable(_way(k, t) for k, t in routes.items())),
        people=tuple(
            Person(k, e.value.name, e.value.address, e.value.temperature) for k, e in tables.people.items()
        ),
        duties=tuple(_duty(k, t, tables) for k, t in routes.items() if isinstance(t, of.DutyTable)),
        notices=_plan(tables.notices.value, tables) if tables.notices else NoticePlan(),
    )


def _mail(key: str, table: of.MailTable) -> MailRoute:
    return MailRoute(
        key=key,
        host=table.host,
        port=table.port,
        sender=table.sender,
        recipients=tuple(table.recipients),
        tls=table.tls,
        user=table.user,
        password_env=table.password_env,
    )


def _way(key: str, table: object) -> Iterator[WebhookRoute | CommandRoute | ChatRoute]:
    if isinstance(table, of.WebhookTable):
        yield WebhookRoute(key, table.url, tuple(table.key_envs), table.timeout_s)
    elif isinstance(table, of.CommandRouteTable):
        yield CommandRoute(key, tuple(table.arguments), table.timeout_s)
    elif isinstance(table, of.ChatTable):
        yield ChatRoute(key, table.url_env)


def _duty(key: str, table: of.DutyTable, tables: Tables) -> Duty:
    shifts = [Shift(_hours(s.hours, tables) or HoursOfUse(()), tuple(s.people)) for s in table.shifts]
    zone = zone_of(tables)
    away = [Away(a.person, _ns(a.from_, zone), _ns(a.to, zone), a.stand_in) for a in table.away]
    return Duty(key, table.route, tuple(shifts), tuple(table.otherwise), tuple(away))


def _ns(moment: date, zone: tzinfo) -> int:
    try:
        return instant_ns(moment, zone)
    except ValueError:
        return 0  # told by `faults`


def _plan(table: of.NoticesTable, tables: Tables) -> NoticePlan:
    clock = None if table.digest_at is None else table.digest_at.split(":")
    return NoticePlan(
        routes=None if table.routes is None else tuple(table.routes),
        gather_s=table.gather_s,
        quiet=_hours(table.quiet_hours, tables, holidays=False),
        pages=table.pages.rstrip("/"),
        digest_at=None if clock is None else (int(clock[0]), int(clock[1])),
        digest_routes=tuple(table.digest_routes),
        proof_days=table.proof_days,
        disk_free_GB=table.disk_free_GB,
        common_causes=tuple(CommonCause(key, tuple(zones)) for key, zones in table.common_causes.items()),
    )


def _hours(texts: Iterable[str], tables: Tables, *, holidays: bool = True) -> HoursOfUse | None:
    """Hours as stated, with the room's holidays; None where none are."""
    every: list[tuple[int, int, int]] = []
    for text in texts:
        try:
            every += weekly(text)
        except ValueError:
            continue  # told by `faults`
    days = tables.room.value.holidays if tables.room and holidays else []
    return HoursOfUse(tuple(sorted(every)), tuple(sorted(d.isoformat() for d in days))) if every else None


def warnings(config: Config) -> Iterator[str]:
    """Alarms of high priority that no mail, hook, program or message carries out of the room."""
    for alarm in config.setup.alarms:
        beyond = {*alarm.routes, *(alarm.escalate_to if alarm.escalate_after_s else ())} - {"screen"}
        if alarm.priority == "high" and not beyond and not alarm.screen_alone:
            yield (
                f"alarms.toml: {alarm.key} has high priority and goes to the screen alone: nobody away from "
                "it is notified; name a mail route, a duty calendar or another route (`routes`), or state "
                "why the screen is enough (`screen_alone`)"
            )
    if config.notices.routes is not None and not {*config.notices.routes} - {"screen"}:
        yield (
            "alarms.toml: notices.routes names the screen alone: nobody away from it is notified of a silent "
            "probe, a full disk or a failed backup; name a mail route, a duty calendar or another route there"
        )


def faults(tables: Tables, setup: Setup) -> Iterator[Fault]:
    """What is wrong between the tables of alarms.toml."""
    ways = ["screen", *tables.names_of("route")]
    for entry in tables.alarms.values():
        yield from _rule(entry, tables, setup)
        yield from _unknown_names(entry, ("routes", "escalate_to"), ways, "route")
        yield from _of_hours(entry, "hours", entry.value.hours)
        if bool(entry.value.escalate_after_s) != bool(entry.value.escalate_to):
            expected = "both escalate_after_s and escalate_to, or neither"
            yield entry.fault("escalate_after_s", expected, f"{entry.value.escalate_after_s}")
    for key, route in tables.routes.items():
        yield from _of_route(key, route, tables)
    if tables.notices is not None:
        yield from _unknown_names(tables.notices, ("routes", "digest_routes"), ways, "route")
        yield from _of_hours(tables.notices, "quiet_hours", tables.notices.value.quiet_hours)
        yield from _of_common_causes(tables.notices, tables)


def _of_common_causes(entry: Entry[of.NoticesTable], tables: Tables) -> Iterator[Fault]:
    """Zones that exist, each in one common cause: two would leave open which of them an alarm joins."""
    cause_of: dict[str, str] = {}
    for key, zones in entry.value.common_causes.items():
        for zone in dict.fromkeys(zones):
            if zone not in tables.names_of("zone"):
                yield unknown(entry, "common_causes", zone, tables.names_of("zone"), "zone")
            elif zone in cause_of:
                yield entry.fault("common_causes", f"{zone} in one of them", f"in {cause_of[zone]} and {key}")
            cause_of[zone] = key


def _rule(entry: Entry[of.AlarmTable], tables: Tables, setup: Setup) -> Iterator[Fault]:
    rule, units = entry.value.rule, {rule.key: rule.unit for rule in setup.rules}
    if rule not in tables.names_of("rule"):
        yield unknown(entry, "rule", rule, tables.names_of("rule"), "rule")
    fitting = _KEY_OF_UNIT.get(units.get(rule, ""))
    for key in deadbands(entry.value):
        if rule in units and key != fitting:
            yield entry.fault(key, f"{fitting or 'no deadband'}, as {rule} is in {units[rule]}", key)


def _unknown_names(entry: Entry[Any], keys: Iterable[str], names: list[str], kind: str) -> Iterator[Fault]:
    for key in keys:
        for name in getattr(entry.value, key) or ():
            if name not in names:
                yield unknown(entry, key, name, names, kind)


def _of_hours(entry: Entry[Any], key: str, texts: Iterable[str]) -> Iterator[Fault]:
    for text in texts:
        try:
            weekly(text)
        except ValueError as error:
            yield entry.fault(key, WANTED_HOURS, str(error))


def _of_route(key: str, entry: Entry[Any], tables: Tables) -> Iterator[Fault]:
    table = entry.value
    if isinstance(table, of.DutyTable):
        yield from _of_duty(entry, tables)
    elif isinstance(table, of.MailTable) and not table.recipients:
        carries = [e.value.route for e in tables.routes.values() if isinstance(e.value, of.DutyTable)]
        if key not in carries:
            yield entry.fault("recipients", "at least one, or a [duty] table that uses this route", "none")


def _of_duty(entry: Entry[of.DutyTable], tables: Tables) -> Iterator[Fault]:
    table, people = entry.value, tables.names_of("person")
    mails = [k for k, e in tables.routes.items() if isinstance(e.value, of.MailTable)]
    if table.route not in tables.names_of("route") or (
        table.route in tables.routes and table.route not in mails
    ):
        yield unknown(entry, "route", table.route, mails, "mail route")
    recipients = chain(table.otherwise, *(s.people for s in table.shifts))
    for name in chain(recipients, *((a.person, a.stand_in) for a in table.away)):
        if name not in people:
            yield unknown(entry, "people", name, people, "person")
    for shift in table.shifts:
        yield from _of_hours(entry, "shifts", shift.hours)
    zone = zone_of(tables)
    for away in table.away:
        try:
            if instant_ns(away.from_, zone) >= instant_ns(away.to, zone):
                yield entry.fault("away", f"an end after {away.from_}", str(away.to))
        except ValueError as error:
            yield entry.fault("away", "a local time that occurs once", str(error))
