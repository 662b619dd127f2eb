"""A Python that can import pandas, lifelines and what these need, and nothing else; it reaches no network."""

import subprocess
import sys
import sysconfig
from collections.abc import Iterable
from importlib.metadata import Distribution, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

# Runs before anything else of that Python: whoever asks for another machine ends there.
NO_NETWORK = """
import sys
def refuse(event, arguments):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto"):
        raise PermissionError(event)
sys.addaudithook(refuse)
"""


def bare_python(folder: Path, *names: str) -> Path:
    """Make one in a folder, and give its program."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder], check=True)
    purelib = sysconfig.get_path("purelib", vars={"base": str(folder), "platbase": str(folder)})
    for each in closure(names):
        for top in tops(each):
            link = Path(purelib) / top.name
            if not link.exists():
                link.symlink_to(top)
    (Path(purelib) / "sitecustomize.py").write_text(NO_NETWORK)
    return folder / "bin" / "python"


def closure(names: Iterable[str]) -> list[Distribution]:
    """The installed distributions of these names and all that they need, each once."""
    found: dict[str, Distribution] = {}
    waiting = [canonicalize_name(name) for name in names]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found[name] = distribution(name)
        needed = map(Requirement, found[name].requires or ())
        waiting += [
            canonicalize_name(each.name)
            for each in needed
            if each.marker is None or each.marker.evaluate({"extra": ""})
        ]
    return list(found.values())


def tops(of: Distribution) -> set[Path]:
    """What a distribution put into site-packages: folders and single files."""
    root = Path(str(of.locate_file("")))
    firsts = {file.parts[0] for file in of.files or ()}
    return {root / first for first in firsts if first not in ("..", "__pycache__")}
