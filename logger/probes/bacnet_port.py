"""The UDP port by which this machine speaks BACnet/IP. Its event loop runs only while something is asked."""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any

from ..errors import ProbeError
from .bacnet_octets import NoAnswer, Property, object_of, properties_in, value_in

PORT = 47808
ANY = "device,4194303"
OUR_DEVICE = 4194302  # nobody looks for us; the library wants a number
MOST_OBJECTS = 20  # in one request; halved for a device whose answer does not fit
_NO_ROOM = ("segmentation-not-supported", "buffer-overflow", "apdu-too-long")
_NOT_THERE = ("unknown-object", "unknown-property")
_NO_SERVICE = ("unrecognized-service", "service-request-denied", "services")


class DeviceRefusal(Exception):
    """A device that answers, but with no value: its own words."""


class BacnetPort:
    """One port, shared by all probes that name it. `openings` counts."""

    def __init__(self, local: str) -> None:
        host, _, port = local.partition(":")
        self._local = (host, int(port or PORT))
        self._runner: asyncio.Runner | None = None
        self._app: Any = None
        self._invoke_id = secrets.randbelow(256)  # not where an earlier program began
        self._most: dict[str, int] = {}  # objects in one request, by device
        self.openings = 0

    def open(self, timeout_s: float) -> None:
        """Takes the port; ProbeError where this machine has no such address, or another program has it."""
        if self._app is not None:
            return
        try:  # the library would try again for ever
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.bind(self._local)
        except (OSError, OverflowError) as taken:
            raise ProbeError(f"local {self._local[0]}:{self._local[1]}: {taken}") from taken
        import bacpypes3.ipv4.app
        import bacpypes3.local.device  # noqa: F401

        runner = asyncio.Runner()
        try:
            app = runner.run(asyncio.wait_for(self._application(), timeout_s))
        except (OSError, ValueError) as lost:  # TimeoutError is one
            runner.close()
            why = f"{type(lost).__name__} {lost}"
            raise ProbeError(f"local {self._local[0]}:{self._local[1]}: cannot be opened: {why}") from lost
        app.next_invoke_id = self._invoke_id
        self._runner, self._app = runner, app
        self.openings += 1

    async def _application(self) -> Any:
        from bacpypes3.ipv4.app import NormalApplication
        from bacpypes3.local.device import DeviceObject
        from bacpypes3.pdu import IPv4Address

        device = DeviceObject(
            objectIdentifier=("device", OUR_DEVICE), objectName="stillroom", vendorIdentifier=999,
            numberOfApduRetries=0,
        )  # fmt: skip
        app = NormalApplication(device, IPv4Address(f"{self._local[0]}/32:{self._local[1]}"))
        self._device = device
        _keep_octets(app.asap)
        await asyncio.gather(*app.normal.server._transport_tasks)
        await asyncio.sleep(0)  # its callbacks
        return app

    def read(
        self, address: str, properties: Mapping[str, Sequence[int]], timeout_s: float
    ) -> dict[tuple[str, int], Any]:
        """Properties by object and number of the property; a DeviceRefusal stands for one that is none.

        TimeoutError where nobody answers; DeviceRefusal is raised where the device refuses the whole.
        """
        if self._app is None or self._runner is None:
            raise ProbeError(f"local {self._local[0]}:{self._local[1]}: the port is not open")
        self._device.apduTimeout = round(1000 * timeout_s)
        try:
            return self._runner.run(self._read(address, dict(properties), timeout_s))
        finally:
            if self._app is not None:
                self._invoke_id = self._app.next_invoke_id

    async def _read(
        self, address: str, properties: dict[str, Sequence[int]], timeout_s: float
    ) -> dict[tuple[str, int], Any]:
        from bacpypes3.pdu import Address

        where = address if ":" in address else f"{address}:{PORT}"
        answers: dict[tuple[str, int], Any] = {}
        left = list(properties.items())
        while left:
            most = self._most.setdefault(address, MOST_OBJECTS)
            part = left[:most]
            try:
                if most == 0:
                    answers |= await self._single(Address(where), *left[0], timeout_s)
                    part = left[:1]
                else:
                    answers |= await self._multiple(Address(where), part, timeout_s)
            except DeviceRefusal as refusal:
                fewer = _fewer(most, str(refusal))
                if fewer is not None:
                    self._most[address] = fewer
                    continue
                if most == 0 or not any(word in str(refusal) for word in _NOT_THERE):
                    raise
                for name, numbers in part:  # it refuses the whole for the sake of one
                    answers |= await self._single(Address(where), name, numbers, timeout_s)
            left = left[len(part) :]
        return answers

    async def _multiple(
        self, where: Any, part: Sequence[tuple[str, Sequence[int]]], timeout_s: float
    ) -> dict[tuple[str, int], Any]:
        from bacpypes3.apdu import ConfirmedRequestPDU

        service, octets = _request(tuple((name, tuple(numbers)) for name, numbers in part))
        request = ConfirmedRequestPDU(service, destination=where)
        request.put_data(octets)
        answer = await self._answered(self._app.request(request), timeout_s)
        try:
            answers = {
                (_name(each.owner), each.number): _content(each)
                for each in properties_in(bytes(answer.pduData))
            }
        except NoAnswer as broken:
            raise DeviceRefusal(str(broken)) from broken
        # A device answers with its own number to that of any.
        names = {name for name, _ in answers}
        own = {name: name for name in names}
        own[ANY] = next((name for name in names if name.startswith("device,")), ANY)
        none = DeviceRefusal("not in the answer")
        return {(n, i): answers.get((own.get(n, n), i), none) for n, numbers in part for i in numbers}

    async def _single(
        self, where: Any, name: str, numbers: Sequence[int], timeout_s: float
    ) -> dict[tuple[str, int], Any]:
        from bacpypes3.primitivedata import ObjectIdentifier

        answers: dict[tuple[str, int], Any] = {}
        for number in numbers:
            ask = self._app.read_property(where, ObjectIdentifier(name), _identifier(number))
            try:
                answers[name, number] = _plain(await self._answered(ask, timeout_s))
            except DeviceRefusal as refusal:
                answers[name, number] = refusal
        return answers

    async def _answered(self, ask: Any, timeout_s: float) -> Any:
        """What comes of a request; TimeoutError, DeviceRefusal."""
        from bacpypes3.apdu import ErrorRejectAbortNack

        try:
            answer = await asyncio.wait_for(ask, timeout_s + 0.5)
        except ErrorRejectAbortNack as refusal:
            answer = refusal
        if isinstance(answer, ErrorRejectAbortNack):
            words = str(answer)
            if "no-response" in words:
                raise TimeoutError
            raise DeviceRefusal(words)
        return answer

    def close(self) -> None:
        """Gives the port back; never raises."""
        app, runner, self._app, self._runner = self._app, self._runner, None, None
        if runner is None:
            return

        async def end() -> None:
            app.close()
            await asyncio.sleep(0)

        with suppress(Exception):
            runner.run(end())
        with suppress(Exception):
            runner.close()


