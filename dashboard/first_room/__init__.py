"""The eight questions of a first room in a browser on this machine, before there is a data folder.

ask_in_browser(folder, data, port, …) -> bool    whether a setup was put in force
"""

from __future__ import annotations

from .asking import ask_in_browser

__all__ = ["ask_in_browser"]
