"""Files read in a child process with limits: the way in for every file that somebody else has written."""

from __future__ import annotations

from pathlib import Path

from ..processes.child_limits import ChildLimits
from ..processes.confined import run_confined
from .channels import ChannelList, SetupChannels
from .containers import Part, refuse_unlimited
from .describing import Description, describe
from .grid import Row
from .profile import Profile
from .reading import Reading, read_content
from .sheets import sheet_grid

Content = bytes | Path  # a path is read by the child alone


def reading_of(
    name: str, content: Content, profile: Profile, setup: ChannelList, without: frozenset[int] = frozenset()
) -> Reading:
    """`read_content` in the child; ImportRefused also where a limit is reached."""
    return run_confined(
        name, _limits(name, content), _read, name, content, profile, SetupChannels.of(setup), without
    )


def description_of(name: str, content: Content, setup: ChannelList | None = None) -> Description:
    """`describe` in the child; ImportRefused also where a limit is reached."""
    channels = None if setup is None else SetupChannels.of(setup)
    return run_confined(name, _limits(name, content), _described, name, content, channels)


def sheet_rows(name: str, content: bytes) -> list[Row]:
    """The rows of a workbook's only sheet with anything in it, read in the child."""
    return run_confined(name, _limits(name, content), _sheet_rows, name, content)


def _read(
    name: str, content: Content, profile: Profile, setup: ChannelList, without: frozenset[int]
) -> Reading:
    return read_content(name, _bytes(content), profile, setup, without)


def _described(name: str, content: Content, setup: ChannelList | None) -> Description:
    return describe(name, _bytes(content), setup)


def _sheet_rows(name: str, content: bytes) -> list[Row]:
    return sheet_grid(Part(name, "sheet", content), None).rows


def _limits(name: str, content: Content) -> ChildLimits:
    if isinstance(content, bytes):
        refuse_unlimited(name, content)
        return ChildLimits.for_size(len(content))
    with content.open("rb") as file:
        refuse_unlimited(name, file.read(8))
    return ChildLimits.for_size(content.stat().st_size)


def _bytes(content: Content) -> bytes:
    return content if isinstance(content, bytes) else content.read_bytes()
