"""What a person chose for this browser. Kept in a cookie, because the server writes the figures."""

from __future__ import annotations

from flask import has_request_context, request

from logger.model import TemperatureUnit

TEMPERATURE = "stillroom-temperature"  # cookie: "degF", anything else is degC


def fahrenheit() -> bool:
    """Whether temperatures are read in °F where this page is shown; never outside a request."""
    return has_request_context() and request.cookies.get(TEMPERATURE) == "degF"


def temperature_unit() -> TemperatureUnit:
    """The unit in which this person reads temperatures, for what is written for them."""
    return "degF" if fahrenheit() else "degC"
