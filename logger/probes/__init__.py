"""From the wire to rows: drivers for probes, and one thread for each line that they share."""

from .ascii_line import AsciiLineDriver
from .bus import Bus, buses, stop_all
from .polled import Polled, Raw

__all__ = ["AsciiLineDriver", "Bus", "Polled", "Raw", "buses", "stop_all"]
