"""Pages while the record cannot be read: a sentence and no verdict, and as before when it is back."""

from __future__ import annotations

from pathlib import Path

from dashboard.app import create_app


def test_a_record_that_is_gone_is_said_on_every_way_and_back_when_it_is_there(demo_copy: Path) -> None:
    server = create_app(demo_copy).server
    client = server.test_client()
    assert client.get("/").status_code == 200
    away = demo_copy.rename(demo_copy.with_name("unmounted"))
    page = client.get("/", headers={"Accept": "text/html"})
    assert page.status_code == 503
    assert "The record cannot be read now" in page.text
    assert str(demo_copy) in page.text
    assert "No verdict is shown" in page.text
    assert page.headers["Refresh"] == "15"
    assert "Traceback" not in page.text
    assert client.get("/_news", headers={"Accept": "application/json"}).status_code == 503
    elsewhere = client.get("/health", environ_base={"REMOTE_ADDR": "192.0.2.7"})
    assert elsewhere.status_code == 503
    assert str(demo_copy) not in elsewhere.text
    assert "The log of this program says why" in elsewhere.text
    with client.get("/assets/stillroom.css") as file:
        assert file.status_code == 200
    away.rename(demo_copy)
    assert client.get("/").status_code == 200
