"""Signatures of records, checked by OpenSSL's command line; the key's life; the list and amendment."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import pytest

from logger.errors import Refused
from logger.record.issues import amend, issue_of, issues
from logger.record.signatures import (
    FILE,
    FOLDER,
    head_text,
    is_signature_of,
    public_keys,
    rotate_key,
    sealed_by,
    signing_key,
)

from .conftest import Room, tool

# RFC 8032, 7.1, TEST 2: public key, one-byte message, signature.
RFC_PUBLIC = bytes.fromhex("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c")
RFC_SIGNATURE = bytes.fromhex(
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def by_openssl(folder: Path, name: str) -> tuple[int, str]:
    key = next(folder.glob(f"{name}-key.pem"))
    listed = folder / f"{name}.sha256"
    arguments = ("pkeyutl", "-verify", "-pubin", "-inkey", key, "-rawin", "-in", listed)
    return tool("openssl", *arguments, "-sigfile", f"{listed}.sig")


def test_the_published_vector_is_accepted_and_another_message_is_not() -> None:
    from cryptography.hazmat.primitives import serialization as s
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    key = Ed25519PublicKey.from_public_bytes(RFC_PUBLIC)
    pem = key.public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo).decode()
    assert is_signature_of(pem, b"\x72", RFC_SIGNATURE)
    assert not is_signature_of(pem, b"\x73", RFC_SIGNATURE)
    assert not is_signature_of("no key at all", b"\x72", RFC_SIGNATURE)


@pytest.mark.slow
def test_openssl_and_sha256sum_verify_an_issue_and_reject_a_changed_byte(room: Room, tmp_path: Path) -> None:
    record = room.issue(tmp_path / "a")
    name = next(n.removesuffix(".pdf") for n in record.files if n.endswith(".pdf"))
    assert tool("sha256sum", "-c", f"{name}.sha256", cwd=tmp_path / "a")[0] == 0
    assert by_openssl(tmp_path / "a", name)[0] == 0

    listed = tmp_path / "a" / f"{name}.sha256"
    listed.write_bytes(listed.read_bytes().replace(b"a", b"b", 1))
    assert by_openssl(tmp_path / "a", name)[0] != 0
    paper = tmp_path / "a" / f"{name}.pdf"
    paper.write_bytes(paper.read_bytes()[:-1] + b"?")
    assert tool("sha256sum", "-c", f"{name}.sha256", cwd=tmp_path / "a")[0] != 0


def test_the_key_is_its_owners_alone_and_known_to_the_journal(room: Room) -> None:
    key = signing_key(room.store, "Greta Holm")
    path = room.store.folder / FOLDER / FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 or os.name == "nt"
    assert [(k["act"], k["key"]) for k in public_keys(room.store)] == [("first", key.name)]
    assert signing_key(room.store, "Radek Sova").name == key.name
    assert room.store.verify().intact


def test_a_new_key_is_signed_by_the_old_and_what_that_signed_stays_verifiable(room: Room) -> None:
    old = signing_key(room.store, "Greta Holm")
    text = head_text(room.store, room.now_ns)
    signature = old.sign(text)
    with pytest.raises(Refused, match="give a reason"):
        rotate_key(room.store, "Greta Holm", " ")
    new = rotate_key(room.store, "Greta Holm", "yearly")
    first, second = public_keys(room.store)
    assert (second["act"], second["key"]) == ("rotated", new.name) != ("rotated", old.name)
    assert is_signature_of(first["public"], text, signature)
    assert is_signature_of(first["public"], second["public"].encode(), bytes.fromhex(second["signed_by_old"]))
    assert signing_key(room.store, "Greta Holm").name == new.name


@pytest.mark.slow
def test_a_lost_key_stops_issuing_until_it_is_said(room: Room, tmp_path: Path) -> None:
    room.issue(tmp_path / "a")
    shutil.rmtree(room.store.folder / FOLDER)
    with pytest.raises(Refused, match="record key --lost"):
        room.issue(tmp_path / "b")
    rotate_key(room.store, "Greta Holm", "the disk failed; restored from the backup of 1 October", lost=True)
    assert public_keys(room.store)[1]["act"] == "lost"
    assert "signed_by_old" not in public_keys(room.store)[1]
    assert room.issue(tmp_path / "b").number == 2


@pytest.mark.slow
def test_a_strangers_key_in_the_folder_is_refused(room: Room, tmp_path: Path) -> None:
    signing_key(room.store, "Greta Holm")
    path = room.store.folder / FOLDER / FILE
    assert tool("openssl", "genpkey", "-algorithm", "ed25519", "-out", path)[0] == 0
    with pytest.raises(Refused, match="is not the key that this record signs by"):
        room.issue(tmp_path / "a")
    path.write_text("no key")
    with pytest.raises(Refused, match="is no private key"):
        signing_key(room.store, "Greta Holm")


def test_a_signed_head_is_what_verify_takes(room: Room, tmp_path: Path) -> None:
    key = signing_key(room.store, "Greta Holm")
    number, sha256 = room.store.journal.head()
    files = {"head.txt": head_text(room.store, room.now_ns)}
    for name, content in (files | sealed_by(key, "head", files)).items():
        (tmp_path / name).write_bytes(content)
    assert by_openssl(tmp_path, "head")[0] == 0
    assert f"{number}:{sha256}" in (tmp_path / "head.txt").read_text()
    assert room.store.verify([(number, sha256)]).intact


@pytest.mark.slow
def test_the_list_says_which_replaced_which_and_an_amended_one_is_amended_once(
    room: Room, tmp_path: Path
) -> None:
    room.issue(tmp_path / "a")
    record = amend(
        room.store, room.verdicts, 1, "readings came late", tmp_path / "b", "Radek Sova", room.now_ns
    )
    first, second = issues(room.store)
    assert (first.replaced_by, second.replaces, second.why) == (2, 1, "readings came late")
    assert (first.from_ns, first.to_ns, first.zone) == (second.from_ns, second.to_ns, second.zone)
    assert first.file(".pdf").read_bytes().startswith(b"%PDF")
    assert record.number == 2
    with pytest.raises(Refused, match="was replaced by record 2"):
        amend(room.store, room.verdicts, 1, "again", tmp_path / "c", "Radek Sova", room.now_ns)
    with pytest.raises(Refused, match="no record 9; 1 to 2"):
        issue_of(room.store, 9)
