"""The kinds of problems that the interface answers with (RFC 9457): what each means and what helps.

The `type` of a problem is the path of its kind, which answers with these words.
"""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus


@dataclass(frozen=True)
class ProblemKind:
    """One kind: its name in the address, status, title, what it means and what to do."""

    name: str
    status: int
    title: str
    meaning: str
    remedy: str

    @property
    def address(self) -> str:
        """The `type` of such a problem: an absolute path, which answers with its meaning."""
        return f"/api/v1/problems/{self.name}"

    def to_dict(self) -> dict[str, str | int]:
        """Plain data, as its address answers."""
        return {
            "type": self.address,
            "title": self.title,
            "status": self.status,
            "meaning": self.meaning,
            "remedy": self.remedy,
        }


_LIST = (
    ProblemKind(
        "request-not-understood",
        HTTPStatus.BAD_REQUEST,
        "The request cannot be read",
        "What came is not HTTP as a server reads it.",
        "Send it again by a well-kept HTTP library.",
    ),
    ProblemKind(
        "body-not-understood",
        HTTPStatus.BAD_REQUEST,
        "The body is not JSON",
        "The body ends early, or is not JSON in UTF-8.",
        "Send the body as JSON. The detail names the first place that cannot be read.",
    ),
    ProblemKind(
        "token-missing",
        HTTPStatus.UNAUTHORIZED,
        "A token is missing",
        "The request has no bearer token, or one that this record does not have, or that was revoked or "
        "expired.",
        "Send `Authorization: Bearer TOKEN`. An administrator adds tokens by `stillroom user token add`.",
    ),
    ProblemKind(
        "scope-missing",
        HTTPStatus.FORBIDDEN,
        "The token lacks the scope",
        "The token may do other things than this.",
        "Use a token with the scope that the description of this path names.",
    ),
    ProblemKind(
        "other-node",
        HTTPStatus.FORBIDDEN,
        "The token is for another node",
        "A token that pushes readings speaks for the node of its own name and for the probes that it names.",
        "Push under the name of the token, or add a token for this node.",
    ),
    ProblemKind(
        "nothing-here",
        HTTPStatus.NOT_FOUND,
        "There is nothing at this address",
        "No path of the interface has this form.",
        "Look up the paths in /api/v1/openapi.json.",
    ),
    ProblemKind(
        "unknown-zone",
        HTTPStatus.NOT_FOUND,
        "There is no such zone",
        "The setup in force has no zone of this key.",
        "GET /api/v1/zones lists the zones.",
    ),
    ProblemKind(
        "unknown-channel",
        HTTPStatus.NOT_FOUND,
        "There is no such channel",
        "The setup in force has no channel of this key.",
        "GET /api/v1/channels lists the channels.",
    ),
    ProblemKind(
        "unknown-inspection",
        HTTPStatus.NOT_FOUND,
        "There is no such inspection",
        "No inspection of this key was started or registered.",
        "GET /api/v1/inspections lists the inspections.",
    ),
    ProblemKind(
        "unknown-case",
        HTTPStatus.NOT_FOUND,
        "There is no such case",
        "No case has this number.",
        "GET /api/v1/cases lists the cases of an interval.",
    ),
    ProblemKind(
        "unknown-node",
        HTTPStatus.NOT_FOUND,
        "There is no such node",
        "No probe of the setup in force is read by a node of this name.",
        "Compare the name with `node` in probes.toml.",
    ),
    ProblemKind(
        "method-not-allowed",
        HTTPStatus.METHOD_NOT_ALLOWED,
        "This path takes other methods",
        "The header `Allow` names the methods that it takes.",
        "Use one of those.",
    ),
    ProblemKind(
        "not-acceptable",
        HTTPStatus.NOT_ACCEPTABLE,
        "There is no such form",
        "None of the forms in the header `Accept` is one that this path can answer in.",
        "Ask for a form that the detail names.",
    ),
    ProblemKind(
        "inspection-exists",
        HTTPStatus.CONFLICT,
        "The inspection was started before",
        "An inspection of this key is there already. A repeated request whose first answer was lost ends "
        "here.",
        "Read it at the address in the member `inspection`, or give the new one another key.",
    ),
    ProblemKind(
        "message-exists",
        HTTPStatus.CONFLICT,
        "The number was used before",
        "Another message came under this number of this node. It stays as it was.",
        "Give each message a larger number than the one before.",
    ),
    ProblemKind(
        "body-too-large",
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
        "The body is too large",
        "A body has at most 1,000,000 bytes.",
        "Send it in parts.",
    ),
    ProblemKind(
        "media-type-unknown",
        HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
        "The body has another type",
        "The header `Content-Type` names a type that this path does not read.",
        "Send the type that the detail names.",
    ),
    ProblemKind(
        "body-does-not-fit",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "Fields of the body do not fit",
        "The body is JSON, but not what is expected here. Nothing was stored.",
        "The member `errors` lists every fault: where (a JSON pointer), what is expected, what was found.",
    ),
    ProblemKind(
        "parameter-unknown",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "A parameter is not one of this path",
        "Parameters are never passed over: a misspelt one would give another answer than was asked for.",
        "The detail lists the parameters of this path.",
    ),
    ProblemKind(
        "parameter-not-understood",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "A parameter cannot be read",
        "The parameter is there, but its value is none that this path reads.",
        "The detail says what is expected.",
    ),
    ProblemKind(
        "interval-not-understood",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The interval cannot be read",
        "`from` or `to` is missing, is not a time, has no offset from UTC, or `from` is not before `to`.",
        "Write both as in 2026-10-19T08:30:00Z or 2026-10-19T10:30:00+02:00, or as a day of the room.",
    ),
    ProblemKind(
        "interval-in-future",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The interval ends in the future",
        "Only what was recorded can be judged.",
        "Ask again when the interval is over.",
    ),
    ProblemKind(
        "interval-not-judgeable",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The interval cannot be judged",
        "It begins before the record of the zone, or lies in the minute that is not over yet.",
        "The detail says which, and what to ask instead.",
    ),
    ProblemKind(
        "cursor-not-understood",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The cursor cannot be read",
        "A cursor is taken as it came in `next`. This one was changed, or is of another list.",
        "Begin the list anew without a cursor, and follow `next`.",
    ),
    ProblemKind(
        "idempotency-key-reused",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The Idempotency-Key came before with another body",
        "A key stands for one request. Nothing was done.",
        "Make a new key for a new request; send the old key only with the old body.",
    ),
    ProblemKind(
        "work-stopped",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "Work is stopped in this zone",
        "A person stopped work in the zone, so that no inspection may begin there.",
        "Ask the person whom the detail names; work must be resumed first.",
    ),
    ProblemKind(
        "refused",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "It cannot be done",
        "The request was read and understood. Nothing was changed.",
        "The detail says why, and what to send instead.",
    ),
    ProblemKind(
        "too-many-requests",
        HTTPStatus.TOO_MANY_REQUESTS,
        "Too many requests",
        "This token asked more often than it may. Pushed readings are never slowed down.",
        "Wait for as many seconds as `Retry-After` says. `RateLimit` says how many requests are left.",
    ),
    ProblemKind(
        "too-many-streams",
        HTTPStatus.SERVICE_UNAVAILABLE,
        "Too many event streams",
        "Each stream takes a thread of the server, and as many as may be are open.",
        "Try again after `Retry-After`, or poll the verdict with `If-None-Match`.",
    ),
    ProblemKind(
        "record-busy",
        HTTPStatus.SERVICE_UNAVAILABLE,
        "The record cannot be used just now",
        "The disk, the folder or the database did not answer. What was sent is not stored.",
        "Send it again after `Retry-After`. An administrator finds the cause in the log.",
    ),
)
KINDS = {kind.name: kind for kind in _LIST}
# The kind of a refusal that Flask or the server gives before our own code runs.
OF_STATUS = {
    400: "request-not-understood",
    401: "token-missing",
    403: "scope-missing",
    404: "nothing-here",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "body-too-large",
    415: "media-type-unknown",
    429: "too-many-requests",
    503: "record-busy",
}
