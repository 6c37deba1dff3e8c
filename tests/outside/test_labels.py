"""Labels against published vectors, and against somebody who guesses names without the key."""

import hashlib

import pytest

from ingest.labels import ALPHABET, Key, keyed_digest

# RFC 4231 section 4, HMAC-SHA-256, cases 1 to 4, 6 and 7. Written down from memory of the RFC; 1 and 2 also
# stand in many public test suites.
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
]
CARS = [f"car-{number}" for number in range(1, 201)]


@pytest.mark.parametrize(("key", "message", "expected"), RFC_4231)
def test_the_digest_is_hmac_sha_256(key: bytes, message: bytes, expected: str) -> None:
    assert keyed_digest(key, message).hex() == expected


def crockford(number: int) -> str:
    """The lowest 40 bits as eight characters."""
    return "".join(ALPHABET[number >> 5 * place & 31] for place in reversed(range(8)))


def test_without_the_key_trying_every_name_gives_no_label() -> None:
    # the attack that ENISA's and the EDPB's guidance on pseudonyms warns of: hash all names one can think of
    labels = {Key(b"a club's own secret of 32 bytes!").label(car).replace("-", "") for car in CARS}
    guesses = set()
    for car in CARS:
        for text in (car, car.upper(), f"car\0{car}"):
            for digest in (hashlib.sha256(text.encode()), hashlib.md5(text.encode())):
                whole = int.from_bytes(digest.digest(), "big")
                guesses |= {crockford(whole), crockford(whole >> (8 * digest.digest_size - 40))}
            for known in (b"", bytes(32)):
                guesses.add(Key(known).label(car).replace("-", ""))
    assert not labels & guesses


def test_two_clubs_give_one_name_two_labels() -> None:
    one, other = Key(b"1" * 32), Key(b"2" * 32)
    assert not {one.label(car) for car in CARS} & {other.label(car) for car in CARS}


def test_a_label_is_eight_of_crockfords_characters_shown_four_and_four() -> None:
    # Crockford's base 32 (crockford.com, from memory): digits and letters without I, L, O, U
    assert set(ALPHABET) == set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") - set("ILOU")
    for car in CARS:
        left, right = Key(b"k" * 32).label(car).split("-")
        assert len(left) == len(right) == 4
        assert set(left + right) <= set(ALPHABET)


def test_the_key_is_not_shown_where_the_object_is_printed() -> None:
    assert "secret" not in repr(Key(b"secret" * 5))
