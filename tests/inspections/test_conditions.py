"""Conditions for the measuring program: figures, four forms, files by the service, whatever happens."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from lxml import etree

from logger.acts import inspections as actions
from logger.config import in_force
from logger.core.measurement.stamp import read_stamp
from logger.errors import Refused, UnknownName
from logger.formats.dcc.fragment import MeasuredRange, fragment
from logger.inspections.conditions import FORMS, conditions_by_key, inspection_conditions
from logger.inspections.revisions import review
from logger.instants import NS
from logger.model import ConditionsPlan, Config, Inspection, Row
from logger.service.condition_files import READY, ConditionFiles, stem_of
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.inspections.test_lists import NOW

DCC, SI = "{https://ptb.de/dcc}", "{https://ptb.de/si}"


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def config(store: Store) -> Config:
    return replace(in_force(store.setups.versions()), conditions=ConditionsPlan("out"))


@pytest.fixture
def verdicts(store: Store, config: Config) -> Verdicts:
    return Verdicts(store, config.setup)


def rows(content: bytes) -> dict[str, str]:
    return {name: value for name, value in csv.reader(io.StringIO(content.decode()))}


def test_every_channel_has_its_uncertainty_and_medium(verdicts: Verdicts) -> None:
    """The certificates of the demo: U of temperature 0.05 K to 0.1 K, in the medium of each position."""
    statistics = conditions_by_key(verdicts, "I-2601", NOW).content["statistics"]

    assert {row["medium"] for row in statistics.values()} >= {"air"}
    for channel, row in statistics.items():
        assert row["U"] > 0, channel
        if row["quantity"] == "temperature":
            assert row["U"] < 0.5


def test_the_digest_covers_neither_uncertainty_nor_medium(verdicts: Verdicts) -> None:
    """Stamps that were printed before these figures stood in the answer still hold."""
    from logger.core.judge.judgement import digest
    from logger.inspections.assess import assess, question_of

    job = next(j for j in actions.inspections(verdicts.store) if j.key == "I-2601")
    body = assess(verdicts, question_of(job, NOW), NOW).check.to_dict()
    left = ("U", "medium", "reason", "because", "leading", "digest", "setup", "software", "settings")
    judged = {name: value for name, value in body.items() if name not in left}
    plain = {
        channel: {name: value for name, value in row.items() if name not in ("U", "medium")}
        for channel, row in body["statistics"].items()  # type: ignore[attr-defined]
    }
    assert digest({**judged, "statistics": plain}) == body["digest"]


def test_the_forms_say_the_same(verdicts: Verdicts) -> None:
    """Verdict, bounds, U, µm and stamp by JSON, CSV, line and fragment of one inspection."""
    conditions = conditions_by_key(verdicts, "I-2601", NOW)
    content = json.loads(conditions.text("json"))
    named = rows(conditions.text("csv"))
    stamp = conditions.text("line").decode()

    air = next(q for q in content["quantities"] if (q["quantity"], q["medium"]) == ("temperature", "air"))
    assert float(named["temperature_air_min_degC"]) == pytest.approx(air["min"])
    assert float(named["temperature_air_max_degC"]) == pytest.approx(air["max"])
    assert float(named["temperature_air_U_K"]) == pytest.approx(air["U"])
    assert float(named["temperature_air_span_K"]) == pytest.approx(air["max"] - air["min"], abs=1e-6)
    assert float(named["thermal_nde_um"]) == pytest.approx(content["thermal"]["nde_um"], abs=1e-6)
    assert named["verdict"] == content["verdict"] == "stable"
    assert stamp == named["stamp"] + "\n" == content["stamp"] + "\n"
    assert read_stamp(stamp).digest == content["digest"]
    assert not conditions.text("csv").startswith(b"\xef\xbb\xbf")

    root = etree.fromstring(conditions.text("dcc"))
    values = [
        float(v.text)
        for v in root.iterfind(f".//{DCC}quantity[@refType='basic_temperatureMin']/{SI}real/{SI}value")
    ]
    assert air["min"] in values
    assert stamp.strip() in "".join(root.itertext())


def test_not_shown_has_no_bounds_in_any_form(verdicts: Verdicts) -> None:
    """A program that reads only the numbers finds none."""
    conditions = conditions_by_key(verdicts, "I-2605", NOW)

    assert (conditions.content["verdict"], conditions.content["quantities"]) == ("not shown", [])
    assert conditions.content["thermal"] is None
    assert not [
        name for name in rows(conditions.text("csv")) if "_min_" in name or name.startswith("thermal")
    ]
    assert b"<si:value>" not in conditions.text("dcc")
    assert "Not shown: " in "".join(etree.fromstring(conditions.text("dcc")).itertext())
    assert b": not shown" in conditions.text("line")


def test_a_job_that_cannot_be_judged_is_not_shown_with_its_reason(verdicts: Verdicts) -> None:
    """Years before the record: every form is written, none has a number."""
    job = Inspection("X-1", "machine-bay", 0, 3600 * NS, "Ring")
    conditions = inspection_conditions(verdicts, job, NOW)

    assert conditions.content["verdict"] == "not shown"
    assert conditions.content["because"]
    assert {form for form in FORMS if conditions.text(form)} == set(FORMS)


def test_unknown_keys_and_forms_name_what_there_is(verdicts: Verdicts) -> None:
    with pytest.raises(UnknownName, match="I-2601"):
        conditions_by_key(verdicts, "I-2691", NOW)
    with pytest.raises(Refused, match="expected one of json, csv, line, dcc, found 'pdf'"):
        conditions_by_key(verdicts, "I-2601", NOW).text("pdf")


def test_a_text_that_would_run_as_a_formula_stays_a_text(verdicts: Verdicts, config: Config) -> None:
    """A title that a table program would execute gets a leading apostrophe; numbers below zero do not."""
    job = next(j for j in actions.inspections(verdicts.store) if j.key == "I-2601")
    for start in ("=", "+", "-", "@", "\t", "\r"):
        evil = inspection_conditions(verdicts, replace(job, title=f"{start}cmd|' /C calc'!A0"), NOW)
        assert rows(evil.text("csv"))["title"].startswith(f"'{start}"[:2])
    assert rows(evil.text("csv"))["thermal_nde_um"][0] in "-0123456789"


def schema_folder() -> Path:
    folder = os.environ.get("STILLROOM_DCC_SCHEMAS")
    if not folder:
        pytest.skip("STILLROOM_DCC_SCHEMAS names no folder with dcc.xsd, SI_Format.xsd")
    return Path(folder)


class _Here(etree.Resolver):
    """Imports of the schema from the same folder; of XML signatures the one name that is used."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def resolve(self, url: str, _: object, context: object) -> object:
        if url.endswith("SI_Format.xsd"):
            return self.resolve_filename(str(self._folder / "SI_Format.xsd"), context)
        if "xmldsig" in url:
            return self.resolve_string(
                '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace='
                '"http://www.w3.org/2000/09/xmldsig#"><xs:element name="Signature"/></xs:schema>',
                context,
            )
        return None


