"""Packed files to the logs inside: gzip, zip and zstd, told by their first bytes whatever the ending says."""

import io
import zipfile
import zlib

from ingest.findings import Finding, UnreadableError, printable

UNPACKED_MAX_BYTES = 1 << 30
_DEPTH_MAX = 3  # a zip of gzipped logs is met; anything deeper is not a recorder's doing
_CHUNK = 1 << 20

_GZIP = b"\x1f\x8b"
ZIP = b"PK\x03\x04"  # XLSX begins so too
_ZIP_EMPTY = b"PK\x05\x06"
_OFFICE_MARKS = {"[Content_Types].xml", "mimetype"}  # ECMA-376 part 2; OpenDocument 1.3 part 2
_ZSTD = b"\x28\xb5\x2f\xfd"


def unpack(name: str, content: bytes) -> list[tuple[str, bytes]]:
    """(name, bytes) of every log in a file; a file that is not packed comes back as it is.

    Members of an archive are named "archive/member". Folders in archives are walked; hidden files and the
    operating systems' own extras are left out. Raises UnreadableError.

    >>> import gzip
    >>> unpack("a.csv", gzip.compress(b"time,rpm"))
    [('a.csv', b'time,rpm')]
    """
    try:
        return _unpack(name, content, _DEPTH_MAX)
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError) as error:
        raise UnreadableError(Finding("archive_broken", detail=str(error))) from error


def _unpack(name: str, content: bytes, depth: int) -> list[tuple[str, bytes]]:
    if depth and content.startswith(_GZIP):
        return _unpack(name, _gunzip(content), depth - 1)
    if depth and content.startswith(_ZSTD):
        return _unpack(name, _unzstd(content), depth - 1)
    if depth and content.startswith((ZIP, _ZIP_EMPTY)):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if _OFFICE_MARKS & set(archive.namelist()):
                return [(name, content)]  # an office document, not an archive
            members = [info for info in archive.infolist() if not _is_extra(info)]
            _check_size(sum(info.file_size for info in members))
            unpacked = [(f"{name}/{_plain_path(info.filename)}", archive.read(info)) for info in members]
        if not unpacked:
            raise UnreadableError(Finding("archive_without_log"))
        return [log for member, data in unpacked for log in _unpack(member, data, depth - 1)]
    return [(name, content)]


def _plain_path(member: str) -> str:
    r"""
    >>> _plain_path("/club//anna\\a.csv")
    'club/anna/a.csv'
    """
    return "/".join(filter(None, printable(member).replace("\\", "/").split("/")))


def _is_extra(info: zipfile.ZipInfo) -> bool:
    parts = _plain_path(info.filename).split("/")
    return info.is_dir() or any(part.startswith((".", "__MACOSX")) for part in parts)


def _gunzip(content: bytes) -> bytes:
    """All members of a gzip file, stopping at the size limit rather than filling the memory."""
    whole: list[bytes] = []
    rest = content
    while rest.startswith(_GZIP):
        member = zlib.decompressobj(wbits=31)
        whole.append(member.decompress(rest, UNPACKED_MAX_BYTES + 1 - sum(map(len, whole))))
        _check_size(sum(map(len, whole)))
        if not member.eof:
            raise EOFError("the gzip data end too early")
        rest = member.unused_data
    return b"".join(whole)


def _unzstd(content: bytes) -> bytes:
    import pyarrow as pa

    whole = io.BytesIO()
    with pa.CompressedInputStream(pa.BufferReader(content), "zstd") as stream:
        while chunk := stream.read(_CHUNK):
            whole.write(chunk)
            _check_size(whole.tell())
    return whole.getvalue()


def _check_size(size: int) -> None:
    if size > UNPACKED_MAX_BYTES:
        raise UnreadableError(Finding("archive_too_large", detail=f"{size / 1e9:.1f} GB"))
