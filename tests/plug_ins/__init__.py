"""Drivers of other packages: found, refused by name, held at arm's length, and the example of the how-to."""
