"""What of a setup a file is read by: its channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from ..model import Channel


class ChannelList(Protocol):
    """A setup, or as much of it as reading a file needs."""

    @property
    def channels(self) -> Mapping[str, Channel]:
        """Channels by their keys."""


@dataclass(frozen=True)
class SetupChannels:
    """The channels of a setup alone: the child that reads files need not know what else there is.

    A whole setup costs it the import of every class of the model, a twentieth of a second of each start.
    """

    channels: Mapping[str, Channel]

    @staticmethod
    def of(setup: ChannelList) -> SetupChannels:
        """Those of a setup."""
        return SetupChannels(dict(setup.channels))
