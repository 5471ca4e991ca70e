"""Versions of the schema, applied by Alembic from inside the program.

There is no alembic.ini: `migrate` hands Alembic this folder and an open connection, so that
an installed wheel migrates its own data folders. A new version is a further file in
`versions/`, its number in NEWEST, and the same change in `tables.py`; published files stay as they are.
"""

from __future__ import annotations

import re
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from logger.errors import StoreError

NEWEST = "0010"
VERSION = re.compile(r"\d{4}")


def version(conn: Connection) -> str | None:
    """Version of the schema in this database; None when it has none yet."""
    if not inspect(conn).has_table("alembic_version"):
        return None
    return conn.execute(text("SELECT version_num FROM alembic_version")).scalar()


def migrate(conn: Connection, to: str = NEWEST) -> None:
    """Bring the schema to NEWEST, or an older one, inside the caller's transaction: all of it or nothing."""
    schema = version(conn)
    if schema == to:
        return
    if schema is not None:
        refuse_newer(schema)
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.attributes["connection"] = conn
    command.upgrade(config, to)


def refuse_newer(schema: str, called: str = "The data folder") -> None:
    """StoreError where a newer program wrote the record: an older one leaves it alone."""
    if str(schema) > NEWEST:  # a damaged one may be no text
        raise StoreError(
            f"{called} was written by a newer stillroom (schema {schema}; this one knows {NEWEST}). "
            "Nothing was changed. Install the newer version to use it."
        )
