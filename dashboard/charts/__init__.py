"""From data to drawings: axes, lines, traces, plans, themes."""
