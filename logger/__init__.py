"""From the probe to the verdict, the alarms and the record. Knows no web page."""

__version__ = "0.1.0"