@pytest.mark.parametrize("kelvin", [False, True])
@pytest.mark.parametrize("key", ["I-2601", "I-2605"])
def test_the_fragment_is_valid_by_the_published_schema(verdicts: Verdicts, key: str, kelvin: bool) -> None:
    """By the schema of DCC 3.2.1 (PTB, LGPL: not shipped), its type of influence conditions, with lxml."""
    folder = schema_folder()
    parser = etree.XMLParser()
    parser.resolvers.add(_Here(folder))
    tree = etree.parse(str(folder / "dcc.xsd"), parser)
    xs = "{http://www.w3.org/2001/XMLSchema}"
    kind = tree.find(f".//{xs}element[@name='influenceConditions']").get("type")
    etree.SubElement(tree.getroot(), f"{xs}element", name="influenceConditions", type=kind)
    schema = etree.XMLSchema(tree)

    content = conditions_by_key(verdicts, key, NOW).text("dcc", kelvin=kelvin)
    schema.assertValid(etree.fromstring(content))
    wrong = etree.fromstring(content.replace(b"dcc:description", b"dcc:words"))
    assert not schema.validate(wrong)


def test_units_of_the_fragment_are_those_of_the_published_list_and_kelvin_stands_beside() -> None:
    """D-SI writes units with a backslash; 20.5 °C is 293.65 K (ITS-90: t = T − 273.15)."""
    ranges = [
        MeasuredRange("temperature", "air", 19.9, 20.5, 0.06),
        MeasuredRange("relative_humidity", "air", 44.0, 46.0, 1.6),
        MeasuredRange("pressure", "air", 98_000.0, 98_100.0, 30.0),
        MeasuredRange("co2", "air", 400.0, 500.0, 30.0),
    ]
    root = etree.fromstring(fragment(ranges, "", kelvin=True))
    units = {unit.text for unit in root.iter(f"{SI}unit")}

    assert units == {r"\degreecelsius", r"\kelvin", r"\percent", r"\pascal"}
    assert "293.65" in [value.text for value in root.iter(f"{SI}value")]
    assert {c.get("refType") for c in root.iter(f"{DCC}influenceCondition")} == {
        "basic_temperature",
        "basic_humidityRelative",
        "basic_pressure",
    }


def test_schema_33_names_the_uncertainty_otherwise_and_says_that_nobody_validated_it() -> None:
    content = fragment([MeasuredRange("temperature", "air", 19.9, 20.5, 0.06)], "", schema="3.3")

    assert b"<si:valueExpandedMU>0.06</si:valueExpandedMU>" in content
    assert b"<si:expandedUnc>" not in content
    assert b"Not validated" in content


