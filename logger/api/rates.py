"""How often a token may ask: a bucket for each, which fills again steadily (IETF draft RateLimit headers)."""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from ..model import ApiPlan

MOST_BUCKETS = 1000


@dataclass(frozen=True)
class RateState:
    """What is left in a bucket: whole requests, and seconds until there is one more, or until it is full."""

    allowed: bool
    left: int
    wait_s: int
    full_s: int


class Rates:
    """Buckets by token. Safe from several threads."""

    def __init__(self, plan: ApiPlan, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._plan, self._clock_s = plan, clock_s
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()  # content, instant
        self._turn = threading.Lock()

    @property
    def policy(self) -> str:
        """The header RateLimit-Policy: requests at once, and seconds in which they come back."""
        window_s = max(1, round(self._plan.burst / self._plan.rate_per_s))
        return f'"token";q={self._plan.burst};w={window_s}'

    def take(self, token: str) -> RateState:
        """Take one request from the bucket of a token, where there is one."""
        plan = self._plan
        with self._turn:
            now_s = self._clock_s()
            content, at_s = self._buckets.pop(token, (float(plan.burst), now_s))
            content = min(float(plan.burst), content + max(0.0, now_s - at_s) * plan.rate_per_s)
            allowed = content >= 1.0
            content -= 1.0 if allowed else 0.0
            self._buckets[token] = content, now_s
            while len(self._buckets) > MOST_BUCKETS:
                self._buckets.popitem(last=False)
        wait_s = 0.0 if content >= 1.0 else (1.0 - content) / plan.rate_per_s
        full_s = (plan.burst - content) / plan.rate_per_s
        return RateState(allowed, math.floor(content), max(1, math.ceil(wait_s)), max(1, math.ceil(full_s)))

    def headers(self, state: RateState) -> dict[str, str]:
        """The headers of an answer: the policy, and what is left of it."""
        seconds = state.full_s if state.allowed else state.wait_s
        return {"RateLimit-Policy": self.policy, "RateLimit": f'"token";r={state.left};t={seconds}'}
