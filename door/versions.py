"""Which versions are at work: for a report of an error, or to compare two machines. No library is loaded."""

import platform
import re
from importlib.metadata import PackageNotFoundError, requires, version


def versions_text() -> str:
    """A line for the program, one for Python, one for each library it needs, and one for each extra's."""
    try:
        lines = [f"pumpcensus {version('pumpcensus')}"]
        needed = requires("pumpcensus") or []
    except PackageNotFoundError:
        return "pumpcensus (run from its folder, not installed)"
    lines.append(f"Python {platform.python_version()} on {platform.system()} {platform.machine()}")
    for requirement in needed:
        name = re.split(r"[ <>=!~;\[]", requirement)[0]
        extra = re.search(r"extra == ['\"]([\w-]+)['\"]", requirement)
        if extra and extra[1] == "test":
            continue
        note = f" (extra {extra[1]})" if extra else ""
        lines.append(f"{name} {_installed(name)}{note}")
    return "\n".join(lines)


def _installed(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
