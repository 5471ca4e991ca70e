"""Links in mails: only ours, unchanged, not for ever."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import Refused
from logger.notify.links import LASTS_NS, Permit, link, read_permit, sign_permit

PERMIT = Permit("bay-air", 3, "annunciated", "Greta Holm", LASTS_NS)


def test_a_link_comes_back_as_it_was_made_until_its_time_is_over(tmp_path: Path) -> None:
    """Three days; the address stands before it."""
    address = link(tmp_path, "https://room-east.almtal.example", PERMIT)
    start, _, token = address.rpartition("/")

    assert start == "https://room-east.almtal.example/acknowledge"
    assert read_permit(tmp_path, token, LASTS_NS) == PERMIT
    with pytest.raises(Refused, match="too old"):
        read_permit(tmp_path, token, LASTS_NS + 1)


def test_another_room_cannot_make_one(tmp_path: Path) -> None:
    """Each data folder has its own key."""
    for name in ("east", "west"):
        (tmp_path / name).mkdir()

    with pytest.raises(Refused, match="not made by this room"):
        read_permit(tmp_path / "east", sign_permit(tmp_path / "west", PERMIT), 0)


@given(place=st.integers(0, 10**6), other=st.characters(codec="ascii"))
@settings(max_examples=150)
def test_a_changed_character_is_found(
    tmp_path_factory: pytest.TempPathFactory, place: int, other: str
) -> None:
    """Wherever it stands: refused, never a traceback, and never another alarm."""
    folder = tmp_path_factory.getbasetemp()
    token = sign_permit(folder, PERMIT)
    place %= len(token)
    changed = token[:place] + other + token[place + 1 :]

    try:
        assert read_permit(folder, changed, 0) == PERMIT
    except Refused:
        return
    # The last character of each part holds unused bits of base64.
    assert changed == token or place in (token.index(".") - 1, len(token) - 1)


@pytest.mark.parametrize("token", ["", ".", "a", "a.b", "é.ü", "!!.??", "A" * 5000, ". . ."])
def test_what_is_no_token_is_refused(tmp_path: Path, token: str) -> None:
    """Whatever a stranger sends."""
    with pytest.raises(Refused):
        read_permit(tmp_path, token, 0)
