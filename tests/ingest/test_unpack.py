"""Archives are told by their content, whatever the ending says."""

import gzip

import pyarrow as pa
import pytest
from forms import zipped

import ingest.unpack
from ingest.findings import UnreadableError
from ingest.unpack import unpack

LOG = b"time,rpm\n0.0,900\n" * 50


def zstd(content: bytes) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.CompressedOutputStream(sink, "zstd") as stream:
        stream.write(content)
    return sink.getvalue().to_pybytes()


@pytest.mark.parametrize(
    "packed",
    [LOG, gzip.compress(LOG), zstd(LOG), zipped({"a": LOG}), zipped({"a": gzip.compress(LOG)})],
    ids=["plain", "gzip", "zstd", "zip", "gzip in zip"],
)
def test_the_log_comes_out(packed: bytes) -> None:
    assert [content for _, content in unpack("evening.csv", packed)] == [LOG]


def test_a_gzip_of_two_members_is_one_log() -> None:
    """RFC 1952, 2.2: a file may consist of several members, one after another."""
    assert unpack("a", gzip.compress(LOG[:100]) + gzip.compress(LOG[100:])) == [("a", LOG)]


def test_a_zip_of_folders() -> None:
    found = unpack("club.zip", zipped({"car1/a": LOG, "car2/b": LOG[:20], "__MACOSX/a": b"x", "car1/": b""}))
    assert found == [("club.zip/car1/a", LOG), ("club.zip/car2/b", LOG[:20])]


def test_an_office_document_is_no_archive() -> None:
    book = zipped({"[Content_Types].xml": b"<x/>", "xl/workbook.xml": b"<x/>"})
    assert unpack("book.xlsx", book) == [("book.xlsx", book)]


@pytest.mark.parametrize("packed", [gzip.compress(LOG), zstd(LOG), zipped({"a": LOG})], ids=["gzip", "zstd", "zip"])
def test_a_cut_archive_says_so(packed: bytes) -> None:
    with pytest.raises(UnreadableError) as caught:
        unpack("a", packed[: len(packed) - 12])
    assert caught.value.finding.code == "archive_broken"


def test_a_bomb_is_refused_before_it_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.unpack, "UNPACKED_MAX_BYTES", 10_000)
    for packed in (gzip.compress(bytes(10**6)), zstd(bytes(10**7)), zipped({"a": bytes(10**6)})):
        with pytest.raises(UnreadableError) as caught:
            unpack("a", packed)
        assert caught.value.finding.code == "archive_too_large"


def test_a_wrong_checksum_is_broken() -> None:
    packed = bytearray(gzip.compress(LOG))
    packed[-6] ^= 0xFF
    with pytest.raises(UnreadableError):
        unpack("a", bytes(packed))
