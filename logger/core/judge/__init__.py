"""The one judge: from evidence and rules to verdicts, periods, excursions and sentences."""
