"""Sealed files in an object store, by fsspec: whole objects, put once, never renamed, never appended to."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
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
# Kinds of place that keep what is put there, whole and under its name, and outlive this process.
KINDS = {"s3", "gs", "gcs", "az"}
NO_ACCOUNT = frozenset({"InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "InvalidToken"})
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
            if missing and _code(error) != "NoSuchBucket" and not missing_is_fault:
                raise
            sentence = self._sentence(name, error)
            if time.monotonic() - begun_s >= SLOW_S:
                self._silence = (time.monotonic() + REST_S, self._sentence("", error))
            raise ArchiveAway(sentence) from error
        return answer

    def _sentence(self, name: str, error: BaseException) -> str:
        what = f"{self.address}/{name}" if name else self.address
        at = f" at {self._endpoint}" if self._endpoint else ""
        why, code = " ".join(str(error).split()).rstrip("."), _code(error)
        if isinstance(error, FileNotFoundError):
            says = f"has no such bucket: {why}. Create it, or correct `at` under [archive] in store.toml"
        elif code in NO_ACCOUNT or "Credentials" in type(error).__name__:
            return (
                f"{what}: no account for the object store{at}: {why}. Give it to the service in its "
                "environment (AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY for s3://)."
            )
        elif code == "RequestTimeTooSkewed":
            says = f"has another time than this machine: {why}. Set the clock of one of the two"
        elif isinstance(error, PermissionError):
            says = (
                f"refuses this account: {why}. It must be allowed to list, read and write objects there, and "
                "to delete them where sealed files are to be disposed of"
            )
        elif code:
            says = f"answers with a fault, {code}: {why}. Look at its disk, its quota and its own log"
        elif "hecksum" in why or "ayload" in why:
            says = f"sent something damaged or cut short: {why}. Look at the way to it, then try again"
        else:
            says = (
                f"does not answer: {why}. Check that it runs and can be reached, and that `at` and "
                "`endpoint` under [archive] in store.toml are right"
            )
        return f"{what}: the object store{at} {says}."


def _code(error: BaseException) -> str:
    """The word by which an object store names its refusal, such as NoSuchBucket; empty without one."""
    for cause in (error, error.__cause__):
        if response := getattr(cause, "response", None):
            return str(response.get("Error", {}).get("Code", ""))
    return ""


def _faults() -> tuple[type[BaseException], ...]:
    """What a file system of fsspec may raise: errors of the system, and those of its libraries."""
    own = (
        ("botocore.exceptions", "BotoCoreError"),
        ("botocore.exceptions", "ClientError"),
        ("aiohttp", "ClientError"),
    )
    loaded = [getattr(sys.modules[module], name) for module, name in own if module in sys.modules]
    return (OSError, ValueError, *loaded)


def _file_system(address: str, endpoint: str) -> tuple[Any, str]:
    scheme = address.partition("://")[0]
    if scheme not in KINDS:
        raise Refused(
            "archive: expected an absolute path or an address such as s3://bucket/prefix, found "
            f"{address!r}: {scheme}:// is no object store that can keep sealed files. Where it can be "
            "mounted, name the folder."
        )
    try:
        import fsspec
    except ImportError:
        raise Refused(f"{address}: the library fsspec is not installed. {_INSTALL}") from None
    options: dict[str, Any] = {"use_listings_cache": False, "skip_instance_cache": True}
    if scheme == "s3":
        limits = {"connect_timeout": CONNECT_S, "read_timeout": READ_S, "retries": {"total_max_attempts": 2}}
        options |= {"config_kwargs": limits, **({"endpoint_url": endpoint} if endpoint else {})}
    try:
        system = fsspec.filesystem(scheme, **options)
        if scheme == "s3":
            system.retries = 1  # beside those of its library: five times each would be a quarter of an hour
        return system, str(system._strip_protocol(address)).rstrip("/")
    except ImportError as error:
        remedy = _INSTALL if scheme == "s3" else "Install it beside the program."
        raise Refused(f"{address}: no library for {scheme}:// is installed: {error}. {remedy}") from None
    except ValueError as error:
        raise Refused(
            "archive: expected an absolute path or an address such as s3://bucket/prefix, found "
            f"{address!r}: {error}."
        ) from None
