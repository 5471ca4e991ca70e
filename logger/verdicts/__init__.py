"""What the record says of a zone: stored verdicts kept true, curves, windows, replay."""
