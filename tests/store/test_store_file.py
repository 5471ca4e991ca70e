"""store.toml: what it says, its faults, and its change in one step."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.errors import ConfigError
from logger.store.store_file import FILE, hot_table, replace_table

GOOD = '[hot]\ndatabase = "postgresql://hall@db.example:5433/stillroom"\nschema = "hall-3"\n'


def test_a_folder_without_the_file_has_everything_itself(tmp_path: Path) -> None:
    assert hot_table(tmp_path) is None


def test_the_table_says_which_server_holds_the_hot_tier(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(GOOD)
    table = hot_table(tmp_path)
    assert table is not None
    assert (table.schema_name, table.password_env) == ("hall-3", "STILLROOM_DATABASE_PASSWORD")
    assert table.place == "schema hall-3 of db.example:5433/stillroom"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (GOOD.replace("hall@", "hall:pass1@"), "an address without the password"),
        (GOOD.replace("stillroom", "stillroom?password=pass1"), "an address without the password"),
        (GOOD.replace("postgresql:", "mysql:"), "an address such as postgresql://USER@HOST/DATABASE"),
        (GOOD.replace("/stillroom", ""), "an address such as postgresql://USER@HOST/DATABASE"),
        (GOOD.replace("hall@", ""), "an address with the role of this room, such as postgresql://hall_3@"),
        (GOOD.replace("5433", "54x3"), "an address whose port is a number up to 65535"),
        (GOOD.replace("5433", "65536"), "an address whose port is a number up to 65535"),
        (GOOD.replace("/stillroom", "/stillroom?name=x"), 'says: invalid URI query parameter: "name"'),
        (GOOD.replace("hall-3", "pg_hall"), "a schema of this room alone"),
        (GOOD.replace("hall-3", "Hall 3"), "a name of small letters"),
        (GOOD.replace("schema", "scheme"), "did you mean 'schema'?"),
        (GOOD.replace("[hot]", "[hott]"), "the unknown table 'hott'"),
        (GOOD.replace('"hall-3"', "3"), "expected text, found 3 (line 3)"),
        (
            GOOD + 'password_file = "hall-3.password"\n',
            "an absolute path, such as /etc/stillroom/hall-3.password",
        ),
        ("[hot\n", "a syntax error"),
        ("hot = 3\n", "expected a table, found 3"),
    ],
)
def test_a_fault_says_where_it_stands_and_what_to_enter(tmp_path: Path, text: str, sentence: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(ConfigError) as refused:
        hot_table(tmp_path)
    assert sentence in str(refused.value)
    assert f"{tmp_path / FILE}" in str(refused.value)
    assert "pass1" not in str(refused.value)


@pytest.mark.parametrize(
    "address",
    [
        "postgresql:///rooms?user=hall&host=/run/postgresql",
        "postgresql://hall@one.example:5432,two.example/rooms?target_session_attrs=read-write",
        "postgresql://hall@[2001:db8::7]:65535/rooms",
        "postgresql://hall@db.example:/rooms",
    ],
)
def test_every_address_that_names_a_role_and_a_database_is_taken(tmp_path: Path, address: str) -> None:
    (tmp_path / FILE).write_text(f'[hot]\ndatabase = "{address}"\nschema = "hall-3"\n')
    table = hot_table(tmp_path)
    assert table is not None
    assert table.database == address


def test_one_table_is_replaced_and_the_rest_of_the_file_stays(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(f'# by hand\n{GOOD}\n[later]  # another table\nkey = "[hot]"\n')
    replace_table(tmp_path, "hot", {"database": 'postgresql://x@h/"', "schema": "b"})
    text = (tmp_path / FILE).read_text()
    assert text.startswith("# by hand\n[later]  # another table\nkey = ")
    assert text.endswith('[hot]\ndatabase = "postgresql://x@h/\\""\nschema = "b"\n')
    replace_table(tmp_path, "hot", None)
    assert "[hot]\n" not in (tmp_path / FILE).read_text()
    assert "another table" in (tmp_path / FILE).read_text()
