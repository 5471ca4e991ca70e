"""Sealed files in an object store, by fsspec: whole objects, put once, never renamed, never appended to."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from inspect import signature
from pathlib import Path
from typing import Any, TypeVar

from ...errors import ArchiveAway, Refused
from ...processes.deadline import within
from ...processes.waits import waiting_for

T = TypeVar("T")

CONNECT_S, READ_S = 10, 15
ENDS_IN_S = 90.0  # the whole of one question, also where a store drips
SLOW_S = 5.0  # a failure that took so long is not waited for again
REST_S = 30.0  # before a store that did not answer is tried once more
_INSTALL = "Install it beside the program: pip install 'stillroom[group]'."


class ObjectPlace:
    """Objects below one address, such as s3://measuring/hall-3. Its account comes from the environment."""

    def __init__(self, address: str, endpoint: str = "") -> None:
        self.address = address.rstrip("/")
        self._endpoint = endpoint
        self._silence: tuple[float, str] = (0.0, "")  # until when it is not tried again, and why
        self._system, self._root = _file_system(self.address, endpoint)

    def path(self, name: str) -> Path | None:
        """None: an object is fetched whole."""
        del name
        return None

    def put(self, name: str, source: Path) -> None:
        """Store an object; FileExistsError where there is one of that name.

        Looked at before, and where the store knows such a condition it is put only if none is there: two
        that put at the same time cannot both succeed. The caller gets the object and compares.
        """
        if self.holds(name):
            raise FileExistsError(f"{self.address}/{name}")
        content = source.read_bytes()
        self._ask(
            name,
            lambda: self._system.pipe_file(self._object(name), content, mode="create"),
            missing_is_fault=True,
        )

    def get(self, name: str) -> bytes:
        """All bytes of an object; FileNotFoundError where there is none."""
        return bytes(self._ask(name, lambda: self._system.cat_file(self._object(name))))

    def holds(self, name: str) -> bool:
        """Whether there is an object of that name."""
        try:
            self._ask(name, lambda: self._system.info(self._object(name)))
        except FileNotFoundError:
            return False
        return True

    def names(self) -> list[str]:
        """Every name, sorted: the whole prefix is listed."""
        paths = self._ask("", lambda: self._system.find(self._root), missing_is_fault=True)
        return sorted(path.lstrip("/").removeprefix(f"{self._root.lstrip('/')}/") for path in paths)

    def remove(self, name: str) -> None:
        """Let go of an object."""
        try:
            self._ask(name, lambda: self._system.rm_file(self._object(name)))
        except FileNotFoundError:
            return

    def free(self) -> int | None:
        """None: an object store does not say."""
        return None

    def _object(self, name: str) -> str:
        return f"{self._root}/{name}"

    def _ask(self, name: str, work: Callable[[], T], *, missing_is_fault: bool = False) -> T:
        """What the store answers, by a deadline; ArchiveAway in words, and a missing object as it is.

        A store that takes connections and says nothing is not asked again for a while: who comes then has the
        sentence at once.
        """
        rests_until, why = self._silence
        if time.monotonic() < rests_until:
            raise ArchiveAway(why)
        begun_s = time.monotonic()
        try:
            with waiting_for(f"the object store {self.address}"):
                answer = within(ENDS_IN_S, f"the object store {self.address}", lambda _: work())
        except FileExistsError:
            raise
        except _faults() as error:
            missing = isinstance(error, FileNotFoundError)
            if missing and not _is_of_bucket(error) and not missing_is_fault:
                raise
            sentence = self._sentence(name, error)
            if time.monotonic() - begun_s >= SLOW_S:
                self._silence = (time.monotonic() + REST_S, self._sentence("", error))
            raise ArchiveAway(sentence) from error
        return answer

    def _sentence(self, name: str, error: BaseException) -> str:
        what = f"{self.address}/{name}" if name else self.address
        at = f" at {self._endpoint}" if self._endpoint else ""
        if isinstance(error, FileNotFoundError):
            return (
                f"{what}: the object store{at} has no such bucket: {error}. Create it, or correct "
                "`at` under [archive] in store.toml."
            )
        if isinstance(error, PermissionError):
            return (
                f"{what}: the object store{at} refuses this account: {error}. It must be allowed to list, "
                "read and write objects there, and to delete them where sealed files are to be disposed of."
            )
        if "Credentials" in type(error).__name__:
            return (
                f"{what}: no account for the object store{at}: {error}. Give it to the service in its "
                "environment (AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY for s3://)."
            )
        return (
            f"{what}: the object store{at} does not answer: {error}. Check that it runs and can be "
            "reached, and that `at` and `endpoint` under [archive] in store.toml are right."
        )


def _is_of_bucket(error: BaseException) -> bool:
    """Whether not the object alone is missing, but the bucket that it is to be in."""
    response = getattr(error.__cause__, "response", {})
    return bool(response.get("Error", {}).get("Code") == "NoSuchBucket")


def _faults() -> tuple[type[BaseException], ...]:
    """What a file system of fsspec may raise: errors of the system, and those of its libraries."""
    own = (
        ("botocore.exceptions", "BotoCoreError"),
        ("botocore.exceptions", "ClientError"),
        ("aiohttp", "ClientError"),
    )
    loaded = [getattr(sys.modules[module], name) for module, name in own if module in sys.modules]
    return (OSError, ValueError, *loaded)


def _refuse_more_than_address(kind: Any) -> None:
    """ValueError for a kind of place whose library needs facts beside the address, such as a host."""
    parameters = list(signature(kind.__init__).parameters.values())[1:]
    named = [
        p.name for p in parameters if p.default is p.empty and p.kind not in (p.VAR_POSITIONAL, p.VAR_KEYWORD)
    ]
    if named:
        raise ValueError(
            f"a place of this kind needs {', '.join(named)} as well. Mount it as a folder instead"
        )


def _file_system(address: str, endpoint: str) -> tuple[Any, str]:
    scheme = address.partition("://")[0]
    try:
        import fsspec
    except ImportError:
        raise Refused(f"{address}: the library fsspec is not installed. {_INSTALL}") from None
    options: dict[str, Any] = {"use_listings_cache": False, "skip_instance_cache": True}
    if scheme == "s3":
        limits = {"connect_timeout": CONNECT_S, "read_timeout": READ_S, "retries": {"total_max_attempts": 2}}
        options |= {"config_kwargs": limits, **({"endpoint_url": endpoint} if endpoint else {})}
    try:
        _refuse_more_than_address(fsspec.get_filesystem_class(scheme))
        system = fsspec.filesystem(scheme, **options)
        if scheme == "s3":
            system.retries = 1  # beside those of its library: five times each would be a quarter of an hour
        return system, str(system._strip_protocol(address)).rstrip("/")
    except ImportError as error:
        raise Refused(f"{address}: no library for {scheme}:// is installed: {error}. {_INSTALL}") from None
    except ValueError as error:
        raise Refused(
            "archive: expected an absolute path or an address such as s3://bucket/prefix, found "
            f"{address!r}: {error}."
        ) from None
