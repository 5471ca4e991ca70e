"""Every path of the interface with its operations, for the description."""

from __future__ import annotations

from typing import Any

from ..model.roles import Scope
from .operations import body, interval, operation, paged, path, query, question, whole
from .schemas import problem_kind

_TEXT = {"type": "string"}
_LARGE = 10**18 - 1
FORMS = ("application/json", "text/csv", "text/plain", "application/xml")


def paths() -> dict[str, Any]:
    return {
        **_zone_paths(),
        **_excursion_paths(),
        **_inspection_paths(),
        **_reading_paths(),
        **_node_paths(),
        **_service_paths(),
        **_description_paths(),
    }


def _get_verdicts(
    ident: str, summary: str, text: str, answer: str, parameters: list[Any], **more: Any
) -> dict[str, Any]:
    return {"get": question(ident, "verdicts", Scope.VERDICTS, summary, text, answer, parameters, **more)}


def _zone_paths() -> dict[str, Any]:
    zone = path("zone", "Key of a zone")
    pre_window = query("pre_window_s", whole(0, 604800), "Seconds before the interval that are judged, too")
    activity = query("activity", _TEXT, "Judge by the limits of this activity")
    check = (
        "The same answer, with the same digest, as `stillroom check --json`: stable, not stable or not "
        "shown, with every reason, words for a certificate and a line for a report."
    )
    newest = "Not shown where the service has not judged the zone for three minutes."
    return {
        "/zones": _get_verdicts(
            "zones", "Every zone with its newest verdict", newest, "ZoneStates", paged()
        ),
        "/zones/{zone}": _get_verdicts(
            "zone", "One zone, its newest verdict and its limits", newest, "Zone", [zone], missing=True,
        ),
        "/zones/{zone}/verdict": _get_verdicts(
            "verdict", "Did the room support what was measured in this interval?", check, "Verdict",
            [zone, *interval(), pre_window, activity], missing=True,
        ),
    }  # fmt: skip


def _excursion_paths() -> dict[str, Any]:
    only = query("zone", _TEXT, "Only this zone")
    cases = (
        "Excursions of a zone that overlap or lie close together are one case, with a number where a "
        "decision is asked for. Without what people wrote and which inspections are affected."
    )
    events = (
        "Server-sent events. On connecting one `verdict` for each zone as it stands, so that nothing is "
        "missed by a reconnection; then `verdict` when a zone says something else, and `judged` for each "
        "further minute of the same. Every 15 s a comment. At most three streams; the next one gets 503 "
        "with Retry-After."
    )
    return {
        "/excursions": _get_verdicts(
            "excursions", "Excursions: times out of limits", "Oldest first.", "Excursions",
            [only, *interval(), *paged()], missing=True,
        ),
        "/cases": _get_verdicts(
            "cases", "Excursions gathered by event", cases, "Cases",
            [only, *interval(), *paged()], missing=True,
        ),
        "/cases/{number}": _get_verdicts(
            "case", "One case", "By its number; one that is continued in another gives that one.", "Case",
            [path("number", "Number of the case", whole(1, _LARGE))], missing=True,
        ),
        "/events": _get_verdicts(
            "events", "Verdicts as they change", events, "Events", [],
            types=("text/event-stream",), fresh=False,
        ),
    }  # fmt: skip


_JOBS, _SEES_JOBS = "inspections", Scope.INSPECTIONS
_IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "description": "A new text for each new request, such as a UUID",
    "schema": {
        "type": "string",
        "pattern": "^[ !#-~]{1,255}$",
        "examples": ["6c1f4b1e-4c52-4f59-9a0e-2d1f7f0b9f10"],
    },
}


def _inspection_paths() -> dict[str, Any]:
    key = path("key", "Key of the inspection")
    activity = query("activity", _TEXT, "By the limits of this activity")
    whole = "With every issue of its verdict, and where the verdict on its interval is asked for."
    ready = "What a person asks before the part is clamped; if not, when, if the room stays as it is."
    readiness = question(
        "readiness", _JOBS, _SEES_JOBS, "May an inspection begin now?", ready, "Readiness",
        [path("zone", "Key of a zone"), activity], missing=True,
    )  # fmt: skip
    whole_inspection = question(
        "inspection", _JOBS, _SEES_JOBS, "One inspection", whole, "WholeInspection", [key], missing=True
    )
    return {
        "/zones/{zone}/readiness": {"get": readiness},
        "/inspections": {"get": _inspection_list(), "post": _inspection_start()},
        "/inspections/{key}": {"get": whole_inspection},
        "/inspections/{key}/conditions": {"get": _inspection_conditions(key)},
        "/inspections/{key}/stop": {"post": _inspection_stop(key)},
    }


def _inspection_list() -> dict[str, Any]:
    states = {"type": "string", "enum": ["running", "over"]}
    span = [
        {**parameter, "required": False} for parameter in interval("changed after this", "begun before this")
    ]
    state = query("state", states, "Only those that run, or are over")
    return question(
        "inspections", _JOBS, _SEES_JOBS, "Inspections in order of their start", "", "Inspections",
        [query("zone", _TEXT, "Only this zone"), *span, state, *paged()], missing=True,
    )  # fmt: skip


