"""From the wire to rows: drivers for probes, and one thread for each line that they share."""

from .ascii_line import AsciiLineDriver
from .bus import Bus, stop_all
from .modbus import ModbusDriver
from .polled import ProbeDriver, Raw
from .wiring import buses, drivers

__all__ = ["AsciiLineDriver", "Bus", "ModbusDriver", "ProbeDriver", "Raw", "buses", "drivers", "stop_all"]
