"""Files that are no certificate, and files made to do harm: a clear refusal, and nothing outside is read."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import CertificateRefused
from logger.formats.dcc import LARGEST_BYTES, Dcc, read
from tests.formats import certificates

LAUGHS = (
    '<!DOCTYPE lolz [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True))
    + "]>"
)
WHOLE = certificates.certificate()
BODY = WHOLE.split(b"?>", 1)[1]


def refused(content: bytes) -> str:
    with pytest.raises(CertificateRefused) as error:
        read(content, "bad.xml")
    return str(error.value)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "no whole XML document"),
        (b"%PDF-1.7 not XML", "no whole XML document"),
        (b"\xff\xfe\x00\x00\x01", "no whole XML document"),
        (WHOLE[: len(WHOLE) // 2], "no whole XML document"),
        (b"<html><body/></html>", "an XML document of 'html'"),
        (BODY.replace(b"https://ptb.de/dcc", b"https://example.org/dcc"), "an XML document of"),
        (BODY.replace(b'"3.2.1"', b'"2.4.0"'), "schema version 2.4.0"),
        (BODY.replace(b'"3.2.1"', b'"4.0.0"'), "schema version 4.0.0"),
        (BODY.replace(b'schemaVersion="3.2.1"', b""), "schema version not stated"),
        (BODY.replace(b"MADE-0411", b" "), "expected a unique identifier, found none"),
        (BODY.replace(b"2026-09-08</dcc:end", b"soon</dcc:end"), "a day such as 2026-10-01, found 'soon'"),
        (
            certificates.certificate(certificates.result()),
            "expected a table of temperature, relative humidity or pressure",
        ),
        (b"<a>" * 5000, "no whole XML document"),
        (b'<?xml version="1.0" encoding="no-such-thing"?>' + BODY, "no whole XML document"),
        (b" " * (LARGEST_BYTES + 1), "expected at most 8 MiB"),
    ],
    ids=["empty", "not XML", "bytes", "truncated", "wrong root", "wrong namespace", "2.4", "4.0",
         "no version", "no number", "no day", "no table", "deep", "unknown encoding", "too large"],
)  # fmt: skip
def test_what_is_no_certificate_is_told(content: bytes, expected: str) -> None:
    message = refused(content)
    assert message.startswith("bad.xml: expected ")
    assert expected in message


def test_billion_laughs_is_refused_at_once() -> None:
    laughing = LAUGHS.encode() + BODY.replace(b"MADE-0411", b"&j;")
    assert "a document type declaration" in refused(laughing)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_an_external_entity_reads_nothing(tmp_path: Path, encoding: str) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("of no one's business")
    head = f'<?xml version="1.0" encoding="{encoding}"?>'
    text = f'{head}<!DOCTYPE a [<!ENTITY x SYSTEM "{secret.as_uri()}">]>' + BODY.decode().replace(
        "MADE-0411", "&x;"
    )
    message = refused(text.encode(encoding))
    assert "a document type declaration" in message
    assert "business" not in message


def test_nothing_is_asked_of_the_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """An outer document type, an XInclude and a schema location lead to a port that stays silent."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.3)
        url = f"http://127.0.0.1:{server.getsockname()[1]}/dcc"
        assert "document type" in refused(f'<!DOCTYPE a SYSTEM "{url}.dtd">'.encode() + BODY)
        pointing = BODY.replace(
            b"schemaVersion=",
            'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
            'xmlns:xi="http://www.w3.org/2001/XInclude" '
            f'xsi:schemaLocation="https://ptb.de/dcc {url}.xsd" schemaVersion='.encode(),
        ).replace(b"<dcc:statements>", f'<xi:include href="{url}.xml"/><dcc:statements>'.encode())
        assert read(pointing, "pointing.xml").number == "MADE-0411"
        with pytest.raises(TimeoutError):
            server.accept()


@settings(max_examples=150)
@given(st.integers(0, len(WHOLE) - 1), st.binary(min_size=0, max_size=6))
def test_any_damage_is_refused_or_read(at: int, instead: bytes) -> None:
    """Whatever replaces a few bytes: a certificate, or a refusal that names the file; never another error."""
    damaged = WHOLE[:at] + instead + WHOLE[at + len(instead) + 1 :]
    try:
        assert isinstance(read(damaged, "bad.xml"), Dcc)
    except CertificateRefused as error:
        assert str(error).startswith("bad.xml: expected ")  # noqa: PT017 (both ends are right ends)
