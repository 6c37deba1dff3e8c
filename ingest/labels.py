"""Names to labels; the club's key and the list of names lie beside the store, for their owner only."""

import csv
import hmac
import io
import json
import os
import secrets
import stat
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from ingest.far_files import is_far, place_of, private_home
from ingest.findings import InputError
from ingest.formula_guard import guarded, unguarded
from ingest.whole_files import PRIVATE, make_folder, write_whole

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Crockford's base 32: no I, L, O, U
LABEL_CHARACTERS = 8
KEY_BYTES = 32
DIGEST_BYTES = 16


def keyed_digest(key: bytes, message: bytes) -> bytes:
    """HMAC-SHA-256 of `message` (RFC 2104, FIPS 198-1). [32 bytes]

    >>> keyed_digest(b"Jefe", b"what do ya want for nothing?").hex()[:16]
    '5bdcc146bf60754e'
    """
    return hmac.digest(key, message, "sha256")


@lru_cache(maxsize=1 << 14)  # folders are asked for with each of their logs
def plain_name(name: str) -> str:
    """A car's name as it is compared: without case, outer or doubled spaces, accents stored one way.

    >>> plain_name("  Anna's  GTI ")
    "anna's gti"
    """
    return " ".join(unicodedata.normalize("NFC", name).casefold().split())


@dataclass(frozen=True)
class Key:
    """The club's secret, and what is made with it. Two clubs' keys give different labels for one name."""

    secret: bytes = field(repr=False)

    def label(self, car: str) -> str:
        """What a car is called outside the club's private folder: eight characters, "XXXX-XXXX".

        >>> Key(bytes(32)).label("anna") == Key(bytes(32)).label(" Anna")
        True
        """
        bits = int.from_bytes(self._of("car", plain_name(car).encode())[:5], "big")
        text = "".join(ALPHABET[bits >> 5 * i & 31] for i in reversed(range(LABEL_CHARACTERS)))
        return f"{text[:4]}-{text[4:]}"

    def log(self, label: str, content: bytes) -> str:
        """Digest of a log's bytes under one car's label. [32 hexadecimal digits]"""
        return self._of("log", self._of("content", content) + label.encode())[:DIGEST_BYTES].hex()

    def source(self, place: str) -> str:
        """Digest of where a log lies, from the folder of logs. [32 hexadecimal digits]"""
        return self._of("source", place.encode("utf-8", "surrogateescape"))[:DIGEST_BYTES].hex()

    @property
    def check(self) -> str:
        """Tells this key from another, and nothing else of it. [16 hexadecimal digits]"""
        return self._of("check", b"")[:8].hex()

    def club(self) -> str:
        """What the club is called in what it gives to others: as a label, and no car's."""
        return self.label("\0club")

    def _of(self, kind: str, message: bytes) -> bytes:
        return keyed_digest(self.secret, kind.encode() + b"\0" + message)


def typed_label(text: str) -> str:
    """A label as someone typed it, in its usual form; other text comes back as it is.

    >>> typed_label("7k3mq2xw")
    '7K3M-Q2XW'
    """
    bare = text.strip().upper().replace("-", "")
    is_label = len(bare) == LABEL_CHARACTERS and set(bare) <= set(ALPHABET)
    return f"{bare[:4]}-{bare[4:]}" if is_label else text


def private_folder(store: Path) -> Path:
    """Where the key and the lists of names lie: beside the store, never in it, nor in an object store.

    >>> private_folder(Path("club/store")).as_posix()
    'club/store.private'
    """
    return private_home(store) if is_far(store) else store.with_name(store.name + ".private")


def open_key(store: Path, *, in_use: bool = False) -> Key:
    """The key of a store's club, made on first use.

    in_use: the store holds logs already, so that a missing key must not be replaced by a new one.
    Raises InputError if the key is missing though in use, is broken, or can be read by others.
    """
    folder = private_folder(store)
    path = folder / "key"
    if not path.exists():
        if in_use:
            raise InputError(
                [
                    f"{path}: missing. The labels of {store} were made with it; with another key every "
                    "car would start anew. Put it back from a copy, or ingest the logs into a new store: its labels "
                    "will be others, so make its studies and reports anew."
                ]
            )
        write_private(path, secrets.token_hex(KEY_BYTES) + "\n")
    check_private(folder)
    text = path.read_text(encoding="ascii", errors="replace").strip()
    try:
        secret = bytes.fromhex(text)
    except ValueError:
        secret = b""
    if len(secret) != KEY_BYTES:
        raise InputError(
            [f"{path}: broken, it should hold {2 * KEY_BYTES} hexadecimal digits. Put it back from a copy."]
        )
    return Key(secret)


def check_private(folder: Path) -> None:
    """Raise InputError naming whatever in a private folder others than its owner can read."""
    if os.name != "posix":
        return
    open_to_others = [
        f"{path}: others can read it. Run: chmod {'700' if path.is_dir() else '600'} {path}"
        for path in (folder, *sorted(folder.iterdir()))
        if stat.S_IMODE(path.stat().st_mode) & 0o077
    ]
    if open_to_others:
        raise InputError(open_to_others)


def write_private(path: Path, text: str) -> None:
    """Write a file that its owner alone can read, whole or not at all."""
    make_folder(path.parent, 0o700)
    write_whole(path, text.encode("utf-8", "surrogateescape"), PRIVATE)


def read_labels(store: Path | str) -> dict[str, str]:
    """Car -> label, as labels.csv tells it. For the organiser only.

    Raises InputError if there is no list, or others can read it.
    """
    path = private_folder(place_of(store)) / "labels.csv"
    if not path.exists():
        raise InputError([f"{path}: missing. `pumpcensus ingest` writes it beside the store."])
    check_private(path.parent)
    with path.open(encoding="utf-8", newline="") as file:
        return {unguarded(row["car"]): row["label"] for row in csv.DictReader(file)}


def write_labels(store: Path, cars: Iterable[str], key: Key) -> dict[str, str]:
    """Car -> label of `cars`; these and the cars listed earlier go into labels.csv.

    Raises InputError if two cars would get the same label (one chance in 10^12 a pair).
    """
    labels = {car: key.label(car) for car in cars}
    listed = read_labels(store) if (private_folder(store) / "labels.csv").exists() else {}
    plain: dict[str, str] = {}
    for car, label in (listed | labels).items():
        if plain.setdefault(label, plain_name(car)) != plain_name(car):
            raise InputError([f"{car}: gets the label {label} of another car. Add a word to its name."])
    named_now = {plain_name(car) for car in labels}
    rest = {car: label for car, label in listed.items() if plain_name(car) not in named_now}
    write_label_list(store, rest | labels)
    return labels


def write_label_list(store: Path, labels: Mapping[str, str]) -> None:
    """Replace labels.csv. labels: car -> label."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("car", "label"))
    writer.writerows((guarded(car), label) for car, label in sorted(labels.items()))
    path = private_folder(store) / "labels.csv"
    if not path.exists() or path.read_text(encoding="utf-8") != text.getvalue():
        write_private(path, text.getvalue())


def read_forgotten(store: Path) -> list[str]:
    """Labels of members who left, whose logs shall not come back."""
    path = private_folder(store) / "forgotten.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else []


def add_forgotten(store: Path, labels: Iterable[str]) -> None:
    """Add to the list of those who left."""
    told = json.dumps(sorted({*read_forgotten(store), *labels})) + "\n"
    write_private(private_folder(store) / "forgotten.json", told)
