"""Names that a person types: a misspelt one is refused with the nearest ones."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from logger.errors import UnknownName


class MisspeltName(UnknownName):
    """A name that the setup does not have, with the ones that are most like it."""

    def __init__(self, kind: str, name: str, names: Iterable[str]) -> None:
        listed = sorted(names)
        super().__init__(kind, name, listed)
        folded = {item.casefold(): item for item in listed}
        near = get_close_matches(str(name).casefold(), folded, n=3, cutoff=0.5)
        words = ", ".join(folded[item] for item in near) or ", ".join(listed[:12]) or "none"
        most_like = "the nearest are" if near else "there are"
        self.args = (f"{kind}: expected one of the setup, found {name!r}; {most_like}: {words}.",)


def require_name(kind: str, name: str, names: Iterable[str]) -> None:
    """MisspeltName where a name is none of these."""
    available = set(names)
    if not isinstance(name, str) or name not in available:
        raise MisspeltName(kind, name, available)
