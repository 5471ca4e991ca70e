"""The invented people of a simulated record: anyone may be any of them, on this machine only."""

from __future__ import annotations

from ..errors import Refused
from ..model.roles import Role
from .book import Account, People

# Shown beside every place that asks for it. It opens nothing but a simulated record on its own machine.
PASSWORD = "invented people only"  # noqa: S105 (no secret: it is printed on the page)
PEOPLE = (
    ("holm", "Greta Holm", (Role.OPERATOR, Role.METROLOGIST, Role.ADMINISTRATOR)),
    ("sova", "Radek Sova", (Role.OPERATOR,)),
    ("faber", "Ines Faber", (Role.QUALITY,)),
    ("visitor", "A visitor", (Role.READER,)),
)
FIRST = PEOPLE[0][0]


def settle(people: People) -> None:
    """Have them in a simulated record; Refused for a real one."""
    if not people.store.simulated:
        raise Refused("Invented people belong to a simulated record; nothing was changed.")
    names = {account.name for account in people.all()}
    for name, person, roles in PEOPLE:
        if name not in names:
            people.add(name, person, roles, PASSWORD, "stillroom")


def is_invented(people: People, account: Account) -> bool:
    """Whether this account is one of them."""
    return people.store.simulated and account.name in {name for name, _, _ in PEOPLE}
