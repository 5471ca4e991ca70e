"""What must be thought of with a connection: libraries that are missing, networks that prove nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib.util import find_spec

from ..model import Line, PluginLine
from ..probes.foreign import UnavailableTable
from ..probes.plug_in import KindRefused
from ..probes.registry import kind_named


def cautions(lines: Sequence[Line]) -> Iterator[str]:
    """A sentence for each, with the probe's name."""
    for line in lines:
        if isinstance(line, PluginLine) and not isinstance(line.table, UnavailableTable):
            yield from (f"Probe {line.probe}: {sentence}" for sentence in _of(line))


def _of(line: PluginLine) -> Iterator[str]:
    try:
        kind = kind_named(line.kind)
        if kind.needs and find_spec(kind.needs[0]) is None:
            module, extra = kind.needs
            yield (
                f'kind "{line.kind}" needs the package {module}, which is not installed here: '
                f"pip install 'stillroom[{extra}]'."
            )
        yield from kind.cautions(line.table)
    except KindRefused:
        return  # its rows say so