def _inspection_start() -> dict[str, Any]:
    text = (
        "Registers a job in a zone. With a key of its own it can be sent again: 409 says that it is there, "
        "and where. Under an Idempotency-Key the first answer comes again, for 48 hours. Without either, "
        "the same body from the same token within ten minutes, while the inspection runs, is that "
        "inspection again: 200."
    )
    answers = {
        200: ("The same request began it before; it is not begun again.", "Inspection"),
        201: ("It is registered.", "Inspection"),
    }
    return operation(
        "startInspection", _JOBS, _SEES_JOBS, "An inspection begins now", text, answers=answers,
        refusals=(400, 404, 409, 413, 415, 422), headers=("Location",), parameters=[_IDEMPOTENCY_KEY],
        requestBody=body({"application/json": "Start"}),
    )  # fmt: skip


def _inspection_conditions(key: dict[str, Any]) -> dict[str, Any]:
    text = (
        "By the header Accept as JSON, as CSV with the columns name and value, as the line for a report, "
        "or as a fragment for a Digital Calibration Certificate: the bytes of `stillroom inspection "
        "conditions`. No bounds where the verdict is not shown. Written anew when the verdict is final: "
        "`provisional` says so."
    )
    return question(
        "conditions", _JOBS, _SEES_JOBS, "What the room was like during an inspection", text, "Conditions",
        [key], missing=True, types=FORMS, others=(406,),
    )  # fmt: skip


def _inspection_stop(key: dict[str, Any]) -> dict[str, Any]:
    over = "Its interval is what was between. One that is over stays as it is, and is answered the same way."
    return operation(
        "stopInspection", _JOBS, _SEES_JOBS, "An inspection ends now", over,
        answers={200: ("It is over.", "Inspection")}, refusals=(404, 413, 422), parameters=[key],
    )  # fmt: skip


def _reading_paths() -> dict[str, Any]:
    channel = path("channel", "Key of a channel, such as P1.temperature")

    def get(ident: str, summary: str, text: str, answer: str, parameters: list[Any], **more: Any) -> Any:
        return {"get": question(ident, "readings", Scope.VERDICTS, summary, text, answer, parameters, **more)}

    text = (
        "Each as indicated, corrected by the certificate in force at its instant, with U (k = 2) and its "
        "quality."
    )
    return {
        "/channels": get("channels", "Every channel of the setup in force", "", "Channels", paged()),
        "/channels/{channel}": get("channel", "One channel", "", "Channel", [channel], missing=True),
        "/channels/{channel}/readings": get(
            "readings", "Readings of a channel, oldest first", text, "Readings",
            [channel, *interval(), *paged(10_000, 1000)], missing=True,
        ),
    }  # fmt: skip


def _node_paths() -> dict[str, Any]:
    node = path("node", "Name of the node: that of the token")
    message = (
        "JSON or SenML (RFC 8428), as the setup declares it for the probes of this node. The same message "
        "under the same number again stores nothing and answers 200; another one under it is a conflict. "
        "The answer comes after the message is on the disk."
    )
    rows = (
        "In the order of its own numbers. The answer names the number that is expected next: rows that were "
        "there are passed over, and where some are missing before the first nothing is stored."
    )
    seq = path("seq", "Number of the message, by the node", whole(0, _LARGE))
    return {
        "/nodes/{node}/messages/{seq}": {
            "post": operation(
                "pushMessage", "nodes", Scope.READINGS, "Push one message of a node", message,
                answers={200: ("It is on the disk.", "Taken")}, refusals=(404, 409, 413, 415, 422),
                parameters=[node, seq],
                requestBody=body({"application/json": "Message", "application/senml+json": "Pack"}),
            )
        },
        "/nodes/{node}/rows": {
            "post": operation(
                "pushRows", "nodes", Scope.READINGS, "Push rows of another stillroom", rows,
                answers={200: ("They are on the disk.", "Next")}, refusals=(400, 404, 413, 415, 422),
                parameters=[node], requestBody=body({"application/json": "Rows"}),
            )
        },
    }  # fmt: skip


def _service_paths() -> dict[str, Any]:
    health = (
        "What page Health shows, each figure with its instant; and the head of the journal, which proves "
        "the record against later change once it has left the machine."
    )
    metrics = (
        "By the header Accept in OpenMetrics 1.0 or in the text format 0.0.4. No measured value is among "
        "them."
    )
    types = ("application/openmetrics-text", "text/plain")
    due = (
        "For calendar programs, which send no bearer token: over TLS the name of the token and the token "
        "as password."
    )
    calendar = question(
        "calendar", "service", Scope.CALENDAR, "What falls due, as a calendar (RFC 5545)", due,
            "Calendar", [],
        types=("text/calendar",),
    )  # fmt: skip
    return {
        "/health": {
            "get": question("health", "service", Scope.HEALTH, "Whether readings come in", health,
                "Health", [])
        },
        "/metrics": {
            "get": question("metrics", "service", Scope.HEALTH, "Metrics for programs that watch", metrics,
                        "Metrics", [], types=types)
        },
        "/calendar.ics": {"get": calendar | {"security": [{"token": []}, {"password": []}]}},
    }  # fmt: skip


def _description_paths() -> dict[str, Any]:
    kind = path("kind", "The last part of the type of a problem", problem_kind())
    meaning = {200: ("What it means and what to do.", "ProblemMeaning")}
    openapi = {200: ("OpenAPI 3.1.", "Description")}
    tag = "description"
    return {
        "/problems/{kind}": {
            "get": operation("problem", tag, "", "What a kind of problem means", "", answers=meaning,
                              refusals=(404, 422), fresh=True, parameters=[kind])
        },
        "/openapi.json": {
            "get": operation("description", tag, "", "This description", "", answers=openapi, refusals=(),
                              fresh=True)
        },
    }  # fmt: skip
