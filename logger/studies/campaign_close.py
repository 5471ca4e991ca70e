"""Closing a campaign: its states are mapped first, and the answer's digest goes into the journal."""

from __future__ import annotations

from ..acts.campaigns import PlannedCampaign, campaign_of, close_campaign
from ..errors import Refused
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .run import run_study
from .study import Study, StudyRequest


def close_with_answer(
    verdicts: Verdicts, key: str, who: str, why: str, now_ns: int
) -> tuple[PlannedCampaign, Study]:
    """Map the states of a campaign and close it with the answer; Refused where there is nothing to map."""
    plan = closable_campaign(verdicts.store, key)
    request = StudyRequest("map", plan.zone, "", 0, now_ns, {"campaign": key})
    study = run_study(verdicts, request, now_ns)
    return close_campaign(verdicts.store, key, who, why, {"map": study.digest}), study


def closable_campaign(store: Store, key: str) -> PlannedCampaign:
    """The campaign of a key; Refused where it is closed, goes on, or has no state to map."""
    plan = campaign_of(store, key)
    if plan.closed:
        raise Refused(f"Campaign {key!r} was closed by {plan.closed['who']}; nothing was changed.")
    if plan.running is not None or not plan.states:
        raise Refused(f"Campaign {key!r} cannot be closed: {plan.next_step}. Nothing was changed.")
    return plan


def close_with_digest(
    store: Store, plan: PlannedCampaign, who: str, why: str, digest: str
) -> PlannedCampaign:
    """Close a campaign with an answer that was computed elsewhere, over its phases as they stand in `plan`.

    Refused where a phase was added meanwhile: the answer does not know it.
    """
    if campaign_of(store, plan.key).phases != plan.phases:
        raise Refused(
            f"Campaign {plan.key!r} got another phase while its states were mapped. Close it again; nothing "
            "was changed."
        )
    return close_campaign(store, plan.key, who, why, {"map": digest})
