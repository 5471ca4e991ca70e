"""Signatures by the record itself: Ed25519 (RFC 8032), so that a copy can be trusted without trusting us.

The private key is made at first use, in `keys/` of the data folder, readable by its owner alone. Every
public key that ever signed is in the journal (kind `signing-key`): a new one names the old, and is signed
by it unless that was lost. A signature is 64 bytes beside the file, as the command line of OpenSSL
reads it: `openssl pkeyutl -verify -pubin -inkey KEY.pem -rawin -in FILE -sigfile FILE.sig`.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Refused
from ..instants import rfc3339
from ..model.entry_forms import KeyEntry
from .names import Names

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from ..store import Store

KIND = "signing-key"
FOLDER, FILE = "keys", "signing-key.pem"


@dataclass(frozen=True)
class Key:
    """A key that can sign. `public` is its public half as PEM text; `name` the SHA-256 of that half's DER."""

    name: str
    public: str
    _private: Ed25519PrivateKey

    def sign(self, content: bytes) -> bytes:
        """64 bytes; the same for the same content and key."""
        return bytes(self._private.sign(content))


def signing_key(store: Store, who: str) -> Key:
    """The key in use, created and journalled at first use; Refused where it is missing or another one."""
    store.refuse_read_only()
    newest, path = _newest(store), _path(store)
    if not path.exists():
        if newest is not None:
            raise Refused(
                f"The signing key of this record is not at {path}; a restored record comes without it. "
                "If it is lost: `stillroom record key --lost --why TEXT` makes a new one, journalled."
            )
        key = _create_key(path)
    else:
        key = _read_key(path)
    if newest is None:
        what = {"act": "first", "key": key.name, "public": key.public}
        store.journal.append(KIND, who, what, "the record signs from now on")
    elif newest["key"] != key.name:
        raise Refused(f"{path} is not the key that this record signs by ({newest['key'][:16]}…).")
    return key


def rotate_key(store: Store, who: str, why: str, *, lost: bool = False) -> Key:
    """Another key from now on, by a journalled act; the old one signs for it, unless it was `lost`.

    What the old key signed stays verifiable: its public half is in the journal and in every package.
    """
    if not why.strip():
        raise Refused("Nothing was changed: give a reason for the new key.")
    path = _path(store)
    before = None if lost else signing_key(store, who)
    if lost and _newest(store) is None:
        raise Refused("Nothing was changed: this record has never signed, so no key can be lost.")
    aside = path.with_suffix(".new")
    aside.unlink(missing_ok=True)
    key = _create_key(aside)
    act = "lost" if lost else "rotated"
    what: KeyEntry = {"act": act, "key": key.name, "public": key.public}
    if before:
        what["signed_by_old"] = before.sign(key.public.encode()).hex()
    store.journal.append(KIND, who, what, why.strip())
    aside.replace(path)
    return key


def public_keys(store: Store) -> list[dict[str, Any]]:
    """Every key of this record, oldest first: since when, by which act, its public half, who and why.

    `proven`: whether an account proved who; None where no person acted.
    """
    names = Names(store)
    return [
        {**entry.what, "at": rfc3339(entry.at_ns), "who": entry.who, "why": entry.why}
        | {"proven": names.proven(entry.who, entry.what)}
        for entry in store.journal.entries(kind=KIND)
    ]


def check_keys(store: Store) -> Iterator[str]:
    """A sentence where the signing key is missing, damaged, or not the one that the journal names.

    One that is missing since the record was restored is no fault: no backup holds it.
    """
    entries, path = store.journal.entries(kind=KIND), _path(store)
    for before, entry in pairwise(entries):
        what = entry.read(KeyEntry)
        if what["act"] == "rotated" and not _old_key_signed(before.read(KeyEntry), what):
            yield f"signing key {what['key'][:16]}…: the key before it did not sign for it"
    if not entries:
        return
    if not path.exists():
        if not restored_without(store):
            yield (
                f"file {FOLDER}/{FILE}: missing, though this record signs by it; put it back, or say what"
                " became of it with `stillroom record key --lost --why TEXT`"
            )
        return
    try:
        key = _read_key(path)
    except (Refused, OSError) as error:
        yield f"file {FOLDER}/{FILE}: damaged: {error}"
        return
    if key.name != entries[-1].read(KeyEntry)["key"]:
        yield f"file {FOLDER}/{FILE}: is not the key that this record signs by"


