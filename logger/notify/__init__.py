"""Telling people: the words of a notice, the ways by which it goes, and the outbox between them."""
