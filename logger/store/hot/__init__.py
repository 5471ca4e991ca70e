"""The hot tier in SQL: readings, journal, setups, stored verdicts, clocks; its schema and migrations."""
