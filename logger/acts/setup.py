"""How a setup comes into force: proposed by one person, approved or refused by another.

The first version of an empty store is taken as it is. A room with `single_person` lets its one person
approve own proposals; a correction of an entry error is signed by two people even there.
"""

from __future__ import annotations

from collections.abc import Mapping

from ..config import in_force, load_texts
from ..core.validity.versions import contradictions
from ..errors import Refused, UnknownName
from ..model import Config
from ..model.roles import Act, required_roles
from ..people import Account, People
from ..store import SetupProposal, Store
from .required import required_person, required_text

SERVICE = "stillroom"  # who proposes what SIGHUP shows; nobody stands for it yet


def apply_setup(  # noqa: PLR0917 (five words and an instant are what the journal wants of it)
    store: Store, texts: Mapping[str, str], who: str, why: str, approver: str, now_ns: int
) -> int:
    """Propose the files of config/ and put them in force: the acts of two people told at once.

    A faulty set is refused whole. Files that are in force already make no new version: its number is given.
    """
    config = _sound(store, texts)
    versions = store.setups.versions()
    if versions and dict(versions[-1].texts) == dict(config.texts):
        return versions[-1].version
    who, approver = required_person(who), required_text(approver, "approver")
    if not versions:
        return store.setups.put(config.texts, who, why.strip(), approver, now_ns)
    version = propose(store, texts, who, why, now_ns)
    approve(store, version, approver, "", now_ns)
    return version


def propose(
    store: Store,
    texts: Mapping[str, str],
    who: str,
    why: str,
    now_ns: int,
    *,
    correction: bool = False,
    by_service: bool = False,
) -> int:
    """Keep the files of config/ as a proposal; gives its number. An empty store takes them as version 1.

    `by_service`: the service proposes what it found in its folder; that takes no account of a person.
    Refused: a faulty set, one that is in force already, and one that changes what stored readings mean.
    """
    config, who = _sound(store, texts), required_person(who)
    if not by_service:
        who = People(store).acting(who, Act.PROPOSE)
    versions = store.setups.versions()
    if not versions:
        return store.setups.put(
            config.texts, who, why.strip() or "first setup of an empty store", who, now_ns
        )
    if dict(versions[-1].texts) == dict(config.texts):
        raise Refused(f"Version {versions[-1].version}, in force, is the same. Nothing was proposed.")
    why = required_text(why, "reason for the change")
    if not correction and (faults := contradictions(in_force(versions).setup, config.setup)):
        raise Refused(
            "\n".join(["This setup cannot follow the one in force; nothing was proposed.", *faults])
        )
    with store.begin() as conn:
        return store.setups.propose(config.texts, who, why, now_ns, correction=correction, conn=conn)


def approve(store: Store, version: int, who: str, why: str, now_ns: int) -> SetupProposal:
    """Put a proposal in force, from now on or from its own later dates; by another person than its author."""
    people, proposal = People(store), proposal_of(store, version)
    who = people.acting(required_person(who), Act.APPROVE)
    _sound(store, proposal.texts)
    if proposal.who == SERVICE:
        raise Refused(
            f"Version {version} comes from the folder of the service, and has no author yet. One person "
            f"takes it over (`stillroom config take-over {version}`), another approves it."
        )
    single = in_force(store.setups.versions()).setup.room.single_person
    if people.is_same_person(who, proposal.who) and (proposal.correction or not single):
        rule = (
            "a correction of an entry error is signed by two people"
            if single
            else "another person approves it"
        )
        raise Refused(
            f"{who} proposed version {version}; {rule}. (A lab of one person sets single_person = true "
            "in room.toml, which every record then prints.)"
        )
    with store.begin() as conn:
        store.setups.approve(proposal, who, why.strip(), now_ns, conn=conn)
    return proposal


def approvers(store: Store, author: str) -> list[Account]:
    """Accounts in use that can approve what a person proposed; none in a record without accounts."""
    return People(store).others_who_may(Act.APPROVE, author)


def approval_step(store: Store, version: int, author: str) -> str:
    """Who approves a proposal with which command; or that nobody else may, and who should propose it."""
    people, command = People(store), f"stillroom config approve {version} --who"
    if not people.in_use():
        return f"Another person approves it: {command} NAME"
    if others := approvers(store, author):
        return f"Another person approves it: {command} {others[0].name}"
    if in_force(store.setups.versions()).setup.room.single_person:
        return f"Approve it: {command} {author!r}"
    anew = [a.name for a in people.others_who_may(Act.PROPOSE, author) if approvers(store, a.person)]
    needed = f"Nobody else here may approve it; that needs the role {required_roles(Act.APPROVE)}."
    if not anew:
        return f"{needed} Give a second person that role."
    close = f"stillroom config refuse {version} --why TEXT"
    return (
        f"{needed} Give a second person that role, or close it ({close}) and propose it with --who {anew[0]}."
    )


def take_over(store: Store, version: int, who: str, why: str, now_ns: int) -> int:
    """Stand for what the service proposed: closed, and proposed by this person; gives the new number."""
    proposal = proposal_of(store, version)
    if proposal.who != SERVICE:
        raise Refused(f"Version {version} was proposed by {proposal.who}, and has an author already.")
    who, why = People(store).acting(required_person(who), Act.PROPOSE), why.strip() or proposal.why
    with store.begin() as conn:
        store.setups.refuse(proposal, who, "taken over as a proposal of one's own", now_ns, conn=conn)
        return store.setups.propose(
            proposal.texts, who, why, now_ns, correction=proposal.correction, conn=conn
        )


def refuse(store: Store, version: int, who: str, why: str, now_ns: int) -> SetupProposal:
    """Close a proposal without putting it in force; its author may take it back so."""
    proposal, why = proposal_of(store, version), required_text(why, "reason for the rejection")
    who = People(store).acting(required_person(who), Act.PROPOSE)
    with store.begin() as conn:
        store.setups.refuse(proposal, who, why, now_ns, conn=conn)
    return proposal


def proposal_of(store: Store, version: int) -> SetupProposal:
    """A proposal by its number, or UnknownName with those that wait."""
    proposals = {p.version: p for p in store.setups.proposals()}
    if version not in proposals:
        waiting = [str(p.version) for p in proposals.values() if p.state == "waiting"]
        raise UnknownName("proposal", str(version), waiting)
    return proposals[version]


def _sound(store: Store, texts: Mapping[str, str]) -> Config:
    """The configuration, whole and of the right kind of room; else nothing is changed."""
    config = load_texts(texts)
    if config.setup.room.simulated != store.simulated:
        kinds = {True: "a simulated room", False: "a real room"}
        raise Refused(
            f"room.toml describes {kinds[config.setup.room.simulated]}, but this record is that of "
            f"{kinds[store.simulated]}; name another folder with --data."
        )
    return config
