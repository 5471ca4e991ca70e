"""What the keys of store.toml mean, the file of a data folder whose parts lie elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

STORE: Mapping[str, Mapping[str, str]] = {
    "hot": {
        "database": "PostgreSQL database of the hot tier: `postgresql://USER@HOST:PORT/DATABASE`, "
        "without a password",
        "schema": "schema of this room there: a schema and a role of its own for each room",
        "password_env": "environment variable with the password; where it is not set, libpq's own rules "
        "apply, such as `~/.pgpass`",
        "password_file": "file whose first line is the password, as an absolute path; it goes before the "
        "environment variable and is read for each new connection: a changed password takes no restart",
    },
    "archive": {
        "at": "where sealed files are kept: an absolute path, or an address such as `s3://BUCKET/PREFIX`",
        "endpoint": "address of the object store, where `at` names a bucket of it",
        "copy": "folder for copies of sealed files, relative to the data folder, such as `archive`: charts "
        "and old verdicts read them; it may be deleted; empty: none",
    },
}
