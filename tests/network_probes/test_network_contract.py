"""The tests that every driver must pass, for the three kinds, each against a peer of another make."""

from __future__ import annotations

import pytest

from logger.probes.conformance import DriverContract

from .conftest import BacnetRig, OpcUaRig, SnmpRig


class TestOpcUa(DriverContract):
    """Against node-opcua."""

    @pytest.fixture
    def rig(self, opc_ua: OpcUaRig) -> OpcUaRig:
        return opc_ua


class TestSnmp(DriverContract):
    """Against snmpd of net-snmp."""

    @pytest.fixture
    def rig(self, snmp: SnmpRig) -> SnmpRig:
        return snmp


class TestBacnet(DriverContract):
    """Against @bacnet-js/client."""

    @pytest.fixture
    def rig(self, bacnet: BacnetRig) -> BacnetRig:
        return bacnet