def _fewer(most: int, words: str) -> int | None:
    """How many objects to ask for at once after a refusal, 0: one by one; None: as many as before."""
    if most and any(word in words for word in _NO_SERVICE):
        return 0
    return most // 2 if most and any(word in words for word in _NO_ROOM) else None


@lru_cache(maxsize=64)
def _request(part: tuple[tuple[str, tuple[int, ...]], ...]) -> tuple[int, bytes]:
    """Service and octets of a request; encoded once, since it is asked at each poll."""
    from bacpypes3.apdu import ReadAccessSpecification, ReadPropertyMultipleRequest
    from bacpypes3.constructeddata import SequenceOf
    from bacpypes3.primitivedata import ObjectIdentifier

    specifications = [
        ReadAccessSpecification(
            objectIdentifier=ObjectIdentifier(name),
            listOfPropertyReferences=[_reference(number) for number in numbers],
        )
        for name, numbers in part
    ]
    several = SequenceOf(ReadAccessSpecification)(specifications)
    encoded = ReadPropertyMultipleRequest(listOfReadAccessSpecs=several).encode()
    return int(encoded.apduService), bytes(encoded.pduData)


def _content(each: Property) -> Any:
    """A value of the type that its property has, or the refusal that stands in its place."""
    try:
        return _plain(value_in(*each))
    except NoAnswer as broken:
        return DeviceRefusal(str(broken))


def _keep_octets(access: Any) -> None:
    """Lets answers to ReadPropertyMultiple through as octets: decoding them anew took half of each poll."""
    from bacpypes3.apdu import ComplexAckPDU, ConfirmedServiceChoice

    decoded = access.sap_response

    async def response(apdu: Any) -> None:
        is_one = isinstance(apdu, ComplexAckPDU)
        if is_one and apdu.apduService == ConfirmedServiceChoice.readPropertyMultiple:
            await access.serviceElement.confirmation(apdu)
        else:
            await decoded(apdu)

    access.sap_response = response


def _identifier(number: int) -> Any:
    from bacpypes3.basetypes import PropertyIdentifier

    return PropertyIdentifier(number)


def _reference(number: int) -> Any:
    from bacpypes3.basetypes import PropertyReference

    return PropertyReference(propertyIdentifier=_identifier(number))


@lru_cache(maxsize=1024)
def _name(owner: bytes) -> str:
    kind, number = object_of(owner)
    return f"{kind},{number}"


def _plain(value: Any) -> Any:
    """A value, or the refusal that stands in its place."""
    from bacpypes3.basetypes import ErrorType

    if value is None:
        return DeviceRefusal("no value")
    if isinstance(value, ErrorType):
        return DeviceRefusal(f"{value.errorClass} {value.errorCode}")
    return value
