"""Closing a campaign: its states are mapped first, and the answer's digest goes into the journal."""

from __future__ import annotations

from ..acts.campaigns import PlannedCampaign, campaign_of, close_campaign
from ..errors import Refused
from ..verdicts.verdicts import Verdicts
from .run import run_study
from .study import Study, StudyRequest


def close_with_answer(
    verdicts: Verdicts, key: str, who: str, why: str, now_ns: int
) -> tuple[PlannedCampaign, Study]:
    """Map the states of a campaign and close it with the answer; Refused where there is nothing to map."""
    plan = campaign_of(verdicts.store, key)
    if plan.closed:
        raise Refused(f"Campaign {key!r} was closed by {plan.closed['who']}; nothing was changed.")
    if plan.running is not None or not plan.states:
        raise Refused(f"Campaign {key!r} cannot be closed: {plan.next_step}. Nothing was changed.")
    request = StudyRequest("map", plan.zone, "", 0, now_ns, {"campaign": key})
    study = run_study(verdicts, request, now_ns)
    return close_campaign(verdicts.store, key, who, why, {"map": study.digest}), study
