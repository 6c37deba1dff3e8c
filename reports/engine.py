"""The drawing library as one packed script, kept in the user's cache folder: packing it anew takes seconds.

Nothing of a club is in it, and whoever deletes it loses nothing.
"""

import base64
import gzip
import os
import sys
import zlib
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path

import vl_convert

from ingest.whole_files import make_folder, write_whole

VEGA_LITE = "6.4"  # what altair 6 declares charts for
SNIPPET = "window.vegaEmbed = vegaEmbed;"


@cache
def engine() -> str:
    """Gzip in base64: a page of 500 cars would else be half a megabyte more. No time stamp is in it.

    The same version of vl-convert gives the same text. What is kept damaged is made anew.
    """
    kept = _kept()
    packed = _read(kept) if kept else b""
    if not packed:
        packed = _packed()
        if kept:
            with suppress(OSError):  # a full disk, somebody else's folder: packed anew the next time
                make_folder(kept.parent, 0o700)
                write_whole(kept, packed, 0o600)
    return base64.b64encode(packed).decode()


def _read(kept: Path) -> bytes:
    """What is kept, b"" where it is not there or damaged: gzip has a checksum."""
    try:
        packed = kept.read_bytes()
        return packed if gzip.decompress(packed) else b""
    except (OSError, EOFError, zlib.error):
        return b""


def _packed() -> bytes:
    return gzip.compress(vl_convert.javascript_bundle(SNIPPET, VEGA_LITE).encode(), mtime=0)


def _kept() -> Path | None:
    """The file of this version of the library; None where no folder for it is known."""
    made_of = f"{version('vl-convert-python')} {VEGA_LITE} {SNIPPET}"
    folder = _cache_folder()
    return folder / f"drawing-{zlib.crc32(made_of.encode()):08x}.js.gz" if folder else None


def _cache_folder() -> Path | None:
    """Where programs keep what they can make anew. Source: XDG Base Directory Specification 0.8; others from memory."""
    try:
        if sys.platform == "win32":
            base = Path(os.environ["LOCALAPPDATA"])
        elif sys.platform == "darwin":
            base = Path.home() / "Library" / "Caches"
        else:
            named = Path(os.environ.get("XDG_CACHE_HOME", ""))
            base = named if named.is_absolute() else Path.home() / ".cache"
    except (KeyError, RuntimeError):
        return None
    return base / "pumpcensus"
