"""Any encoding comes out as the same text."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.encoding import to_utf8

GERMAN = "Zeit;Öldruck;Tastverhältnis\n0,0;4,5;55 °\n"


def read(content: bytes) -> str:
    text = to_utf8(content)
    assert text is not None
    return text.body.decode("utf-8")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(encoding: str, line_end: str) -> None:
    assert read(GERMAN.replace("\n", line_end).encode(encoding)) == GERMAN


def test_encoded_twice_is_put_right_and_said() -> None:
    text = to_utf8(GERMAN.encode().decode("cp1252").encode())
    assert text is not None
    assert text.body.decode() == GERMAN
    assert [f.code for f in text.findings] == ["encoded_twice"]


def test_a_lone_capital_a_tilde_is_left_alone() -> None:
    assert read("SÃO;1\n".encode()) == "SÃO;1\n"


def test_bytes_that_are_no_text() -> None:
    assert to_utf8(b"\x00\x01\x02 time;rpm") is None
    assert to_utf8(b"") is not None


@given(st.binary(max_size=300))
def test_no_bytes_raise(content: bytes) -> None:
    text = to_utf8(content)
    assert text is None or text.body.decode("utf-8") is not None
