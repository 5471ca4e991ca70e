"""Who may do what: roles, acts, and the scopes of machines. Rules only; who is who is in `people.py`.

A person may hold several roles, as in a small laboratory; what takes two people takes two people
whatever roles they hold. Changing a room's limits and approving the change are in different hands.
Source of the separation: ISO/IEC 17025:2017, 6.2.6 (authorised tasks) and 7.11.3 a (protection from
unauthorised access); the assignment of acts to roles is common practice, no source.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterable
from enum import StrEnum

from ..errors import Refused
from .lookalikes import skeleton


def normalise_name(name: str) -> str:
    """A name in the form in which names are compared: case, spaces and invisible signs do not count.

    Letters are in Unicode NFKC, so that two encodings of one name are one person.

    >>> [normalise_name(name) for name in (" Greta  HOLM", "greta\u00a0hol\u200bm", "Rene\u0301")]
    ['greta holm', 'greta holm', 'ren\xe9']
    """
    visible = "".join(c for c in unicodedata.normalize("NFKC", name) if unicodedata.category(c) != "Cf")
    return " ".join(visible.split()).casefold()


def alike(first: str, second: str) -> bool:
    """Whether a reader takes two names for one: they differ in case, spaces or look-alike letters only.

    >>> alike("greta holm", "Greta  Holm"), alike("Gretа Holm", "Greta Holm"), alike("Greta H", "Greta K")
    (True, True, False)
    """
    return normalise_name(first) == normalise_name(second) or skeleton(first) == skeleton(second)


# Marks that turn the direction of text (Unicode Standard Annex 9, table 4) and the byte order mark: with
# them a name reads otherwise than it is stored.
_DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def unseen_sign(text: str) -> str:
    """The first control sign or mark of direction in a text, by name and number; "" where there is none.

    Line breaks and tabs may be.

    >>> unseen_sign("bay\u202e 1"), unseen_sign("Łukasz Żak")
    ('right-to-left override (U+202E)', '')
    """
    for sign in text:
        if sign in _DIRECTION or (unicodedata.category(sign) in {"Cc", "Cs"} and sign not in "\n\r\t"):
            return f"{unicodedata.name(sign, 'a control sign').lower()} (U+{ord(sign):04X})"
    return ""


def refuse_unseen(text: str, what: str) -> str:
    """The text; Refused where it holds a control sign or a mark of direction. Line breaks may be.

    >>> refuse_unseen("Łukasz Żak", "name")
    'Łukasz Żak'
    """
    if sign := unseen_sign(text):
        raise Refused(
            f"The {what} contains {sign}, which is invisible: enter it again without it. Nothing was changed."
        )
    return text


class Role(StrEnum):
    """Role of a person; a person may have several."""

    READER = "reader"
    OPERATOR = "operator"
    METROLOGIST = "metrologist"
    QUALITY = "quality"
    ADMINISTRATOR = "administrator"


class Act(StrEnum):
    """What a page, a callback or a route lets a person do; the text completes "may …"."""

    OVERVIEW = "see how all rooms of the group are"
    READ = "read the room"
    READ_INSPECTIONS = "read inspections and records"
    ACKNOWLEDGE = "acknowledge and shelve alarms"
    INSPECT = "start and stop inspections"
    STUDY = "run room studies"
    MARK = "mark intervals, import files and note what was seen"
    DECIDE = "decide on cases and affected inspections"
    PROPOSE = "propose limits, probes, certificates and corrections"
    APPROVE = "approve limits, corrections, disposals and new keys"
    ISSUE = "issue records"
    REVIEW = "sign that the record was reviewed"
    BACK_UP = "back up the record"
    ADMINISTER = "administer accounts"


class Scope(StrEnum):
    """What a machine may do with its token; nothing else, and never in a person's name."""

    READINGS = "readings"  # push readings of its own node
    VERDICTS = "verdicts"  # verdicts, excursions and readings; no inspection
    INSPECTIONS = "inspections"  # start, stop and read inspections
    HEALTH = "health"  # whether everything runs, as figures and as metrics
    CALENDAR = "calendar"  # what falls due


