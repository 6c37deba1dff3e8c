"""Vega drawings to SVG; many of them in two processes, since the library draws one at a time in each.

The other process runs this file by itself (-P: without its folder among those that modules are looked for in), and so
must load nothing but the library.
"""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

import vl_convert

LONG_NUMBER = re.compile(r"(\d\.\d\d)\d+")
# what says nothing on paper: half of a drawing's length
NEEDLESS = re.compile(
    r" (?:class|pointer-events|font-family|font-size|font-weight|stroke-miterlimit|xmlns:xlink|role"
    r'|aria-[a-z]+)="[^"]*"| opacity="1"'
)
Drawing = dict[str, Any]
DrawAll = Callable[[Sequence[Drawing]], list[str]]


def draw(drawing: Drawing) -> str:
    """SVG of a Vega object, without what a still picture does not need."""
    return LONG_NUMBER.sub(r"\1", NEEDLESS.sub("", vl_convert.vega_to_svg(drawing)))


def draw_each(drawings: Sequence[Drawing]) -> list[str]:
    return [draw(drawing) for drawing in drawings]


@contextmanager
def drawing_in_two() -> Iterator[DrawAll]:
    """SVG of many Vega objects, in order: a second process, which gets ready from now on, draws half of them.

    What it fails to draw is drawn here.
    """
    if (os.cpu_count() or 1) < 2 or not sys.executable:
        yield draw_each
        return
    pipe = subprocess.PIPE
    with subprocess.Popen(
        [sys.executable, "-P", __file__], stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL
    ) as other:
        yield partial(_draw_in_two, other)


def _draw_in_two(other: "subprocess.Popen[bytes]", drawings: Sequence[Drawing]) -> list[str]:
    half = (len(drawings) + 1) // 2
    here, there = drawings[:half], drawings[half:]
    assert other.stdin
    assert other.stdout
    with suppress(OSError):  # it may have ended already
        other.stdin.write(json.dumps(there).encode())
        other.stdin.close()
    drawn = draw_each(here)
    try:
        drawn_there = json.loads(other.stdout.read())
    except ValueError:
        drawn_there = []
    return drawn + (drawn_there if len(drawn_there) == len(there) else draw_each(there))


if __name__ == "__main__":
    draw({"width": 1, "height": 1})  # the library takes as long to start as for eight drawings
    sys.stdout.write(json.dumps(draw_each(json.load(sys.stdin.buffer))))
