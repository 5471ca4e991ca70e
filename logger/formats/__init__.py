"""Open standards as they are read: TOML with line numbers, SenML, Digital Calibration Certificates."""
