"""Which packages bring the drivers of a setup: a text of the setup, so that its digest covers them.

A driver decides numbers. The text is written by the program when a setup is entered, never by hand; what is
installed later is compared with it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping

from ..model import Line, PluginLine
from ..probes.plug_in import KindRefused
from ..probes.registry import PlugIn, is_foreign, plug_in_of
from .tables import PLUG_INS, Tables

_HEAD = """# Written by stillroom when this setup was entered: the packages whose drivers read its probes.
# Changes made here by hand are replaced.
"""


def with_plug_ins(texts: Mapping[str, str], tables: Tables) -> dict[str, str]:
    """The texts with that of the plug-ins, or without one where every kind is our own."""
    rest = {file: text for file, text in texts.items() if file != PLUG_INS}
    installed = usable_plug_ins(c.name for c in tables.connections.values())
    return rest | {PLUG_INS: _text(installed.values())} if installed else rest


def usable_plug_ins(kinds: Iterable[str]) -> dict[str, PlugIn]:
    """The plug-ins among these kinds as they are installed here; what cannot be loaded is left out."""
    plug_ins = {}
    for name in sorted({name for name in kinds if is_foreign(name)}):
        try:
            plug_ins[name] = plug_in_of(name)
        except KindRefused:
            continue
    return plug_ins


def plug_in_changes(texts: Mapping[str, str], lines: Iterable[Line]) -> dict[str, dict[str, object]]:
    """Kinds whose package is another than when the setup was entered: expected and found; {}: none."""
    approved = tomllib.loads(texts.get(PLUG_INS, "")).get("plug_ins", {})
    kinds = {line.kind for line in lines if isinstance(line, PluginLine)}
    installed = {kind: plug_in.facts() for kind, plug_in in usable_plug_ins(kinds).items()}
    return {
        kind: {"expected": approved.get(kind), "found": installed.get(kind)}
        for kind in sorted({*approved, *installed})
        if approved.get(kind) != installed.get(kind)
    }


def plug_in_sentence(change: Mapping[str, object]) -> str:
    """What is wrong with the package of a kind and what to do, given what was expected and what is there.

    >>> old, new = {"package": "lab-probe", "version": "1.0", "sha256": "a"}, {"sha256": "b"}
    >>> plug_in_sentence({"expected": old, "found": old | new})
    'lab-probe 1.0 has other files than those approved: install it as it was, or enter the setup anew; then \
restart the service'
    >>> plug_in_sentence({"expected": old, "found": None})
    'lab-probe 1.0 was approved, but none can be used: install it again; then restart the service'
    """
    expected, installed = (_name_of(change.get(key)) for key in ("expected", "found"))
    if not installed:
        return f"{expected} was approved, but none can be used: install it again; then restart the service"
    if expected == installed:
        what = f"{installed} has other files than those approved: install it as it was"
    elif expected:
        what = f"{expected} was approved, {installed} is installed: install {expected} again"
    else:
        what = f"{installed} was never approved: remove it"
    return f"{what}, or enter the setup anew; then restart the service"


def _name_of(package: object) -> str:
    return f"{package['package']} {package['version']}" if isinstance(package, Mapping) else ""


def _text(plug_ins: Iterable[PlugIn]) -> str:
    tables = [
        f'\n[plug_ins."{p.kind}"]\npackage = "{p.package}"\nversion = "{p.version}"\nsha256 = "{p.sha256}"\n'
        for p in plug_ins
    ]
    return _HEAD + "".join(tables)
