"""A large file inside a record is exchanged for its stand-in: whole for other readers, or not at all."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from logger.record import attachment, pdf
from logger.record.attachment import exchange, stand_in

from .conftest import Room, tool


def issued(room: Room, out: Path) -> Path:
    room.issue(out)
    return next(out.glob("*.pdf"))


@pytest.mark.slow
def test_exchanged_files_are_those_beside_the_record(
    room: Room, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings, facts and tables: bytes by pikepdf and pdfdetach, offsets by qpdf, the same pages."""
    import pikepdf

    plain = issued(room, tmp_path / "plain")
    monkeypatch.setattr(pdf, "LEAST_BYTES", 400)
    exchanged = issued(room, tmp_path / "exchanged")

    code, answer = tool("qpdf", "--check", exchanged)
    assert (code, "No syntax or stream encoding errors found" in answer) == (0, True), answer
    with pikepdf.open(exchanged) as doc:
        for name in ("readings.csv", "record.json", "periods.csv", "excursions.csv"):
            stem = exchanged.with_suffix("")
            beside = stem.with_suffix(".json") if name == "record.json" else Path(f"{stem}-{name}")
            inside = doc.attachments[name].get_file()
            assert inside.read_bytes() == beside.read_bytes(), name
            assert inside.size == beside.stat().st_size
    detached = tmp_path / "readings.csv"
    assert tool("pdfdetach", "-savefile", "readings.csv", "-o", detached, exchanged)[0] == 0
    assert detached.read_bytes() == next((tmp_path / "exchanged").glob("*-readings.csv")).read_bytes()
    pages = [tool("pdftotext", "-layout", path, "-")[1].splitlines()[5:30] for path in (plain, exchanged)]
    assert pages[1] == pages[0]


def small_pdf(*files: bytes) -> bytes:
    """A PDF of one page with files attached, as the typesetter writes it."""
    import typst

    attach = "".join(f'#pdf.attach("f{n}.csv", mime-type: "text/csv")\n' for n in range(len(files)))
    sources = {"main.typ": f"{attach}words".encode(), **{f"f{n}.csv": f for n, f in enumerate(files)}}
    return bytes(typst.compile(sources))


def test_only_the_file_of_its_own_digest_is_exchanged() -> None:
    """Of two stand-ins one is exchanged, in the middle of the file; the other stays what it was."""
    import zlib

    import pikepdf

    first, second = b"a,1\n" * 5000, b"b,2\n" * 9000
    written = small_pdf(stand_in("f0.csv", first), stand_in("f1.csv", second))
    both = exchange(written, stand_in("f0.csv", first), first, zlib.compress(first))
    assert both is not None
    with pikepdf.open(io.BytesIO(both)) as doc:
        assert doc.attachments["f0.csv"].get_file().read_bytes() == first
        assert doc.attachments["f1.csv"].get_file().read_bytes() == stand_in("f1.csv", second)
    assert stand_in("f0.csv", first) != stand_in("f1.csv", second)


@pytest.mark.parametrize("cut", [b"\nxref\n", b"/Type/EmbeddedFile"])
def test_another_layout_is_left_alone(cut: bytes) -> None:
    """Without the table of offsets, or the object, nothing is exchanged: it is attached by the typesetter."""
    content = b"a,1\n" * 5000
    written = small_pdf(stand_in("f0.csv", content)).replace(cut, b"\n" + b"x" * (len(cut) - 2) + b"\n")
    assert exchange(written, stand_in("f0.csv", content), content, b"") is None


def test_a_record_is_whole_where_nothing_can_be_exchanged(monkeypatch: pytest.MonkeyPatch) -> None:
    """The layout is asked for once; then all is attached in the usual way."""
    calls: list[int] = []

    def compiled(_facts: object, _pictures: object, attachments: dict[str, bytes]) -> bytes:
        calls.append(len(attachments["readings.csv"]))
        return small_pdf(*attachments.values()).replace(b"\nxref\n", b"\nXREF\n")

    monkeypatch.setattr(pdf, "_compiled", compiled)
    pdf.compile_pdf({}, {}, {"readings.csv": b"a" * attachment.LEAST_BYTES})  # type: ignore[typeddict-item]
    assert calls[-1] == attachment.LEAST_BYTES
    assert len(calls) == 2
