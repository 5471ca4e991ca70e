"""What a database server says, as a sentence for a person: what, where, what to do."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import unquote, urlsplit

from sqlalchemy.exc import DBAPIError, OperationalError, SQLAlchemyError, TimeoutError

from ...errors import StoreError
from ..store_file import HotTable

BUSY_S = 30
TOO_LONG = "54000"  # program_limit_exceeded, of an index
WAITING = "A running service keeps its readings in memory meanwhile and stores them then."


@contextmanager
def plain_server_errors(table: HotTable) -> Iterator[None]:
    """Turn what the server or its driver says into a StoreError; the cause stays attached."""
    import psycopg

    try:
        yield
    except (DBAPIError, TimeoutError) as error:
        refusal = getattr(error, "orig", None) or error
        _refuse_long(table, refusal)
        raise server_error(table, refusal, error) if _is_ours(refusal) else error  # noqa: B904 (it has its cause)
    except psycopg.Error as error:
        _refuse_long(table, error)
        if not _is_ours(error):  # about one row: as SQLAlchemy would have said it
            raise DBAPIError.instance("", None, error, psycopg.Error) from error
        raise server_error(table, error) from OperationalError("", None, error)


def _refuse_long(table: HotTable, refusal: BaseException) -> None:
    """StoreError about one row, without a cause: the database itself can be used."""
    if getattr(refusal, "sqlstate", None) == TOO_LONG:
        message = " ".join(str(refusal).split()).partition(" DETAIL")[0]
        raise StoreError(
            f"{table.place}: a name of a channel, writer, boot or source is too long for a database server, "
            f"which takes 2,700 bytes: {message}. Nothing was changed. Shorten it; a record that holds one "
            "already stays in its folder."
        ) from None


def server_error(table: HotTable, refusal: BaseException, cause: SQLAlchemyError | None = None) -> StoreError:
    """The sentence for what a driver refusal."""
    diagnosis = getattr(refusal, "diag", None)  # without the line of our statement and its caret
    message = " ".join(str(getattr(diagnosis, "message_primary", None) or refusal).split())
    error = StoreError(
        f"{table.place} could not be used: {message.rstrip('.?')}. Nothing was changed. "
        f"{_remedy(message, getattr(refusal, 'sqlstate', None) or '', table)}"
    )
    error.__cause__ = cause or OperationalError("", None, refusal)
    return error


def _is_ours(refusal: BaseException) -> bool:
    """Whether it is about the server as a whole, not about one row or a mistake of the program."""
    import psycopg

    states = ("42501", "42P01", "25006", "3F000", "25P02")
    return (
        isinstance(refusal, psycopg.OperationalError | psycopg.InterfaceError | TimeoutError)
        or getattr(refusal, "sqlstate", None) in states
    )


def _password_remedy(table: HotTable) -> str:
    if table.password_file:
        return (
            f"Put the password of that role into the first line of {table.password_file}, which is read for "
            f"each new connection: nothing has to be started again. {WAITING}"
        )
    unset = "" if os.environ.get(table.password_env) else ", which is not set here"
    return (
        f"Put the password of that role into the environment variable {table.password_env}{unset}. Where the "
        "service runs, put it into its environment and start it again: readings that it still has in memory "
        "go into a file and are stored after the start. With `password_file` in store.toml a new password "
        "takes no restart. A role that is missing is refused by these words, too."
    )


def _connect_remedies(low: str, table: HotTable) -> tuple[tuple[bool, str], ...]:
    """For a role that the server lets in by its password and then refuses; such refusals carry no state."""
    address = urlsplit(table.database)
    role, database = unquote(address.username or "…"), unquote(address.path.lstrip("/")) or "…"
    ask = "As the administrator of the database: "
    grant = f'{ask}GRANT CONNECT ON DATABASE "{database}" TO "{role}". '
    return (
        ("pg_hba.conf" in low,
         "As the administrator of the server: let this role and this machine in by a line of pg_hba.conf. "),
        ("does not support ssl" in low or "certificate" in low,
         "Have the server offer TLS by a certificate that this machine trusts (`sslrootcert=FILE` in the "
         "address), or correct `sslmode` in the address. "),
        ("resolve host" in low or "translate host" in low,
         "Correct the host in the address, or have its name resolved on this machine. "),
        ("permission denied for database" in low, grant),
        ("not permitted to log in" in low, f'{ask}ALTER ROLE "{role}" LOGIN. '),
        ("too many connections for role" in low, f'{ask}ALTER ROLE "{role}" CONNECTION LIMIT 6, or more. '),
        ("too many connections for database" in low,
         f'{ask}ALTER DATABASE "{database}" CONNECTION LIMIT …: 6 for each room. '),
    )  # fmt: skip


def _remedy(message: str, state: str, table: HotTable) -> str:
    low = message.lower()
    role = unquote(urlsplit(table.database).username or "…")
    owner = f'ALTER SCHEMA "{table.schema_name}" OWNER TO "{role}"; REASSIGN OWNED BY … TO "{role}".'
    remedies = (
        *((fits, f"{remedy}{WAITING}") for fits, remedy in _connect_remedies(low, table)),
        (state[:2] == "28" or "authentication failed" in low or "no password supplied" in low
         or "password file" in low, _password_remedy(table)),
        (state == "3D000" or ("database" in low and "does not exist" in low),
         "Create it: CREATE DATABASE … TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'."),
        ("role" in low and "does not exist" in low, "Create that role, or correct `database` in store.toml."),
        (state == "42501", f"Give role {role} its schema and its tables: {owner} {WAITING}"),
        (state == "42P01",
         "This role sees no tables there: correct `schema` in store.toml, or give the role its schema back, "
         f"{owner} If they are gone, restore the newest backup. {WAITING}"),
        (state in ("25006", "55000") or "during recovery" in low,
         "It is a standby, which only reads: name the server that writes in store.toml. Where it is "
         "none, its administrator closed it to writers: ALTER ROLE … RESET default_transaction_read_only, or "
         f"the same of the database. {WAITING}"),
        (state == "57014", "Its administrator ended a statement there; try again. " + WAITING),
        (state == "55P03", f"Another program kept its turn for more than {BUSY_S} s; try again."),
        (state == "53300" or "too many clients" in low or "connection slots" in low,
         "Raise max_connections of the server: 6 for each room. " + WAITING),
        (state == "53100", "Free space on the disk of the server. " + WAITING),
    )  # fmt: skip
    for fits, remedy in remedies:
        if fits:
            return remedy
    return f"Check that the server runs and that this machine can reach it, and the host and port. {WAITING}"
