"""Page Probes says how a probe is reached, and where its network proves nothing."""

from __future__ import annotations

import pytest

from dashboard.data.queries import Queries
from dashboard.parts.connection import NOT_REACHED, connection_card
from logger.model import Line, PluginLine
from logger.probes.registry import kind_named


def test_a_connection_without_security_says_so(q: Queries, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever signs a record must know that the values could be forged on their way."""
    table = kind_named("snmp").table.model_validate(
        {
            "kind": "snmp",
            "url": "snmp://192.0.2.42:161",
            "oids": {"temperature": {"oid": "1.3.6.1.4.1.99999.1.1.0"}},
            "version": "2c",
            "community_env": "ROOM_SNMP_C",
        }
    )
    line = PluginLine("P1", "snmp", table, {"temperature": "P1.temperature"}, "snmp://192.0.2.42:161", 30.0)
    lines: tuple[Line, ...] = (line,)
    monkeypatch.setattr(q.source.keeping, "lines", lambda: lines)

    card = str(connection_card(q, "P1"))
    assert "Kind “snmp” at snmp://192.0.2.42:161, every 30 s." in card
    assert "Probe P1: SNMP version 2c: whoever is on that network" in card
    assert NOT_REACHED in str(connection_card(q, "P2"))


def test_the_connection_in_force_stands_on_the_page(q: Queries) -> None:
    """From the setup that was approved last."""
    line = next(line for line in q.source.keeping.lines() if line.probe == "P1")
    assert f"every {line.interval_s:g} s" in str(connection_card(q, "P1"))
