"""Which channels a zone has of a quantity, measured or derived."""

from __future__ import annotations

from logger.model import DERIVED, Setup, figures


def channels_of(setup: Setup, name: str) -> list[str]:
    """Every channel of a quantity, measured or derived."""
    measured = [key for key, channel in setup.channels.items() if channel.quantity == name]
    if name not in DERIVED:
        return measured
    return measured + [key for key in (f"{probe}.{name}" for probe in setup.probes) if setup.inputs_of(key)]


def channels_in(setup: Setup, zone: str, name: str) -> list[str]:
    """Those of a zone: a derived one stands where its probe stands."""
    probes = {setup.channels[key].probe for key in setup.channels_in(zone)}
    return [key for key in channels_of(setup, name) if key.rpartition(".")[0] in probes]


def quantities(setup: Setup) -> list[str]:
    """What can be drawn: temperature first, humidity next, the others by name."""
    names = {c.quantity for c in setup.channels.values()} | {of for of in DERIVED if channels_of(setup, of)}
    return sorted(names, key=lambda of: (of != "temperature", of != "relative_humidity", of))


def with_channel_words(text: str, setup: Setup) -> str:
    """A text with the channels of a setup as people call them."""
    return figures.with_channel_words(text, setup.channels)
