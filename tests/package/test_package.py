"""The assessor's package, judged by sha256sum, openssl and the bagit library."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import bagit
import pyarrow.parquet as pq
import pytest

from logger.errors import IntervalError, Refused
from logger.instants import parse
from logger.model import Period
from logger.package import pack, verify_package
from logger.package.summary import by_day
from logger.record.signatures import public_keys
from logger.store import Store
from tests.record.conftest import DAY, opened, tool

FROM_TO = (DAY[0], DAY[0] + 3 * 86_400 * 10**9)


@pytest.fixture(scope="module")
def packed(demo_history: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """(package, data folder); the package also stands beside itself as a zip file."""
    place = tmp_path_factory.mktemp("package")
    data = Path(shutil.copytree(demo_history, place / "data"))
    with Store.open(data) as store:
        room = opened(store)
        room.issue(place / "issued")
        pack(store, room.verdicts, FROM_TO, place / "audit", "Greta Holm", room.now_ns, zipped=True)
        assert store.verify().intact
    return place / "audit", data


@pytest.fixture
def copy(packed: tuple[Path, Path], tmp_path: Path) -> Path:
    return Path(shutil.copytree(packed[0], tmp_path / "audit"))


def by_openssl(folder: Path) -> int:
    listed = folder / "manifest-sha256.txt"
    words = ("pkeyutl", "-verify", "-pubin", "-inkey", folder / "signing-key.pem", "-rawin", "-in", listed)
    return tool("openssl", *words, "-sigfile", f"{listed}.sig")[0]


@pytest.mark.slow
def test_sha256sum_openssl_and_the_bagit_library_agree_that_it_is_whole(packed: tuple[Path, Path]) -> None:
    folder, _ = packed
    for listed in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        assert tool("sha256sum", "-c", "--strict", listed, cwd=folder)[0] == 0
    assert by_openssl(folder) == 0
    assert bagit.Bag(str(folder)).is_valid()
    report = verify_package(folder)
    assert report.faults == ()
    assert report.records == 1
    assert verify_package(folder.with_suffix(".zip")) == report


@pytest.mark.slow
def test_the_key_that_signed_has_one_name_everywhere(packed: tuple[Path, Path]) -> None:
    """The package, the list of keys and openssl with sha256sum name the same key."""
    folder, data = packed
    der = folder.parent / "key.der"
    into = ("-outform", "DER", "-out", der)
    assert tool("openssl", "pkey", "-pubin", "-in", folder / "signing-key.pem", *into)[0] == 0
    reply = hashlib.sha256(der.read_bytes()).hexdigest()
    with Store.open(data, read_only=True) as store:
        assert public_keys(store)[-1]["key"] == reply
    assert verify_package(folder).key == reply


@pytest.mark.slow
@pytest.mark.parametrize(
    "pattern", ["data/readings/*/*.csv", "data/records/*/*.pdf", "data/journal.jsonl", "bag-info.txt"]
)
def test_one_changed_byte_is_found_and_named_by_all(copy: Path, pattern: str) -> None:
    victim = sorted(copy.glob(pattern))[0]
    content = bytearray(victim.read_bytes())
    content[len(content) // 2] ^= 1
    victim.write_bytes(content)
    name = victim.relative_to(copy).as_posix()
    assert any(fault == f"{name}: changed" for fault in verify_package(copy).faults)
    listed = "manifest-sha256.txt" if name.startswith("data/") else "tagmanifest-sha256.txt"
    code, output = tool("sha256sum", "-c", "--quiet", listed, cwd=copy)
    assert code != 0
    assert name in output
    assert not bagit.Bag(str(copy)).is_valid() if name.startswith("data/") else True


def test_a_list_made_anew_to_hide_a_change_is_no_longer_signed(copy: Path) -> None:
    """Whoever changes a file and its digest cannot sign the list."""
    victim = copy / "data" / "journal.jsonl"
    old = tool("sha256sum", victim)[1].split()[0]
    victim.write_bytes(victim.read_bytes() + b"\n")
    new = tool("sha256sum", victim)[1].split()[0]
    listed = copy / "manifest-sha256.txt"
    listed.write_text(listed.read_text().replace(old, new))
    assert tool("sha256sum", "-c", "--quiet", "manifest-sha256.txt", cwd=copy)[0] == 0
    assert by_openssl(copy) != 0
    assert any("signature is not that of this list" in fault for fault in verify_package(copy).faults)


def test_what_was_added_or_taken_away_is_named(copy: Path) -> None:
    (copy / "data" / "more.txt").write_text("mine")
    (copy / "data" / "head.txt").unlink()
    faults = verify_package(copy).faults
    assert {"data/more.txt: not listed", "data/head.txt: missing"} <= set(faults)


def test_readings_equal_those_of_the_store_in_both_formats(packed: tuple[Path, Path]) -> None:
    folder, data = packed
    with Store.open(data, read_only=True) as store:
        stored = store.readings.read("P1.temperature", *FROM_TO)
    path = folder / "data" / "readings" / "machine-bay" / "P1.temperature.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))
    assert [float(r["value"]) for r in rows] == stored.value.tolist()
    assert pq.read_table(path.with_suffix(".parquet")).column("value").to_pylist() == stored.value.tolist()


def test_originals_are_bit_for_bit_and_the_setup_is_whole(packed: tuple[Path, Path]) -> None:
    folder, _ = packed
    root = Path(__file__).resolve().parents[2]
    expected = {(root / "sample_logs" / name).read_bytes() for name in ("machine-bay.csv", "barometer.txt")}
    assert expected <= {p.read_bytes() for p in (folder / "data" / "originals").rglob("*") if p.is_file()}
    limits = (root / "config" / "limits.toml").read_bytes()
    assert (folder / "data" / "setup" / "limits.toml").read_bytes() == limits
    assert (folder / "data" / "setup" / "certificates" / "AG-0411-T.toml").is_file()


def test_the_page_needs_no_server_and_leads_to_every_file(packed: tuple[Path, Path]) -> None:
    page = (packed[0] / "data" / "index.html").read_text("utf-8")
    assert "SIMULATED" in page
    assert not re.search(r"<script|https?://|src=", page)
    links = re.findall(r'href="([^"]+)"', page)
    assert links
    assert all((packed[0] / "data" / link).is_file() for link in links)
    linked = {(packed[0] / "data" / link).resolve() for link in links}
    every = {p.resolve() for p in (packed[0] / "data").rglob("*") if p.is_file() and p.name != "index.html"}
    assert every <= linked


def test_days_and_months_sum_up_to_the_interval(packed: tuple[Path, Path]) -> None:
    answer: Any = json.loads((packed[0] / "data" / "summary.json").read_text("utf-8"))
    for zone in answer["zones"]:
        assert sum(sum(month.values()) for month in zone["months"].values()) == 3 * 86_400
    assert answer["zones"][0]["worst_days"][0]["day"].startswith("2026-10-1")
    listed = [day for zone in answer["zones"] for day in zone["worst_days"]]
    assert all(day["not stable"] + day["not shown"] > 0 for day in listed)  # a stable day is not a worst one


def test_the_page_is_in_the_time_of_the_room(packed: tuple[Path, Path]) -> None:
    """Days by its clock, each with its offset; instants of UTC stand in summary.json alone."""
    page = (packed[0] / "data" / "index.html").read_text("utf-8")
    answer: Any = json.loads((packed[0] / "data" / "summary.json").read_text("utf-8"))
    assert not re.search(r"\d\dT\d\d:\d\d", page)
    assert re.search(r"The data from 2026-10-\d\d 00:00 \+02:00 to ", page)
    assert "degC" not in page
    for zone in answer["zones"]:
        days = zone["worst_days"]
        assert {sum(day[v] for v in ("stable", "not stable", "not shown")) for day in days} <= {86_400}


def test_a_day_on_which_the_clock_changes_is_as_long_as_it_was() -> None:
    """Three days of Vienna around 25 October 2026: 24, 25 and 24 h."""
    vienna = ZoneInfo("Europe/Vienna")
    span = parse("2026-10-24", vienna), parse("2026-10-27", vienna)
    days = by_day([Period("bay", *span, "stable", "conforming")], vienna)
    assert [spent["stable"] // 3600 for spent in days.values()] == [24, 25, 24]
    assert [*days] == ["2026-10-24", "2026-10-25", "2026-10-26"]


@pytest.mark.slow
def test_nothing_is_written_over_and_what_is_no_package_is_refused(
    packed: tuple[Path, Path], tmp_path: Path
) -> None:
    folder, data = packed
    with Store.open(data) as store:
        room = opened(store)
        with pytest.raises(Refused, match="is there already"):
            pack(store, room.verdicts, FROM_TO, folder, "Greta Holm", room.now_ns)
        before = (DAY[0] - 400 * 86_400 * 10**9, DAY[0] - 399 * 86_400 * 10**9)
        with pytest.raises(IntervalError, match="There are no readings from 2025-"):
            pack(store, room.verdicts, before, tmp_path / "empty", "Greta Holm", room.now_ns)
        assert not (tmp_path / "empty").exists()
    with pytest.raises(Refused, match=r"no file bagit\.txt"):
        verify_package(tmp_path)
    with pytest.raises(Refused, match="expected a package"):
        verify_package(tmp_path / "nothing")
