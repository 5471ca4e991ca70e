"""What is asked about zones: which there are, how they are now, whether one is ready, and of an interval."""

from __future__ import annotations

from typing import Any

from flask import Response

from ..errors import Refused
from ..inspections.assess import Question, assess
from ..inspections.case_record import CaseRecord
from ..inspections.cases import case_of, cases_in
from ..inspections.readiness import ready
from ..inspections.revisions import revise_assessment
from ..model import Excursion
from ..verdicts.zone_state import ZoneState, zone_states
from . import inputs
from .access import RecordAccess
from .answers import json_answer, page_answer
from .cursors import Place, page_of


class ZoneRoutes:
    """Zones, verdicts, excursions and cases."""

    def __init__(self, access: RecordAccess) -> None:
        self._access = access

    def zones(self) -> Response:
        """Every zone in use with its newest verdict."""
        after, limit = inputs.place(inputs.parameters("cursor", "limit"), 50, 1000)
        states = sorted(self._states(), key=_zone_place)
        return page_answer(page_of(states, _zone_place, after, limit), ZoneState.to_dict)

    def zone(self, zone: str) -> Response:
        """One zone with its newest verdict, its limits in force and its hours of use."""
        inputs.parameters()
        access = self._access
        settings, now_ns = access.setup.zone(zone), access.now_ns()
        states = {state.zone: state for state in self._states()}
        rules = [_rule(rule) for rule in access.setup.rules_of(zone) if rule.holds(now_ns)]
        state = states[zone].to_dict() if zone in states else None
        content = {
            "zone": zone,
            "name": settings.name,
            "state": state,
            "given_up": settings.to_ns is not None,
        }
        return json_answer(content | {"rules": rules})

    def _states(self) -> list[ZoneState]:
        access = self._access
        return zone_states(access.store, access.setup, access.now_ns())

    def readiness(self, zone: str) -> Response:
        """Whether an inspection may begin now; if not, when, if the room stays as it is."""
        activity = inputs.parameters("activity").get("activity", "")
        access = self._access
        access.setup.zone(zone)
        self._require_activity(zone, activity)
        with access.current.judging:
            return json_answer(ready(access.current.verdicts, zone, access.now_ns(), activity).to_dict())

    def verdict(self, zone: str) -> Response:
        """The check of an interval, as `stillroom check --json` answers it."""
        access = self._access
        query, now_ns = inputs.parameters("from", "to", "pre_window_s", "activity"), access.now_ns()
        access.setup.zone(zone)
        from_ns, to_ns = inputs.interval(query, access.zone_info, now_ns)
        pre_window_s = inputs.whole_number(query, "pre_window_s", 7 * 86400)
        activity = query.get("activity", "")
        self._require_activity(zone, activity)
        question = Question(zone, from_ns, to_ns, pre_window_s, activity)
        with access.current.judging:
            assessment = assess(access.current.verdicts, question, now_ns)
            revise_assessment(access.current.verdicts, assessment, now_ns, "http")
        notices = access.current.setup_notices
        return json_answer(assessment.to_dict() | ({"setup_notices": notices} if notices else {}))

    def _require_activity(self, zone: str, activity: str) -> None:
        """A misspelt activity would be judged by the general limits, which may be wider."""
        setups = self._access.setup.by_settings()
        activities = {r.activity for s in setups for r in s.rules if r.zone == zone and r.activity}
        if activity and activity not in activities:
            names = ", ".join(sorted(activities)) or "none"
            raise Refused(
                f"activity: expected one that a rule of zone {zone!r} is for ({names}), found "
                f"{activity[:80]!r}."
            )

    def excursions(self) -> Response:
        """Excursions: times out of limits, oldest first."""
        zone, span, after, limit = self._access.listed()
        with self._access.current.judging:
            runs = self._access.current.verdicts.excursions(zone, *span, self._access.now_ns())
        runs.sort(key=_run_place)
        return page_answer(page_of(runs, _run_place, after, limit), Excursion.to_dict)

    def cases(self) -> Response:
        """Excursions gathered by event, oldest first; no text of a person and no inspection."""
        zone, span, after, limit = self._access.listed()
        with self._access.current.judging:
            records = cases_in(self._access.current.verdicts, zone, *span, self._access.now_ns())
        records.sort(key=_case_place)
        return page_answer(page_of(records, _case_place, after, limit), CaseRecord.summary)

    def case(self, number: str) -> Response:
        """One case by its number."""
        inputs.parameters()
        with self._access.current.judging:
            record = case_of(self._access.current.verdicts, inputs.number(number), self._access.now_ns())
        return json_answer(record.summary())


def _rule(rule: Any) -> dict[str, Any]:
    return {
        name: getattr(rule, name) for name in ("key", "name", "kind", "quantity", "unit", "lower", "upper")
    } | {
        "activity": rule.activity,
        "basis": rule.basis,
    }


def _zone_place(state: ZoneState) -> Place:
    return 0, state.zone


def _run_place(run: Excursion) -> Place:
    return run.from_ns, f"{run.zone}/{run.rule}"


def _case_place(record: CaseRecord) -> Place:
    return record.case.from_ns, record.case.zone
