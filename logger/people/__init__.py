"""Accounts, sessions, signatures and tokens of one record: who is who. What they may is in `accounts.py`."""

from .book import Account, People
from .passwords import checked_password
from .refusals import Kind, Refusals
from .sessions import Sessions
from .signatures import Signature, sign
from .throttle import Throttle, TooOften
from .tokens import Token, Tokens

__all__ = [
    "Account", "Kind", "People", "Refusals", "Sessions", "Signature", "Throttle", "Token", "Tokens",
    "TooOften", "checked_password", "sign",
]  # fmt: skip