class Meaning(StrEnum):
    """What a signature says."""

    REVIEWED = "reviewed"
    APPROVED = "approved"
    ASSESSED = "assessed"


_R, _O, _M, _Q, _A = Role
MAY: dict[Act, frozenset[Role]] = {
    Act.OVERVIEW: frozenset(Role),  # of the group's own accounts; it shows states and no inspection
    Act.READ: frozenset(Role),
    Act.READ_INSPECTIONS: frozenset({_O, _M, _Q}),
    Act.ACKNOWLEDGE: frozenset({_O, _M, _Q}),
    Act.INSPECT: frozenset({_O, _M, _Q}),
    Act.STUDY: frozenset({_O, _M, _Q}),
    Act.MARK: frozenset({_O, _M, _Q}),
    Act.DECIDE: frozenset({_M, _Q}),
    Act.PROPOSE: frozenset({_M, _Q}),
    Act.APPROVE: frozenset({_Q}),
    Act.ISSUE: frozenset({_M, _Q}),
    Act.REVIEW: frozenset({_M, _Q}),
    Act.BACK_UP: frozenset({_M, _Q, _A}),
    Act.ADMINISTER: frozenset({_A}),
}
SIGNED_BY: dict[Meaning, Act] = {
    Meaning.REVIEWED: Act.REVIEW,
    Meaning.APPROVED: Act.APPROVE,
    Meaning.ASSESSED: Act.DECIDE,
}


def may(roles: Collection[Role], act: Act) -> bool:
    """Whether these roles together allow an act.

    >>> may({Role.OPERATOR}, Act.ACKNOWLEDGE), may({Role.OPERATOR}, Act.PROPOSE), may((), Act.READ)
    (True, False, False)
    """
    return bool(MAY[act].intersection(roles))


def only_reads(roles: Collection[Role]) -> bool:
    """Whether these roles can change nothing: such a session may stay on a screen by the door."""
    return not any(may(roles, act) for act in Act if act not in (Act.READ, Act.OVERVIEW))


def required_roles(act: Act) -> str:
    """The roles of which an act needs one, as a phrase.

    >>> required_roles(Act.APPROVE), required_roles(Act.PROPOSE)
    ('quality', 'metrologist or quality')
    >>> required_roles(Act.READ_INSPECTIONS)
    'operator, metrologist or quality'
    """
    *others, last = (role.value for role in Role if role in MAY[act])
    return f"{', '.join(others)} or {last}" if others else last


def refuse_unless(person: str, roles: Collection[Role], act: Act) -> None:
    """Refused, naming the roles that the act needs, unless one of these roles allows it."""
    if not may(roles, act):
        held_roles = ", ".join(role.value for role in Role if role in roles) or "no role"
        raise Refused(
            f"Nothing was changed: {person} ({held_roles}) may not {act.value}; that needs the role "
            f"{required_roles(act)}."
        )


def roles_of(names: Iterable[str]) -> frozenset[Role]:
    """Roles by name; Refused for an unknown name and for an empty list."""
    entered = {name.strip().casefold() for name in names if name.strip()}
    valid = {role.value for role in Role}
    if not entered or entered - valid:
        unknown = ", ".join(sorted(entered - valid)) or "none"
        raise Refused(f"role: expected one or more of {', '.join(Role)}, found {unknown}.")
    return frozenset(Role(name) for name in entered)


def scopes_of(names: Iterable[str]) -> frozenset[Scope]:
    """Scopes by name; Refused for an unknown name and for an empty list."""
    entered = {name.strip().casefold() for name in names if name.strip()}
    valid = {scope.value for scope in Scope}
    if not entered or entered - valid:
        unknown = ", ".join(sorted(entered - valid)) or "none"
        raise Refused(f"scope: expected one or more of {', '.join(Scope)}, found {unknown}.")
    return frozenset(Scope(name) for name in entered)
