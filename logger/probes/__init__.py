"""From the wire to rows: drivers for probes, and one thread for each line that they share."""

from .ascii_line import AsciiLineDriver
from .bus import Bus, stop_all
from .driver import ProbeDriver, Raw
from .modbus import ModbusDriver
from .wiring import buses, drivers

__all__ = ["AsciiLineDriver", "Bus", "ModbusDriver", "ProbeDriver", "Raw", "buses", "drivers", "stop_all"]
