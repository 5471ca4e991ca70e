"""The conditions statement of an interval, as the check of that interval has it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..verdicts.conditions import conditions_of as stated

if TYPE_CHECKING:
    from ..core.measurement.conditions import ConditionsStatement
    from ..verdicts.verdicts import Verdicts


def conditions(verdicts: Verdicts, zone: str, from_ns: int, to_ns: int, now_ns: int) -> ConditionsStatement:
    """The sentence for a certificate about [from, to); Refused where it is not shown."""
    before_s = verdicts.pre_window_s(zone, from_ns, to_ns, now_ns)
    judgement = verdicts.judgement(zone, from_ns - before_s * 10**9, to_ns, now_ns)
    return stated(verdicts, judgement, verdicts.check_judgement(judgement, from_ns, to_ns, before_s))
