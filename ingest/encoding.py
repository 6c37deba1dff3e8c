"""Bytes of a text file to clean UTF-8 lines, whatever they were written as."""

import codecs
from dataclasses import dataclass

from ingest.findings import Finding

_SAMPLE = 4096
_MINUS = "\u2212".encode()  # the typographic minus of spreadsheets
_TWICE = ("Ã", "Â", "â€")  # what UTF-8 looks like when read as cp1252 and written as UTF-8 again


@dataclass(frozen=True)
class Text:
    """A text file. body: UTF-8, lines end in a line feed; encoding: what the file was written in."""

    body: bytes
    encoding: str
    findings: tuple[Finding, ...] = ()


def to_utf8(content: bytes) -> Text | None:
    """The text of a file; None where it is no text.

    >>> to_utf8("Öl\\r\\n".encode("cp1252")).body.decode()
    'Öl\\n'
    """
    text = _decoded(content)
    if text is None:
        return None
    body = text.body.rstrip(b"\x00")  # a recorder that lost its power leaves zeros behind the last line
    if b"\x00" in body:
        return None
    if _MINUS[:1] in body:  # quicker than to look for all of it
        body = body.replace(_MINUS, b"-")
    if b"\r" in body:
        body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return Text(body, text.encoding, text.findings)


def _decoded(content: bytes) -> Text | None:
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _from_utf16(content, "utf-16")
    if content.startswith(codecs.BOM_UTF8):
        content = content[len(codecs.BOM_UTF8) :]
    elif guess := _utf16_by_zeros(content[:_SAMPLE]):
        return _from_utf16(content, guess)
    if content.isascii():
        return Text(content, "utf-8")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        body = content.decode("cp1252", errors="replace").replace("\ufffd", "?").encode("utf-8")
        return Text(body, "cp1252", (Finding("encoding_assumed"),))
    if any(mark in text for mark in _TWICE) and (once := _encoded_once(text)):
        return Text(once, "utf-8 twice", (Finding("encoded_twice"),))
    return Text(content, "utf-8")


def _from_utf16(content: bytes, encoding: str) -> Text | None:
    even = content[: len(content) // 2 * 2]  # a file cut within a character loses that character only
    try:
        return Text(even.decode(encoding).encode("utf-8"), encoding)
    except UnicodeError:
        return None


def _utf16_by_zeros(sample: bytes) -> str:
    """Log text is nearly all ASCII, so in UTF-16 every other byte is zero.

    >>> _utf16_by_zeros("time;rpm".encode("utf-16-be"))
    'utf-16-be'
    """
    half = len(sample) // 2
    if half and sample[1::2].count(0) > 0.7 * half and sample[0::2].count(0) < 0.1 * half:
        return "utf-16-le"
    if half and sample[0::2].count(0) > 0.7 * half and sample[1::2].count(0) < 0.1 * half:
        return "utf-16-be"
    return ""


def _encoded_once(text: str) -> bytes | None:
    """Undo one encoding too many, or None where the text was not encoded twice."""
    try:
        once = text.encode("cp1252")
        once.decode("utf-8")
    except UnicodeError:
        return None
    return once
