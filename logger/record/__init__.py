"""What is printed, signed and handed out: issues of records, reviews, and a copy of the readings.

Nothing is imported here: the answer to one date needs nothing of what a PDF needs.
"""
