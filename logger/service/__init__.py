"""The service: polls, stores, judges, alarms and notifies, day and night.

    bus threads ──rows──> writer ──> store <── judging loop ──> alarms ──> outbox ──> mail
                └─events─┘                      └─> heartbeat

Each part runs in a thread of its own and fails by itself: what goes wrong is an entry in the
journal, and the others go on.
"""

from .service import Service

__all__ = ["Service"]
