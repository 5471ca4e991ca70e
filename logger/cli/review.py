"""Reviews of the record: the act itself, what is missing, and the year for the management review."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from ..instants import NS, parse, wall, wall_span
from ..model.figures import number_of, percent
from ..model.roles import Act
from .authority import account_of, proven
from .case_lines import hours
from .command_list import command_group
from .context import Session, open_session
from .options import DEFAULT_DATA, Config, Data, Json, Who, person
from .output import answer, duration, table
from .review_papers import handover, pages

if TYPE_CHECKING:
    from ..record.reviews import Review, Signer
    from ..store import Store

review = command_group("Reviews of a day, a week or a month: content, signature, what is missing.")
Label = Annotated[
    str, typer.Argument(metavar="PERIOD", help="A day 2026-10-19, a week 2026-W43 or a month 2026-10.")
]


def add_to(app: typer.Typer) -> None:
    review.command("pages")(pages)
    review.command("handover")(handover)
    app.add_typer(review, name="review")


@review.command("show")
def show(label: Label, *, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """What there is to review in a period: time by verdict, excursions, alarms still open.

    \b
    Example:
      stillroom review show 2026-W43
    """
    from ..record.reviews import review_content

    with open_session(data, config) as session:
        content = review_content(session.store, session.verdicts(), label, session.now_ns)
    answer(content, as_json, _review_lines(content, session.zone_info))


def _review_lines(content: dict[str, Any], zone: ZoneInfo) -> list[str]:
    words = ("stable", "not stable", "not shown")
    rows = [
        [
            z["zone"],
            *(duration(z["seconds"][w]) for w in words),
            duration(z["without_record_s"]),
            len(z["excursions"]),
        ]
        for z in content["zones"]
    ]
    heads = ("zone", *words, "without record", "excursions")
    waiting = [
        f"Alarm {a['alarm']}: {a['state']} since {wall(parse(a['since'], zone), zone)}."
        for a in content["alarms"]
    ]
    return [
        f"{content['period']}: {wall_span(parse(content['from'], zone), parse(content['to'], zone), zone)}.",
        "",
        *table(heads, rows),
        "",
        *waiting,
    ]


@review.command("sign")
def sign(
    label: Label,
    *,
    comment: Annotated[
        str, typer.Option("--comment", metavar="TEXT", help="Remarks: what was seen or done.")
    ] = "",
    account: Annotated[
        str,
        typer.Option("--account", metavar="NAME", help="Sign by this account; the same as --who."),
    ] = "",
    who: Who = "",
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """Sign that you reviewed a period; what was shown is stored with it. With accounts it is a signature by

    password; without, a name only, and marked as such.

    \b
    Example:
      stillroom review sign 2026-W43 --account holm --comment "door seal replaced"
    """
    from ..record.reviews import review as reviewed

    with open_session(data, config) as session:
        signer, name = _signer(session.store, account or who)
        signed_review = reviewed(
            session.store, session.verdicts(), label, name, comment, session.now_ns, signer
        )
    how = "signed with password" if signed_review.signed else "with the name only"
    answer(
        signed_review.to_dict(),
        as_json,
        [f"{label} reviewed by {signed_review.who}, {how}; journal entry {signed_review.number}."],
    )


def _signer(store: Store, who: str) -> tuple[Signer | None, str]:
    """By which account and password it is signed; a record without accounts has a name only."""
    from ..people import People
    from ..record.reviews import Signer

    people = People(store)
    if not people.in_use():
        return None, person(who)
    account = account_of(people, who, Act.REVIEW)
    return Signer(account.name, proven(people, account, Act.REVIEW)), account.person


@review.command("list")
def list_reviews(*, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Every review, and those that are missing.

    \b
    Example:
      stillroom review list
    """
    from ..record.reviews import missing, reviews

    with open_session(data, config) as session:
        rows = reviews(session.store)
        late = missing(session.store, session.setup, session.config.reviews, session.now_ns)
        lines = [_row(r, session) for r in rows]
    heads = ("period", "who", "at", "signed", "comment")
    head = f"{number_of(len(rows), 'review')}; {len(late) or 'none'} missing" + (
        f": {', '.join(late)}." if late else "."
    )
    answer(
        {"reviews": [r.to_dict() for r in rows], "missing": late}, as_json, [head, "", *table(heads, lines)]
    )


def _row(r: Review, session: Session) -> list[object]:
    signed = "with password" if r.signed else "name only"
    return [r.period, r.who, wall(r.at_ns, session.zone_info), signed, r.comment]


@review.command("year")
def year(
    number: Annotated[int | None, typer.Argument(metavar="YEAR", help="Default: this year.")] = None,
    *,
    action: Annotated[
        list[str],
        typer.Option("--action", metavar="DAY", help="Day of a corrective action; may be repeated."),
    ] = [],  # noqa: B006 (read, never changed)
    data: Data = DEFAULT_DATA,
    config: Config = None,
    as_json: Json = False,
) -> None:
    """The year for the management review: share of time stable by zone against the year before, hours
    lost by cause, causes that came back, and what corrective actions changed (30 days before and after).

    \b
    Example:
      stillroom review year 2026 --action 2026-09-14
    """
    from ..record.year import year as summed

    with open_session(data, config) as session:
        year_number = number or time.gmtime(session.now_ns // 10**9).tm_year
        summary = summed(
            session.store, session.verdicts(), year_number, action, session.now_ns, session.config.reviews
        )
    answer(summary, as_json, _year_lines(summary, session.zone_info))


def _year_lines(summary: dict[str, Any], zone: ZoneInfo) -> list[str]:
    def share(value: float | None) -> str:
        return "no record" if value is None else percent(value)

    shares = ("stable", "stable_year_before", "stable_in_use")
    counts = ("cases", "cases_year_before")
    zones = [[z["zone"], *(share(z[k]) for k in shares), *(z[k] for k in counts)] for z in summary["zones"]]
    heads = ("zone", "stable", "year before", "in hours of use", "cases in use", "year before")
    actions = [_action_row(a) for a in summary["actions"]]
    lines = [
        f"{summary['year']}, up to {wall(parse(summary['to'], zone), zone)}.",
        "",
        *table(heads, zones),
        "",
        *_cause_lines(summary),
    ]
    if summary["repeats"]:
        repeats = [[r["case"], r["zone"], wall(parse(r["from"], zone), zone)] for r in summary["repeats"]]
        lines += [
            "Third or later of its cause within 30 days:",
            *table(("case", "zone", "from"), repeats),
            "",
        ]
    if actions:
        before_after = ("action", "zone", "cases before", "after", "hours before", "after")
        lines += ["30 days before and after:", *table(before_after, actions), ""]
    return [*lines, f"{number_of(summary['reviews'], 'review')} made, {summary['reviews_missing']} missing."]


def _cause_lines(summary: dict[str, Any]) -> list[str]:
    """Hours not stable in use by cause; each minute counts once."""
    rows = [(c["cause"], str(c["cases"]), hours(c["lost_s"] * NS)) for c in summary["causes"]]
    rows.append(("no case", "", hours(summary["no_case_s"] * NS)))
    rows.append(("all", "", hours(summary["not_stable_in_use_s"] * NS)))
    return ["Not stable in hours of use:", *table(("cause", "cases", "h:min"), rows), ""]


def _action_row(a: dict[str, Any]) -> list[object]:
    lost = [f"{a[k]:.1f}" for k in ("before_h", "after_h")]
    return [a["day"], a["zone"], a["before"], a["after"], *lost]