def restored_without(store: Store) -> bool:
    """Whether the signing key is missing because the record was restored since it last signed by one."""
    newest = _newest(store)
    if newest is None or _path(store).exists():
        return False
    key_entry = store.journal.entries(kind=KIND, newest_first=True, limit=1)[0].number
    return bool(store.journal.entries(key_entry, kind="restore", limit=1))


def _old_key_signed(before: KeyEntry, what: KeyEntry) -> bool:
    try:
        signature = bytes.fromhex(what["signed_by_old"])
        return is_signature_of(before["public"], what["public"].encode(), signature)
    except (KeyError, ValueError, TypeError):
        return False


def is_signature_of(public: str, content: bytes, signature: bytes) -> bool:
    """Whether the signature is that of the content by the key with this public half."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(public.encode())
        if not isinstance(key, Ed25519PublicKey):
            return False
        key.verify(signature, content)
    except (InvalidSignature, ValueError):
        return False
    return True


def key_name(public: str) -> str | None:
    """The name of a key by its public half: SHA-256 of the DER, as `Key.name`; None for what is no key."""
    from cryptography.hazmat.primitives import serialization as s

    try:
        der = s.load_pem_public_key(public.encode()).public_bytes(
            s.Encoding.DER, s.PublicFormat.SubjectPublicKeyInfo
        )
    except ValueError:
        return None
    return hashlib.sha256(der).hexdigest()


def head_text(store: Store, at_ns: int) -> bytes:
    """The head of the chain as a text to sign and to give away."""
    number, sha256 = store.journal.head()
    return (
        f"Head of the journal of record {store.key} ({store.setups.room_key()})\n"
        f"entry   {number}\nsha256  {sha256}\nat      {rfc3339(at_ns)}\n"
        f"verify  stillroom verify --head {number}:{sha256}\n"
    ).encode()


def sealed_by(
    key: Key, name: str, files: Mapping[str, bytes], sha256s: Mapping[str, str] | None = None
) -> dict[str, bytes]:
    """The list of digests of files as `sha256sum -c` reads it, its signature, and the public key.

    sha256s: those of all files, where they are there already.
    """
    listed = digests(files) if sha256s is None else sha256s
    lines = [f"{listed[file]}  {file}\n" for file in sorted(files)]
    digest_list = "".join(lines).encode()
    return {
        f"{name}.sha256": digest_list,
        f"{name}.sha256.sig": key.sign(digest_list),
        f"{name}-key.pem": key.public.encode(),
    }


def digests(files: Mapping[str, bytes]) -> dict[str, str]:
    """File name -> SHA-256; those of a year's readings are large, hence in parallel."""
    with ThreadPoolExecutor() as pool:
        sha256s = pool.map(lambda content: hashlib.sha256(content).hexdigest(), files.values())
        return dict(zip(files, sha256s, strict=True))


def _path(store: Store) -> Path:
    return store.folder / FOLDER / FILE


def _newest(store: Store) -> KeyEntry | None:
    entries = store.journal.entries(kind=KIND, newest_first=True, limit=1)
    return entries[0].read(KeyEntry) if entries else None


def _create_key(path: Path) -> Key:
    from cryptography.hazmat.primitives import serialization as s
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.generate()
    text = private.private_bytes(s.Encoding.PEM, s.PrivateFormat.PKCS8, s.NoEncryption())
    path.parent.mkdir(mode=0o700, exist_ok=True)
    # Its owner's alone from the first byte on, not from a later chmod.
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    return _key(private)


def _read_key(path: Path) -> Key:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        private = load_pem_private_key(path.read_bytes(), None)
    except ValueError as error:
        raise Refused(
            f"{path} is no private key ({error}); see `stillroom record key --lost --help`."
        ) from None
    if not isinstance(private, Ed25519PrivateKey):
        raise Refused(f"{path}: expected an Ed25519 key, found another kind.")
    return _key(private)


def _key(private: Ed25519PrivateKey) -> Key:
    from cryptography.hazmat.primitives import serialization as s

    public = private.public_key()
    der = public.public_bytes(s.Encoding.DER, s.PublicFormat.SubjectPublicKeyInfo)
    pem = public.public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo)
    return Key(hashlib.sha256(der).hexdigest(), pem.decode(), private)
