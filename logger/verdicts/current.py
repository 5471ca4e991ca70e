"""Configuration and verdicts in force now, read again when a version is approved."""

from __future__ import annotations

import threading

from ..config import faults_in_force, in_force
from ..errors import StoreError
from ..model import Config, Setup
from ..store import Store
from .verdicts import Verdicts


class Current:
    """Configuration and verdicts of one record, for programs that run long; one thread judges at a time."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.judging = threading.RLock()
        self._cached: tuple[int, Config, Verdicts] | None = None

    def _newest(self) -> tuple[int, Config, Verdicts]:
        newest = self.store.setups.newest()  # one small question: a version never changes
        if not newest:
            raise StoreError(
                f"The data folder {self.store.folder} has no setup yet; apply one: stillroom config apply."
            )
        with self.judging:
            if self._cached is None or self._cached[0] != newest:
                versions = self.store.setups.versions()
                config = in_force(versions)
                self._cached = (versions[-1].version, config, Verdicts(self.store, config.setup))
            return self._cached

    @property
    def config(self) -> Config:
        """The configuration in force; StoreError while there is none."""
        return self._newest()[1]

    @property
    def setup(self) -> Setup:
        """The setup in force."""
        return self.config.setup

    @property
    def in_force(self) -> tuple[Setup, Verdicts]:
        """The setup in force and the verdicts under it, of one version."""
        _, config, verdicts = self._newest()
        return config.setup, verdicts

    @property
    def setup_notices(self) -> list[str]:
        """Why the setup in force could not be entered any more, in sentences; empty where it could."""
        return faults_in_force(self.store.setups.versions())

    @property
    def verdicts(self) -> Verdicts:
        """Verdicts under the setup in force; hold `judging` while using them."""
        return self._newest()[2]
