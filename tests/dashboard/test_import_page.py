"""Page Import: a file is described, answered, looked at and imported; conflicts are decided there."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.data.queries import Queries
from dashboard.pages import imports
from dashboard.parts import import_desk as importing
from dashboard.parts.import_forms import NEW, axis_svg, preview_card, profile_from_answers, questions
from logger.acts.conflicts import disagreements
from logger.errors import ImportRefused, Refused
from logger.imports import Profile
from logger.imports.profile import Column
from logger.store.origin import ORIGIN, acting_through
from tests.dashboard.synthetic import NOW, Synthetic
from tests.imports.test_import_bombs import gzip_of, only_limited, resident

MINUTE = 60 * 10**9
ANSWERS = {"profile": NEW, "zone": "UTC", "channel 0": "P1.temperature", "unit 0": "degC", "name": "bay"}


def text_of(component: Any) -> str:
    """All words of a part of a page."""
    if isinstance(component, list | tuple):
        return " ".join(map(text_of, component))
    if component is None or isinstance(component, str | int | float):
        return "" if component is None else str(component)
    return text_of(getattr(component, "children", None)) + " " + str(getattr(component, "label", "") or "")


def logger_file(values: Callable[[int], float] = lambda n: 20 + n / 100) -> bytes:
    """Half an hour of minutes, long before the clock of the invented record."""
    from datetime import UTC, datetime

    first = NOW // MINUTE * MINUTE - 3000 * MINUTE
    stamps = [datetime.fromtimestamp((first + n * MINUTE) // 10**9, UTC) for n in range(30)]
    rows = [f"{at:%Y-%m-%d %H:%M:%S};{values(n):.2f}" for n, at in enumerate(stamps)]
    return ("time;bay\n" + "\n".join(rows) + "\n").replace(".", ",").encode()


@pytest.fixture
def desk() -> importing.Desk:
    return importing.Desk()


def put(desk: importing.Desk, content: bytes, name: str = "bay 1.csv") -> str:
    ticket = desk.uploads.announce(name, len(content), "greta")
    return desk.put(*desk.uploads.take(ticket, "greta", len(content), io.BytesIO(content)))


def opened(q: Queries, desk: importing.Desk, content: bytes, name: str = "bay 1.csv") -> Any:
    upload = desk.get(put(desk, content, name))
    importing.describe(upload, q.setup)
    return upload


def brought(q: Queries, upload: Any, answers: dict[str, str]) -> None:
    importing.try_out(upload, profile_from_answers(q, upload, answers), q.source.store, q.setup, q.now_ns())
    importing.bring_in(upload, q.source.store, q.setup, "Greta Holm", q.now_ns())


def test_a_file_is_asked_about_looked_at_and_imported(q: Queries, desk: importing.Desk) -> None:
    upload = opened(q, desk, logger_file())
    question_text = text_of(questions(q, upload))
    assert "In which time zone" in question_text
    assert "Column bay, such as 20,00: channel" in question_text
    importing.try_out(upload, profile_from_answers(q, upload, ANSWERS), q.source.store, q.setup, q.now_ns())
    assert q.source.store.imports.all() == []  # looking stores nothing
    text = text_of(preview_card(q, upload))
    assert "30 readings would be stored" in text
    assert "the decimal sign is a comma" in text
    assert "No gap." in text
    importing.bring_in(upload, q.source.store, q.setup, "Greta Holm", q.now_ns())
    assert upload.result is not None
    assert upload.result.stored == 30
    assert [f.name for f in q.source.store.imports.all()] == ["bay 1.csv"]


def test_the_next_file_of_a_source_is_read_by_the_answers_given_once(
    q: Queries, desk: importing.Desk
) -> None:
    brought(q, opened(q, desk, logger_file()), ANSWERS)
    second = opened(q, desk, logger_file(lambda n: 21.0), "bay 2.csv")
    chosen = next(part for part in walked(questions(q, second)) if getattr(part, "label", "") == "Profile")
    assert chosen.value == "bay"
    assert profile_from_answers(q, second, {"profile": "bay"}).zone == "UTC"


def walked(component: Any) -> Any:
    """Every part of a part of a page."""
    if isinstance(component, list | tuple):
        for each in component:
            yield from walked(each)
    elif hasattr(component, "children"):
        yield component
        yield from walked(component.children)
    elif component is not None:
        yield component


def test_conflicts_are_listed_with_their_files_and_decided(q: Queries, desk: importing.Desk) -> None:
    brought(q, opened(q, desk, logger_file(), "a.csv"), ANSWERS)
    brought(q, opened(q, desk, logger_file(lambda n: 22.5 if n < 3 else 20 + n / 100), "b.csv"), ANSWERS)
    text = text_of(imports._conflicts(q))
    assert "3 to decide" in text
    assert "a.csv" in text
    (source,) = {c.source for d in disagreements(q.source.store) for c in d.claims if c.file == "a.csv"}
    with pytest.raises(Refused, match="reason"):
        imports.decide_conflicts(q, "Greta Holm", "", f"keep {source}", "")
    message = imports.decide_conflicts(
        q, "Greta Holm", "P1.temperature", f"keep {source}", "b came from the wrong probe"
    )
    assert message.startswith("3 conflict")
    assert imports._conflicts(q) == []


def test_without_a_column_or_with_a_broken_file_nothing_goes_on(q: Queries, desk: importing.Desk) -> None:
    upload = opened(q, desk, logger_file())
    with pytest.raises(Refused, match="Assign at least one column"):
        profile_from_answers(q, upload, {"profile": NEW})
    with pytest.raises(Refused, match="upload incomplete"):
        desk.uploads.take(desk.uploads.announce("a.csv", 5, "greta"), "greta", 5, io.BytesIO(b"four"))
    with pytest.raises(ImportRefused):
        opened(q, desk, b"%PDF-1.7")
    with pytest.raises(Refused, match="Session expired"):
        desk.get("gone")


def test_old_files_leave_the_desk(q: Queries, desk: importing.Desk) -> None:
    keys = [put(desk, b"x") for _ in range(importing.MOST_FILES + 1)]
    with pytest.raises(Refused):
        desk.get(keys[0])
    last = desk.get(keys[-1]).path
    assert last.read_bytes() == b"x"
    assert len(list(last.parent.iterdir())) == importing.MOST_FILES


@pytest.mark.slow
@only_limited
def test_the_pages_never_hold_what_a_file_unpacks_to(q: Queries, desk: importing.Desk) -> None:
    """Packed files of a few kilobytes that unpack to gigabytes are read in the child: the process of the
    pages hardly grows, the sentence says why the file is refused, and the next file is read.
    """
    bomb = gzip_of(1 << 30)
    before = resident()
    with pytest.raises(ImportRefused, match="MiB unpacked"):
        opened(q, desk, bomb, "a.csv.gz")
    upload = desk.get(put(desk, bomb, "b.csv.gz"))
    profile = Profile("plain", ("time",), (Column("temperature", "P1.temperature", "degC"),), zone="UTC")
    with pytest.raises(ImportRefused, match="MiB unpacked"):
        importing.try_out(upload, profile, q.source.store, q.setup, q.now_ns())
    assert resident() - before < 60 << 20
    assert opened(q, desk, logger_file()).described is not None


def test_work_tells_a_refusal_and_does_one_thing_at_a_time(desk: importing.Desk) -> None:
    upload = desk.get(put(desk, b"x"))

    second: list[Any] = []

    def refuse(_: Any) -> None:
        importing.work(upload, second.append)
        raise Refused("no")

    importing.work(upload, refuse, wait_s=10)
    assert (upload.refused, upload.busy, upload.stage) == ("no", False, "")
    assert second == []


def test_the_page_and_its_callbacks_answer(record: Synthetic, q: Queries) -> None:
    """Through the application: upload, questions, look, import, as a browser asks for them."""
    from dashboard.app import create_app

    app = create_app(record.store.folder, source=record, now_ns=lambda: record.now)
    assert "Import a file" in text_of(imports.layout(q, ""))
    assert app.server.test_client().get("/import").status_code == 200


def test_the_axis_is_drawn_with_words_for_who_cannot_see_it(q: Queries, desk: importing.Desk) -> None:
    upload = opened(q, desk, logger_file())
    importing.try_out(upload, profile_from_answers(q, upload, ANSWERS), q.source.store, q.setup, q.now_ns())
    drawn = axis_svg(upload.tried[1].axes)
    assert 'aria-label="Time axis: P1 temperature: 30 readings, 0 gaps"' in drawn


def test_the_work_on_a_file_is_that_of_who_signed_in(tmp_path: Path) -> None:
    """It goes on in a thread, and the journal still knows the account."""
    ways: list[object] = []
    with acting_through(at="dashboard", account="op"):
        importing.work(
            importing.Upload("bay.csv", tmp_path / "bay.csv"), lambda _: ways.append(ORIGIN.get()), 10
        )
    assert ways == [{"at": "dashboard", "account": "op"}]
