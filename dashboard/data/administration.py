"""What stands behind the room: journal, versions of the setup, proposals, health."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.core.validity.changes import SetupChange
from logger.model import Line, Setup

if TYPE_CHECKING:
    from logger.inspections.setup_effect import SetupEffect
    from logger.inspections.setup_impact import ChangedVerdict
    from logger.service.health import HealthFigure
    from logger.store import JournalEntry, SetupProposal, SetupVersion, Store


@dataclass(frozen=True)
class ProposalEffect:
    """What a proposal changes, thing by thing, and which verdicts would be others."""

    changes: Sequence[SetupChange]
    verdicts: Sequence[ChangedVerdict]
    effect: SetupEffect


class RecordAdministration:
    """The record of one data folder, as the pages Journal, Limits, Probes and Health ask for it."""

    def __init__(self, store: Store, setup: Callable[[], Setup]) -> None:
        self._store = store
        self._setup = setup

    def entries(
        self,
        text: str,
        *,
        kinds: Collection[str] = (),
        without: Collection[str] = (),
        from_ns: int | None = None,
        to_ns: int | None = None,
        below: int | None = None,
        limit: int = 100,
    ) -> list[JournalEntry]:
        """Entries of the journal that hold every word, newest first."""
        return self._store.journal.search(
            text,
            kinds=kinds,
            without=without,
            from_ns=from_ns,
            to_ns=to_ns,
            below=below,
            limit=limit,
        )

    def kinds(self) -> list[str]:
        """Kinds of entries that there are."""
        return self._store.journal.kinds()

    def head(self) -> tuple[int, str]:
        """Number and digest of the newest entry."""
        return self._store.journal.head()

    def versions(self) -> list[SetupVersion]:
        """Approved versions of the setup, oldest first."""
        return self._store.setups.versions()

    def faults_in_force(self) -> list[str]:
        """Why the setup in force could not be entered any more, in sentences."""
        from logger.config import faults_in_force

        return faults_in_force(self._store.setups.versions())

    def lines(self) -> tuple[Line, ...]:
        """Connections to probes of the setup in force."""
        from logger.config import load_stored

        versions = self._store.setups.versions()
        return load_stored(versions[-1].texts).lines if versions else ()

    def proposals(self) -> list[SetupProposal]:
        """Every proposal with its state, oldest first."""
        return self._store.setups.proposals()

    def effect(self, proposal: SetupProposal, now_ns: int) -> ProposalEffect:
        """What would change if this proposal were approved now; judges, so it may take a while."""
        from logger.config import load_stored, load_texts
        from logger.core.validity.changes import changes
        from logger.inspections.setup_effect import effect_if_approved

        versions, texts = self._store.setups.versions(), proposal.texts
        differences = changes(load_stored(versions[-1].texts).setup, load_texts(texts).setup, now_ns)
        how = {"correction": proposal.correction}
        effect = effect_if_approved(self._store, texts, proposal.who, now_ns, **how)
        return ProposalEffect(differences, effect.verdicts, effect)

    def propose(self, texts: dict[str, str], who: str, why: str, now_ns: int) -> int:
        """Propose these files as the next version; gives its number."""
        from logger.acts.setup import propose

        return propose(self._store, texts, who, why, now_ns)

    def approve(self, version: int, who: str, why: str, now_ns: int, *, yes: bool = False) -> None:
        """Put a proposal in force, by another person; `yes`: also where something gets worse."""
        from logger.acts.setup import approve, proposal_of
        from logger.inspections.setup_effect import refuse_unconfirmed

        effect = self.effect(proposal_of(self._store, version), now_ns).effect
        refuse_unconfirmed(effect, yes=yes, how="Tick “Accept what gets worse”")
        approve(self._store, version, who, why, now_ns)

    def take_over(self, version: int, who: str, why: str, now_ns: int) -> int:
        """Stand for what the service proposed; gives the number of the new proposal."""
        from logger.acts.setup import take_over

        return take_over(self._store, version, who, why, now_ns)

    def refuse(self, version: int, who: str, why: str, now_ns: int) -> None:
        """Close a proposal, with the reason."""
        from logger.acts.setup import refuse

        refuse(self._store, version, who, why, now_ns)

    def health(self, now_ns: int) -> list[HealthFigure]:
        """Every figure of the service, the probes and the record."""
        from logger.service.health import health

        return health(self._store, self._setup(), now_ns)