@pytest.mark.slow
def test_files_appear_at_the_stop_and_again_when_the_verdict_is_another_one(
    store: Store, config: Config, verdicts: Verdicts
) -> None:
    """The newest of each form, and each revision beside it as it was."""
    files, folder = ConditionFiles(store, config), store.folder / "out"
    review(store, verdicts, NOW)
    written = files.turn(NOW)
    assert {"I-2601", "I-2605"} <= set(written)
    assert files.turn(NOW) == []
    first = (folder / "I-2601.revision-1.json").read_bytes()
    assert (folder / "I-2601.json").read_bytes() == first
    assert json.loads(first)["revision"] == 1
    assert {f"I-2601.{end}" for end in FORMS.values()} <= {f.name for f in folder.iterdir()}

    job = next(j for j in actions.inspections(store) if j.key == "I-2601")
    late = [
        Row("P1.temperature", job.from_ns + s * NS, NOW, 21.5, "ok", "", "late", late=True)
        for s in range(3605, 4800, 10)
    ]
    store.append("late", late)
    review(store, verdicts, NOW + 60 * NS)
    assert files.turn(NOW + 60 * NS) == ["I-2601"]
    assert (folder / "I-2601.revision-1.json").read_bytes() == first
    assert json.loads((folder / "I-2601.json").read_bytes())["verdict"] == "not stable"
    assert (folder / "I-2601.json").read_bytes() == (folder / "I-2601.revision-2.json").read_bytes()


@pytest.mark.slow
def test_a_job_that_just_ended_has_its_files_at_once(store: Store, config: Config) -> None:
    """Written in the first turn after the stop, as what is known then: here, without readings, not shown."""
    files, folder = ConditionFiles(store, config), store.folder / "out"
    while files.turn(NOW):
        pass
    actions.start_inspection(store, config.setup, Inspection("N/1", "machine-bay", 0, None, "Ring"), "x", NOW)
    assert files.turn(NOW) == []
    actions.stop_inspection(store, "N/1", "x", NOW + 600 * NS)
    files.turn(NOW + 602 * NS)

    newest = json.loads((folder / "N%2F1.json").read_bytes())
    assert (newest["inspection"]["key"], newest["verdict"]) == ("N/1", "not shown")
    assert (folder / "N%2F1.txt").read_text().startswith(("not shown", "stillroom:"))


@pytest.mark.slow
def test_files_have_the_bytes_of_the_command(
    store: Store, config: Config, verdicts: Verdicts, stillroom, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    """The same by both ways, and the exit code is that of the verdict."""
    review(store, verdicts, NOW)
    ConditionFiles(store, config).turn(NOW)
    expected = (store.folder / "out" / "I-2603.csv").read_bytes()
    out = tmp_path / "x.csv"

    result = stillroom(
        "inspection", "conditions", "I-2603", "--form", "csv", "--out", out, "--data", store.folder
    )

    assert result.returncode == 10, result.stderr
    assert out.read_bytes() == expected


def test_readiness_stands_in_a_file_for_each_zone(store: Store, config: Config) -> None:
    """For a machine that knows only files: the sentence, and until when it may be believed."""
    ConditionFiles(store, config).turn(NOW)
    folder = store.folder / "out" / READY

    assert {f.stem for f in folder.iterdir()} == {zone.key for zone in config.setup.zones_now()}
    body = json.loads((folder / "machine-bay.json").read_bytes())
    assert body["may_start"] is False
    assert body["at"] < body["valid_until"]


def test_without_a_folder_nothing_is_written(store: Store, config: Config) -> None:
    assert ConditionFiles(store, replace(config, conditions=None)).turn(NOW) == []
    assert not (store.folder / "out").exists()


def test_names_of_files_never_leave_the_folder_nor_meet() -> None:
    keys = ["I-1", "i 1", "../x", "a/b", "a%2Fb", "A.revision-1", ".", "ü" * 80, "ü" * 81, "NUL:", "x\\y"]
    names = [stem_of(key) for key in keys]

    assert len(set(names)) == len(keys)
    for name in names:
        assert len(name.encode()) < 200
        assert not set(name) & set('/\\:*?"<>|')
        assert not name.startswith(".")


def test_a_printed_stamp_is_a_numbered_revision_also_while_no_service_runs(
    store: Store, verdicts: Verdicts
) -> None:
    """Whatever prints it writes it first: the stamp resolves."""
    from logger.inspections.revisions import of_digest

    printed = conditions_by_key(verdicts, "I-2601", NOW, "command")

    revision = of_digest(store, str(printed.content["digest"]))
    assert revision is not None
    assert (revision.inspection, revision.number) == ("I-2601", printed.revision)
