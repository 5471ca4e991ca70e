"""Which kinds there are, what is refused by name, and what a setup says of the packages that it needs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logger import config
from logger.config.plug_ins import plug_in_changes
from logger.errors import ConfigError
from logger.model import PluginLine
from logger.probes import drivers
from logger.probes.kinds import OWN
from logger.probes.plug_in import KindRefused
from logger.probes.registry import kind_named, list_plug_ins, names

from .conftest import DRIVER, HEAD, KIND, SOUND, TABLE, Install, forget

TEXTS = config.read_texts(config.example_folder())
BEGIN = "[probes.B1.connection]\n"


def texts(table: str) -> dict[str, str]:
    """The example with another connection of the barometer."""
    before, _, after = TEXTS["probes.toml"].partition(BEGIN)
    rest = after[after.index("\n# Which probe stood where") :]
    return TEXTS | {"probes.toml": before + BEGIN + table + "\n" + rest}


def refusal(table: str) -> str:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts(table))
    return str(refused.value)


def test_a_kind_of_another_package_is_checked_like_our_own(install: Install) -> None:
    install("lab-probe")
    line = config.load_texts(texts('kind = "bath"\nplace = "bench"')).lines[-1]
    assert isinstance(line, PluginLine)
    assert (line.kind, line.bus, line.channels, line.serial, line.units) == (
        "bath", "test:bench", {"v": "B1.pressure"}, "AG-0501", {"B1.pressure": "hPa"},
    )  # fmt: skip
    message = refusal('kind = "bath"\nplac = "bench"')
    assert re.search(
        r"probes\.toml \[probes\.B1\.connection\] plac: expected .*place.* \(line \d+\)", message
    )


def test_a_kind_that_nobody_brings_is_refused_with_those_there_are() -> None:
    forget()
    message = refusal('kind = "bath"')
    assert f"kind: expected one of {', '.join(OWN)}" in message
    assert "found 'bath'; no installed package brings it" in message


def test_two_packages_with_one_kind_are_refused_by_name(install: Install) -> None:
    install("lab-probe")
    install("other-probe")
    expected = "expected one package that brings a kind, found 'bath' in lab-probe and other-probe"
    assert expected in refusal('kind = "bath"')


def test_a_package_cannot_take_the_place_of_our_own_kind(install: Install) -> None:
    install("lab-probe", kind="modbus")
    with pytest.raises(KindRefused, match="'modbus' in stillroom and lab-probe"):
        kind_named("modbus")


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        pytest.param(
            SOUND.replace("D)\n", "D, interface=2)\n"), "interface 1, found interface 2", id="interface"
        ),
        pytest.param("import no_such_module\n", "to be loaded, found ModuleNotFoundError", id="import"),
        pytest.param("K = 5\n", "to be a ProbeKind of logger.probes.plug_in, found int", id="no kind"),
        pytest.param(
            SOUND.replace("class T(Table)", "class T(__import__('pydantic').BaseModel)"), "extra=", id="keys"
        ),
        pytest.param(SOUND.replace("D)\n", "None)\n"), "a table of pydantic and a driver", id="no driver"),
        pytest.param(
            SOUND.replace("{'v': 'pressure'}", "1 / 0"), "to give its values, found ZeroDiv", id="values"
        ),
        pytest.param(SOUND.replace("{'v': 'pressure'}", "{}"), "to name its values and its bus", id="empty"),
    ],
)
def test_a_package_that_is_not_what_it_should_be_is_refused_by_name(
    install: Install, code: str, expected: str
) -> None:
    install("lab-probe", code)
    message = refusal('kind = "bath"')
    assert expected in message
    assert "'bath'" in message


def test_a_broken_package_does_no_harm_to_a_setup_that_does_not_use_it(install: Install) -> None:
    install("lab-probe", "raise SystemError('broken')\n")
    assert config.load_texts(TEXTS).setup.digest == config.digest(TEXTS)
    assert "bath" in names()


def test_the_setup_names_package_version_and_files_and_its_digest_covers_them(install: Install) -> None:
    install("lab-probe")
    entered = config.load_texts(texts('kind = "bath"'))
    text = entered.texts["plug-ins.toml"]
    assert 'package = "lab-probe"' in text
    assert 'version = "1.0"' in text
    assert entered.setup.digest == config.digest(entered.texts)
    assert plug_in_changes(entered.texts, entered.lines) == {}
    install("lab-probe", SOUND + "# a line more\n")
    again = config.load_texts(texts('kind = "bath"'))
    assert again.setup.digest != entered.setup.digest
    change = plug_in_changes(entered.texts, again.lines)["bath"]
    assert [list(change), len(change)] == [["expected", "found"], 2]
    assert change["expected"] != change["found"]


def test_what_somebody_writes_into_the_file_of_plug_ins_is_replaced(install: Install) -> None:
    install("lab-probe")
    forged = texts('kind = "bath"') | {"plug-ins.toml": "[plug_ins.bath]\nsha256 = '0'\n"}
    assert config.load_texts(forged).texts == config.load_texts(texts('kind = "bath"')).texts
    assert "plug-ins.toml" not in config.load_texts(TEXTS | {"plug-ins.toml": "x = 1"}).texts


def test_an_approved_setup_opens_where_its_package_is_gone_and_its_rows_say_so(install: Install) -> None:
    install("lab-probe")
    entered = config.load_texts(texts('kind = "bath"\nplace = "bench"'))
    install("lab-probe", kind="other")
    stored = config.load_stored(entered.texts, version=3)
    assert stored.setup.digest == entered.setup.digest
    line = stored.lines[-1]
    assert isinstance(line, PluginLine)
    (row,) = drivers([line])[0].read()
    assert (row.channel, row.value, row.status) == ("B1.pressure", None, "device-error")
    assert row.raw.startswith("kind: expected one of text")


def test_the_hash_covers_every_file_of_a_package_of_several(install: Install, tmp_path: Path) -> None:
    install("lab-probe", "from lab_parts.driver import K\n")
    parts = tmp_path / "lab_parts"
    parts.mkdir()
    (parts / "__init__.py").write_text("")
    (parts / "driver.py").write_text(HEAD + TABLE + DRIVER + KIND)
    record = tmp_path / "lab_probe-1.0.dist-info" / "RECORD"
    record.write_text(record.read_text() + "lab_parts/__init__.py,,\nlab_parts/driver.py,,\n")
    forget()
    (before,) = list_plug_ins()
    (parts / "driver.py").write_text(HEAD + TABLE + DRIVER + KIND + "\n")
    forget()
    (after,) = list_plug_ins()
    assert (before.package, before.version) == (after.package, after.version)
    assert before.sha256 != after.sha256
