"""The packed drawing library: kept where it may be, packed anew where it may not, never taken damaged."""

import base64
import gzip
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from reports import engine as file
from reports.engine import engine

pytestmark = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the cache folder of the XDG specification")
LIBRARY = "window.vegaEmbed = 1;" * 500


class Library:
    """Stands for vl-convert; counts how often it has to pack."""

    packed = 0

    def javascript_bundle(self, snippet: str, version: str) -> str:
        self.packed += 1
        return LIBRARY


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Library]:
    stand_in = Library()
    monkeypatch.setattr(file, "vl_convert", stand_in)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    engine.cache_clear()
    yield stand_in
    engine.cache_clear()


def _unknown() -> Path:
    raise RuntimeError("Could not determine home directory.")


def _anew() -> str:
    """As the next process would have it."""
    engine.cache_clear()
    return gzip.decompress(base64.b64decode(engine())).decode()


def test_it_is_packed_once_and_then_kept(library: Library, tmp_path: Path) -> None:
    assert [_anew(), _anew()] == [LIBRARY, LIBRARY]
    assert library.packed == 1
    (kept,) = (tmp_path / "cache" / "pumpcensus").iterdir()
    assert kept.parent.stat().st_mode & 0o077 == 0  # nobody else may put a script into our pages


@pytest.mark.parametrize("harm", ["cut short", "a bit flipped", "empty"])
def test_what_is_kept_damaged_is_made_anew(library: Library, tmp_path: Path, harm: str) -> None:
    _anew()
    (kept,) = (tmp_path / "cache" / "pumpcensus").iterdir()
    sound = kept.read_bytes()
    flipped = sound[:-6] + bytes([sound[-6] ^ 1]) + sound[-5:]
    kept.write_bytes({"cut short": sound[:-9], "a bit flipped": flipped, "empty": b""}[harm])
    assert _anew() == LIBRARY
    assert library.packed == 2
    assert kept.read_bytes() == sound


def test_another_version_of_the_library_is_packed_of_its_own(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    _anew()
    monkeypatch.setattr(file, "version", lambda name: "99.0")
    _anew()
    assert library.packed == 2


def test_without_a_folder_to_keep_it_in_it_is_packed_each_time(
    library: Library, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "cache").write_text("a file where the folder would be")
    assert [_anew(), _anew()] == [LIBRARY, LIBRARY]
    assert library.packed == 2
    monkeypatch.setenv("XDG_CACHE_HOME", "not/absolute")  # to be ignored, says the specification
    monkeypatch.setattr(Path, "home", _unknown)
    assert _anew() == LIBRARY
    assert not Path("not").exists()
