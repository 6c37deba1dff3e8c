"""What the files of a folder should be, told beside them, so that damage is seen when they are read."""

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from ingest.far_files import fetched, is_far, sizes
from ingest.whole_files import write_whole

CHECKSUMS = "checksums.json"
_CHUNK = 1 << 18


def checksum(path: Path) -> str:
    """CRC-32 (ISO 3309) of a file, and its size in bytes. Finds accidents; against intent it is no help."""
    if is_far(path):
        return checksum_of(path.read_bytes())
    crc = size = 0
    chunk = memoryview(bytearray(_CHUNK))
    with path.open("rb", buffering=0) as file:
        while read := file.readinto(chunk):
            crc = zlib.crc32(chunk[:read], crc)
            size += read
    return _told(crc, size)


def checksum_of(content: bytes) -> str:
    """The same of a file's content.

    >>> checksum_of(b"123456789")
    'cbf43926-9'
    """
    return _told(zlib.crc32(content), len(content))


def _told(crc: int, size: int) -> str:
    return f"{crc:08x}-{size}"


def write_checked(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files, in their order, and what all of the folder's noted files are.

    While it goes on both the old and the new of each are right, so that a killed run leaves nothing that looks damaged.
    Where all are so already, nothing is written.
    """
    before = noted(folder) or {}
    news = {name: [checksum_of(content)] for name, content in files.items()}
    if before == before | news and all(_is_right(folder / name, sums) for name, sums in news.items()):
        return
    note(folder, before | {name: [*before.get(name, []), *new] for name, new in news.items()})
    for name, content in files.items():
        write_whole(folder / name, content)
    if before.keys() & news.keys():
        note(folder, before | news)


def note(folder: Path, sums: Mapping[str, list[str]]) -> None:
    """Say what the files of a folder should be: name -> checksums, any of which is right."""
    write_whole(folder / CHECKSUMS, (json.dumps(sums, sort_keys=True) + "\n").encode())


def noted(folder: Path) -> dict[str, list[str]] | None:
    """What the files of a folder should be; None where that is not told or cannot be read."""
    try:
        return _told_in((folder / CHECKSUMS).read_bytes())
    except OSError:
        return None


def _told_in(content: bytes) -> dict[str, list[str]] | None:
    try:
        told = json.loads(content)
    except ValueError:
        return None
    is_whole = isinstance(told, dict) and all(isinstance(sums, list) for sums in told.values())
    return told if is_whole else None


def damaged(folder: Path, names: Iterable[str] | None = None) -> list[str]:
    """Which files of a folder are not as they should be; all of those noted, unless `names` are asked for."""
    told = noted(folder)
    if told is None:
        return [CHECKSUMS]
    wrong = [name for name in (told if names is None else names) if not _is_right(folder / name, told.get(name, []))]
    # a run that writes may have come between
    return damaged(folder, names) if wrong and noted(folder) != told else wrong


def far_contents(files: Sequence[Path]) -> tuple[list[bytes], list[Path]]:
    """Content of files in an object store, each fetched once, and those that are not as they should be."""
    for is_last in (False, True):  # a run that writes may come between
        told = _far_noted([file.parent for file in files])
        contents = fetched(files)
        wrong = [
            file for file, content in zip(files, contents, strict=True)
            if content is None or checksum_of(content) not in (told[file.parent] or {}).get(file.name, [])
        ]  # fmt: skip
        if is_last or not wrong:
            break
    return [content or b"" for content in contents], wrong


def far_damaged(segments: Sequence[Path]) -> dict[Path, list[str]]:
    """Folders of an object store of which files are missing or of another size, with these. Nothing else is fetched.

    segments: folders of one folder.
    """
    held = sizes(segments[0].parent) if segments else {}
    found = {}
    for segment, told in _far_noted(segments).items():
        wrong = [CHECKSUMS] if told is None else [
            name for name, sums in told.items()
            if not any(one.endswith(f"-{held.get(f'{segment.name}/{name}')}") for one in sums)
        ]  # fmt: skip
        if wrong:
            found[segment] = wrong
    return found


def _far_noted(folders: Iterable[Path]) -> dict[Path, dict[str, list[str]] | None]:
    each = list(dict.fromkeys(folders))
    contents = fetched([folder / CHECKSUMS for folder in each])
    return {folder: _told_in(content or b"") for folder, content in zip(each, contents, strict=True)}


def _is_right(path: Path, sums: list[str]) -> bool:
    try:
        size = path.stat().st_size
        return any(str(one).endswith(f"-{size}") for one in sums) and checksum(path) in sums
    except OSError:
        return False
