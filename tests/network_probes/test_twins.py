"""The simulated servers of the bench, read by the drivers: every value that comes is one that was shown."""

from __future__ import annotations

import pytest

from logger.bench import sources
from logger.simulation.network_twins import value_of

from .conftest import installed

LIBRARIES = {"opc-ua": "asyncua", "snmp": "pysnmp", "bacnet": "bacpypes3"}


@pytest.mark.slow
@pytest.mark.parametrize("kind", list(LIBRARIES))
def test_the_bench_polls_a_twin_and_counts_what_came(kind: str) -> None:
    installed(LIBRARIES[kind])
    figures = sources.run(kind, 1)
    assert figures.due > 0
    assert figures.good > 0
    assert figures.good % sources.VALUES == 0
    assert figures.lines()[0].startswith(f"{kind}: {figures.good} of ")


def test_no_two_values_of_a_twin_are_alike() -> None:
    shown = [value_of(place, turn) for place in range(sources.VALUES) for turn in range(10)]
    assert len({round(value, 6) for value in shown}) == len(shown)
