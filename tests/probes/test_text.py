"""Lines of text as probes really write them: degree signs, and more lines than were asked for."""

from __future__ import annotations

import pytest

from logger.probes.ascii_line import AsciiLineDriver
from logger.probes.trial import text
from logger.probes.wiring import drivers

from .conftest import Device, line_to

DEGREES = r"T=(?P<t>-?\d+\.\d+) °C RH=(?P<rh>\d+\.\d+) %"


@pytest.mark.parametrize("sign", ["°".encode(), b"\xb0"], ids=["UTF-8", "one byte"])
def test_a_degree_sign_in_a_line_is_text_like_any_other(device: Device, sign: bytes) -> None:
    device.script = lambda _: [b"T=20.03 " + sign + b"C RH=47.8 %\r\n"]
    driver = AsciiLineDriver(line_to(device.wire.url, pattern=DEGREES))
    driver.open()
    assert [raw.value for raw in driver.read()] == [20.03, 47.8]
    driver.close()

    tried = text(line_to(device.wire.url), lines=1)
    (pattern,) = (line for line in tried.table if line.startswith("pattern"))
    again = AsciiLineDriver(
        line_to(device.wire.url, pattern=pattern.split("'")[1], channels={"v1": "t", "v2": "rh"})
    )
    again.open()
    assert [raw.value for raw in again.read()] == [20.03, 47.8]
    again.close()


def test_digits_of_other_scripts_are_no_number(device: Device) -> None:
    device.script = lambda _: ["T=٢٠.٠٣ RH=47.8\r\n".encode()]
    driver = AsciiLineDriver(line_to(device.wire.url))
    driver.open()
    assert {raw.status for raw in driver.read()} == {"garbage"}
    driver.close()


def test_what_a_probe_says_after_its_answer_is_not_the_answer_of_the_next(device: Device) -> None:
    """Two probes of one kind on a line: the first one answers twice, the second time late."""
    first, second = (line_to(device.wire.url, probe=f"P{n}", query=f"{n}?", timeout_s=0.5) for n in (1, 2))
    device.script = lambda question: (
        [b"T=20.01 RH=41.0\r\n", 0.002, b"T=20.01 RH=41.0\r\n"]
        if question == b"1?"
        else [b"T=20.02 RH=42.0\r\n"]
    )
    first_driver, second_driver = drivers([first, second])
    first_driver.open()
    for _ in range(5):
        assert [raw.value for raw in first_driver.read()] == [20.01, 41.0]
        assert [raw.value for raw in second_driver.read()] == [20.02, 42.0]
    first_driver.close()
