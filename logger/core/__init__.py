"""The pure core: readings and setup in, verdicts out; no clock, disk, wire, log or globals."""
