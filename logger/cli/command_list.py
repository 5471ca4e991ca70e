"""The list of commands on a help page: each with its whole first sentence, wrapped instead of cut off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import typer
from typer.core import TyperGroup

# Letters that a sentence may have: longer than any. Typer's own page cuts it off where the line ends.
SENTENCE = 1_000


class CommandList(TyperGroup):
    """A group whose help page lists its commands under headings, here the one heading *Commands*."""

    def headings(self, names: Sequence[str]) -> Mapping[str, Sequence[str]]:
        """Heading -> names of the commands below it, both in the order of the page."""
        return {"Commands": names}

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list into the help page; called by typer."""
        commands = {name: self.commands[name] for name in self.list_commands(ctx)}
        shown = [name for name, command in commands.items() if not command.hidden]
        width = max(map(len, shown), default=0)
        for heading, names in self.headings(shown).items():
            rows = [(name.ljust(width), commands[name].get_short_help_str(SENTENCE)) for name in names]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def command_group(help_text: str, **options: Any) -> typer.Typer:
    """A group of commands with such a list; without a command it shows its help page."""
    return typer.Typer(help=help_text, cls=CommandList, no_args_is_help=True, **options)
