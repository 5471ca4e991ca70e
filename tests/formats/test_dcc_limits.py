"""Certificates that ask for a great deal: named, refused with a sentence, and the next one is read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger import config
from logger.config import outside
from logger.errors import CertificateRefused, ConfigError, ImportRefused
from logger.processes.child_limits import LIMITED
from tests.formats import certificates

only_limited = pytest.mark.skipif(not LIMITED, reason="this system sets no limits")


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """One second of computing instead of thirty."""
    monkeypatch.setattr(outside, "_LIMITS", replace(outside._LIMITS, computing_s=1))
    outside.certificate_of.cache_clear()


def nested(depth: int, quantities: int) -> bytes:
    """Results inside results: each quantity of the innermost is met once for each way down, depth² times."""
    kinds = ("measurementResult", "result", "list")
    inner = certificates.quantity("basic_measuredValue", "<si:real/>") * quantities
    for kind in reversed(kinds):
        inner = f"<dcc:{kind}>" * depth + inner + f"</dcc:{kind}>" * depth
    head = certificates.certificate().split(b"<dcc:measurementResults>")[0]
    results = f"<dcc:measurementResults>{inner}</dcc:measurementResults>"
    return head + results.encode() + b"</dcc:digitalCalibrationCertificate>"


def bomb_in(tmp_path: Path) -> Path:
    path = tmp_path / "bomb.xml"
    path.write_bytes(nested(80, 4000))
    return path


@pytest.mark.slow
@only_limited
def test_nesting_that_takes_hours_is_refused_and_the_next_is_read(stillroom: Any, tmp_path: Path) -> None:
    """`confirm` ends with 2 and a sentence that says what to do; the whole certificate is read after it."""
    bomb = bomb_in(tmp_path)

    outcome = stillroom("confirm", bomb)

    assert outcome.returncode == 2
    assert (
        f"{bomb}: Reading this file takes longer than 1 s of computing. Nothing was changed" in outcome.stderr
    )
    assert "Traceback" not in outcome.stderr
    assert outside.certificate_of(certificates.certificate(), "good.xml").number == "MADE-0411"


@pytest.mark.slow
@only_limited
def test_in_a_setup_it_is_a_fault_of_its_file() -> None:
    """The setup is refused with the name of the certificate; the pages that checked it go on."""
    texts = {
        "certificates/a.xml": nested(80, 4000).decode(),
        "certificates/a.toml": f'dcc = "a.xml"\nsha256 = "{"0" * 64}"\n[[use]]\n'
        'channel = "P1.temperature"\nvalid_from = 2026-10-01\n',
    }
    with pytest.raises(ConfigError) as error:
        config.load_texts(texts)

    assert "certificates/a.xml" in str(error.value)
    assert "longer than 1 s of computing" in str(error.value)


@pytest.mark.slow
@only_limited
def test_memory_is_bounded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """7 MB of the smallest elements, a tree of several hundred MB."""
    monkeypatch.setattr(outside, "_LIMITS", replace(outside._LIMITS, memory=64 << 20, computing_s=20))
    results = b"<dcc:measurementResults>"
    many = certificates.certificate().replace(results, b"<a/>" * 1_700_000 + results)

    with pytest.raises(ImportRefused, match=r"needs more than 64 MiB of memory\. Nothing was changed"):
        outside.certificate_of(many, "many.xml")


def test_a_refusal_lists_ten_reasons_and_counts_the_others() -> None:
    """Thirty results that cannot be used make a sentence, not a page."""
    with pytest.raises(CertificateRefused) as error:
        outside.certificate_of(nested(5, 2), "x.xml")

    assert str(error.value).endswith("and 15 more")
    assert len(str(error.value)) < 1500
