"""Who may import whom, as DEVELOPERS.md draws it; and who does."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from tests import ROOT

PACKAGES = ("pipeline", "models", "dashboards", "sample_lake")
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts): path
    for package in PACKAGES
    for path in sorted((ROOT / package).rglob("*.py"))
}
Room = tuple[str, int]


def drawn() -> dict[str, tuple[int, int]]:
    """Prefix of a module's name → (its floor, its room there), from the drawing."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = text.split("```rooms\n")[1].split("```")[0]
    found: dict[str, tuple[int, int]] = {}
    package = ""
    for line in filter(None, block.splitlines()):
        name, floor, rooms = re.fullmatch(r"(\w*) +(\d+)  (.+)", line).groups()
        package = name or package
        for number, room in enumerate(rooms.split(" | ")):
            for part in room.split(" + "):
                prefix = f"{package}.{part.removesuffix('*')}".rstrip(".")
                found[prefix] = int(floor), number
    return found


def place_of(module: str, rooms: dict[str, tuple[int, int]]) -> tuple[str, int, int]:
    """(package, floor, room) by the longest prefix that fits."""
    parts = module.removesuffix(".__init__").split(".")
    prefixes = (".".join(parts[:n]) for n in range(len(parts), 0, -1))
    return parts[0], *next(rooms[p] for p in prefixes if p in rooms)


def imported(path: Path) -> Iterator[str]:
    """Names of this project's modules that a file imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            wholes = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [whole if whole in MODULES else node.module for whole in wholes]
        else:
            continue
        yield from (name for name in names if name.split(".")[0] in PACKAGES)


def upward(sources: dict[str, Path], rooms: dict[str, tuple[int, int]]) -> list[str]:
    """Imports within a package that the drawing does not allow."""
    found = []
    for module, path in sources.items():
        for other in set(imported(path)):
            if other.split(".")[0] != module.split(".")[0] or module.endswith("__init__"):
                continue
            _, floor, room = place_of(module, rooms)
            _, theirs, other_room = place_of(other, rooms)
            if not (theirs < floor or (theirs, other_room) == (floor, room)):
                found.append(f"{module} (floor {floor}) imports {other} (floor {theirs})")
    return sorted(found)
