"""What the keys of store.toml mean, the file of a data folder whose parts lie elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

STORE: Mapping[str, Mapping[str, str]] = {
    "hot": {
        "database": "PostgreSQL database of the hot tier: `postgresql://USER@HOST:PORT/DATABASE`, "
        "without a password",
        "schema": "schema of this room there: a schema and a role of its own for each room",
        "password_env": "environment variable with the password; where it is not set, libpq's own ways hold, "
        "such as `~/.pgpass`",
    },
}
