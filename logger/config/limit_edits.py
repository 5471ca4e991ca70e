"""A limit and its basis changed in the texts of a setup, as a person would: comments and order stay."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from ..errors import Refused, UnknownName
from ..formats.toml import key_lines
from .limits import is_limit_key

LOWER = ("lower_", "condensation_margin")
_VALUE = re.compile(
    r"^(?P<key>\s*[A-Za-z0-9_-]+\s*=\s*)(?P<value>\"(?:[^\"\\]|\\.)*\"|[^#]*?)(?P<rest>\s*(#.*)?)$"
)


@dataclass(frozen=True)
class LimitTable:
    """One table [rules.<zone>.<name>]: the file, its limits by key in the unit of the key, and its basis."""

    file: str
    zone: str
    name: str
    limits: Mapping[str, float]
    basis: str

    @property
    def lower(self) -> str:
        """Key of the lower limit; empty where the rule has none."""
        return next((key for key in self.limits if key.startswith(LOWER)), "")

    @property
    def upper(self) -> str:
        """Key of the upper limit; empty where the rule has none."""
        return next((key for key in self.limits if not key.startswith(LOWER)), "")


def limit_tables(texts: Mapping[str, str]) -> dict[str, LimitTable]:
    """Every rule of the limits files, by its name as in `machine-bay.temperature`."""
    tables = {}
    for file in sorted(f for f in texts if f.startswith("limits") and f.endswith(".toml")):
        for zone, rules in tomllib.loads(texts[file]).get("rules", {}).items():
            for name, rule in rules.items():
                limits = {key: float(value) for key, value in rule.items() if is_limit_key(key)}
                tables[f"{zone}.{name}"] = LimitTable(file, zone, name, limits, str(rule.get("basis", "")))
    return tables


def with_limit(
    texts: Mapping[str, str], rule: str, limits: Mapping[str, float], basis: str
) -> dict[str, str]:
    """Texts in which a rule has other limits, by the keys that it has, and another basis.

    Raises UnknownName for a rule that no file holds, Refused where nothing would change.
    """
    tables = limit_tables(texts)
    if rule not in tables:
        raise UnknownName("rule", rule, tables)
    table = tables[rule]
    changed = {key: f"{value:.12g}" for key, value in limits.items() if value != table.limits[key]}
    if basis != table.basis:
        changed["basis"] = json.dumps(basis, ensure_ascii=False)
    if not changed:
        raise Refused("Enter another limit or another basis. Nothing differs from the setup in force.")
    lines, numbers = texts[table.file].split("\n"), key_lines(texts[table.file])
    for key, value in changed.items():
        place = numbers[("rules", table.zone, table.name, key)] - 1
        match = _VALUE.match(lines[place])
        if match is None:
            raise Refused(
                f"{table.file}, line {place + 1}: this limit is written over several lines. Edit the file."
            )
        lines[place] = f"{match['key']}{value}{match['rest']}"
    return {**texts, table.file: "\n".join(lines)}
