"""The list of commands, as docs/commands.md ships it: `python -m logger.cli.reference > docs/commands.md`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import typer

from .command_list import SENTENCE

_HEAD = """# Commands

Written by `python -m logger.cli.reference > docs/commands.md` from the program itself; a test compares both.

One program, `stillroom`. Every command explains itself: `stillroom check --help`. Times without an offset
are the room's own. Intervals include their start and not their end.

## Exit codes

| command | 0 | other codes |
|---|---|---|
| all | done | 2: bad input, nothing was changed; 3: the data folder cannot be used as it is |
| `check` | stable | 10: not stable; 11: not shown; 12: a stamp that no longer matches |
| `inspection ready` | ready | 10: not ready; 11: not shown |
| `verify` | intact | 10: not intact; 11: a part could not be read to be compared |
| `backup`, `restore` | intact | 10: not intact |
| `selftest` | all cases passed | 10: a case failed |
| `rooms verify` | all intact | 10: one is not; 11: one could not be asked |
| `rooms index`, `due`, `lost` | all rooms answered | 11: one could not be asked |
| `rejudge` | all as stored | 10: verdicts changed; 11: some could not be judged |
| `reference impact` | no room affected | 10: a room is affected; 11: one could not be asked |
"""


def commands_reference(group: Any) -> str:
    """The page docs/commands.md: every command of `group` (click's tree of typer) with its options."""
    sections = [_section(path, command) for path, command in commands_of(group)]
    return "\n".join([_HEAD, *_purposes(group), *sections])


def _purposes(group: Any) -> list[str]:
    """The commands by what they are for, as on the front page of the program, with a sentence each."""
    table = ["## By purpose", "", "| for | command | what it does |", "|---|---|---|"]
    for heading, names in group.headings(group.list_commands(None)).items():
        for name in names:
            path, _ = next(commands_of(group.commands[name], f"stillroom {name}"))
            link = f"[`{name}`](#{path.replace(' ', '-')})"
            sentence = group.commands[name].get_short_help_str(SENTENCE)
            table.append(f"| {heading} | {link} | {sentence} |")
    return [*table, ""]


def commands_of(group: Any, path: str = "stillroom") -> Iterator[tuple[str, Any]]:
    """Every command below `group` as a person types it, with its click object, in the program's order."""
    inside = getattr(group, "commands", {})
    if not inside:
        yield path, group
    for name, command in inside.items():
        if not command.hidden:
            yield from commands_of(command, f"{path} {name}")


def _section(path: str, command: Any) -> str:
    """A heading, the help text and a table of arguments and options of one command."""
    rows = [row for parameter in command.params if (row := _row(parameter))]
    table = ["| entry | value | meaning | default |", "|---|---|---|---|", *rows, ""] if rows else []
    return "\n".join([f"## {path}", "", _paragraphs(command.help or ""), "", *table])


def _paragraphs(text: str) -> str:
    r"""The help text as Markdown: what stands behind click's mark `\b` keeps its lines."""
    blocks = [block.strip("\n") for block in text.strip().split("\n\n")]
    return "\n\n".join(_verbatim(block) if block.startswith("\b") else block for block in blocks)


def _verbatim(block: str) -> str:
    lines = block.lstrip("\b").strip("\n").splitlines()
    return "\n".join(["```text", *lines, "```"])


def _row(parameter: Any) -> str | None:
    """One line of the table; None for options that no person enters."""
    if getattr(parameter, "hidden", False):
        return None
    if parameter.param_type_name == "argument":
        entry, value = f"`{parameter.metavar or parameter.name.upper()}`", "argument"
    else:
        entry = ", ".join(f"`{option}`" for option in (*parameter.opts, *parameter.secondary_opts))
        value = "" if parameter.is_flag else f"`{_value(parameter)}`"
    cells = (entry, value, getattr(parameter, "help", None) or "", _default(parameter))
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def _value(parameter: Any) -> str:
    """What stands for the value: the option's own word, or its choices."""
    if parameter.metavar:
        return str(parameter.metavar)
    annotation = parameter.type_descriptor.annotation
    return "|".join(map(str, get_args(annotation))) or annotation.__name__.upper()


def _default(parameter: Any) -> str:
    """The default as typed; empty where there is none, "required" where one must be entered."""
    if parameter.required:
        return "required"
    default = parameter.default
    if callable(default) or default in (None, "", False, [], ()) or str(default).endswith("UNSET"):
        return ""
    if default is True:
        return f"`{parameter.opts[0]}`"
    return f"`{default.as_posix() if isinstance(default, Path) else default}`"


if __name__ == "__main__":
    from .program import program

    print(commands_reference(typer.main.get_command(program())), end="")
