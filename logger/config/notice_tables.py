# ruff: noqa: RUF012 (pydantic copies the defaults of its models)
"""The tables of alarms.toml, key by key."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from .schema import Moment, NotNegative, Positive, Table, Tables, Text

Names = Annotated[list[Text], Field(min_length=1)]
ClockTime = Annotated[str, StringConstraints(pattern="^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Web = Annotated[str, StringConstraints(strip_whitespace=True, pattern="^https?://[^ ]+$")]


class AlarmsFile(Table):
    mail: Tables = {}
    webhook: Tables = {}
    command: Tables = {}
    chat: Tables = {}
    people: Tables = {}
    duty: Tables = {}
    notices: Tables | None = None
    alarms: Tables = {}


class MailTable(Table):
    host: Text
    port: Annotated[int, Field(gt=0, lt=65536)]
    sender: Text
    recipients: list[Text] = []
    tls: Literal["none", "starttls", "tls"] = "starttls"
    user: str = ""
    password_env: str = ""


class WebhookTable(Table):
    url: Web
    key_envs: Annotated[list[Text], Field(min_length=1, max_length=2)]
    timeout_s: Positive = 15.0


class CommandRouteTable(Table):
    arguments: Names
    timeout_s: Positive = 15.0


class ChatTable(Table):
    url_env: Text


class PersonTable(Table):
    name: Text
    address: Text
    temperature: Literal["degC", "degF"] = "degC"


class ShiftTable(Table):
    hours: Names
    people: Names


class AwayTable(Table):
    person: Text
    from_: Moment = Field(alias="from")
    to: Moment
    stand_in: Text


class DutyTable(Table):
    route: Text
    otherwise: Names
    shifts: list[ShiftTable] = []
    away: list[AwayTable] = []


class NoticesTable(Table):
    routes: Names | None = None
    gather_s: Annotated[int, Field(ge=0, le=600)] = 0
    quiet_hours: list[Text] = []
    pages: Web | Literal[""] = ""
    digest_at: ClockTime | None = None
    digest_routes: list[Text] = []
    proof_days: Annotated[int, Field(ge=1)] = 35
    disk_free_GB: NotNegative = 1.0
    common_causes: dict[Text, Names] = {}


class AlarmTable(Table):
    rule: Text
    priority: Literal["low", "medium", "high"]
    consequence: Text
    action: Text
    on_delay_s: Annotated[int, Field(ge=0)] = 300
    off_delay_s: Annotated[int, Field(ge=0)] = 300
    deadband_K: NotNegative | None = None
    deadband_percent_RH: NotNegative | None = None
    deadband_hPa: NotNegative | None = None
    deadband_ppm: NotNegative | None = None
    deadband_K_per_h: NotNegative | None = None
    deadband_K_per_m: NotNegative | None = None
    routes: Names = ["screen"]
    latching: bool = False
    hours: list[Text] = []
    in_hours_of_use: bool = False
    escalate_after_s: Annotated[int, Field(ge=0)] = 0
    escalate_to: list[Text] = []
    repeat_after_s: Annotated[int, Field(ge=0)] = 0
    can_wait: bool | None = None
    screen_alone: str = ""


ROUTES: dict[str, type[Table]] = {
    "mail": MailTable,
    "webhook": WebhookTable,
    "command": CommandRouteTable,
    "chat": ChatTable,
    "duty": DutyTable,
}
