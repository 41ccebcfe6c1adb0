"""The house keeps its layers: a room imports lower rooms, never a sibling or a higher one."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "src" / "undersong"

LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors",),
    ("model",),
    ("acoustics",),
    ("harmony",),
    ("textures", "playing"),
    ("arranging", "performing", "registration"),
    ("child",),
    ("workers",),
    ("reading", "writing", "sound", "library", "demo"),
    ("workflow",),
    ("web",),
    ("cli",),
    ("__init__", "__main__"),
)
"""Lowest first; names on one line do not know each other. `workers` is lower than the rooms that use it, and the
command line starts the page (`undersong open`); the page never knows the command line."""

FOREIGN = {
    "acoustics": {"numpy"},
    "harmony": {"numpy"},
    "reading": {"lxml", "mido", "verovio"},  # verovio only in the expendable child (reading/foreign.py)
    "writing": {"lxml", "mido", "verovio", "typst"},
    "library": {"tomlkit", "platformdirs"},
    "web": {"starlette", "jinja2", "markupsafe", "uvicorn", "tomlkit"},
    "sound": {"numpy", "scipy", "soundfile"},
    "cli": {"click", "rich"},
}
"""Third-party packages a room may import; no other room may import any."""


def rank(room: str) -> int:
    return next(index for index, rooms in enumerate(LAYERS) if room in rooms)


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(source: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name their whole path"
            found.add(node.module or "")
            if node.module == "undersong":
                found.update(f"undersong.{alias.name}" for alias in node.names)
    return found


def broken_laws(room: str, source: str) -> list[str]:
    faults = []
    for name in imports(source):
        first, _, rest = name.partition(".")
        if first == "undersong":
            other = rest.partition(".")[0]
            if other and other not in {room, "__version__"} and rank(other) >= rank(room):
                faults.append(f"{room} imports {name}")
        elif first not in sys.stdlib_module_names and first not in FOREIGN.get(room, set()):
            faults.append(f"{room} imports {name}")
    return faults


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_knows_only_lower_rooms(path: Path) -> None:
    """Every module of the package."""
    assert broken_laws(room_of(path), path.read_text()) == []


@pytest.mark.parametrize(
    ("room", "source"),
    [
        ("textures", "from undersong.playing import check"),
        ("model", "from undersong.harmony import analyse"),
        ("harmony", "import scipy"),
        ("arranging", "from undersong.workflow import lay_out"),
        ("reading", "import music21"),
    ],
)
def test_a_planted_sideways_import_is_caught(room: str, source: str) -> None:
    """The law can fail."""
    assert broken_laws(room, source)


PURE = ("model", "acoustics", "harmony", "textures", "playing", "arranging", "performing", "registration")
IMPURE = {"os", "io", "time", "datetime", "random", "pathlib", "subprocess", "socket", "tempfile"}


TABLES_IN_FILES = {"learned.py"}
"""Modules whose table of knowledge is too large for source text and lies beside them in the package."""


@pytest.mark.parametrize("room", PURE)
def test_everything_before_writing_is_pure(room: str) -> None:
    """No files, clock, environment or randomness up to performing (law 8)."""
    for path in (PACKAGE / room).rglob("*.py"):
        if path.name in TABLES_IN_FILES:
            continue
        used = {name.partition(".")[0] for name in imports(path.read_text())} & IMPURE
        assert not used, f"{path.name} imports {used}"
        assert "open(" not in path.read_text(), path.name


def test_no_room_is_called_utils() -> None:
    """Things are named by what they hold."""
    assert list(PACKAGE.rglob("*util*")) == []


def test_foreign_bytes_are_seen_in_the_child_alone() -> None:
    """In reading, verovio is imported by one function of one module, never when a module is loaded."""
    for path in (PACKAGE / "reading").rglob("*.py"):
        tree = ast.parse(path.read_text())
        names = {name for name in imports(path.read_text()) if name.partition(".")[0] == "verovio"}
        assert not names or path.name == "foreign.py", path.name
        at_load = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
        assert "verovio" not in {alias.name for node in at_load for alias in node.names}, path.name


WEB: tuple[tuple[str, ...], ...] = (
    ("asked", "guard", "work", "desk"),
    ("forms", "making", "sounds"),
    ("door",),
    ("pages",),
    ("app",),
    ("serve",),
)
"""Inside the page in the browser, lowest first."""


def web_laws_broken(path: Path, source: str) -> list[str]:
    """Imports inside `web` that do not go down: each page, form and module of the desk stands for itself."""
    here = path.relative_to(PACKAGE / "web").with_suffix("").parts
    level = {name: index for index, row in enumerate(WEB) for name in row}
    faults = []
    for name in sorted(imports(source)):
        other = tuple(name.split(".")[2:])
        if not name.startswith("undersong.web.") or here == ("desk", "ready"):  # which loads the whole desk
            continue
        held = here[0] == "desk" and other == ("desk", "held")
        if not held and level[other[0]] >= level[here[0]]:
            faults.append(f"{'.'.join(here)} imports {name}")
        if other[0] == "desk" and here[0] != "desk":
            faults.append(f"{'.'.join(here)} imports {name}, which the children alone load")
    return faults


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "web").rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE / "web"))
)
def test_the_pages_know_only_what_lies_below_them(path: Path) -> None:
    """One direction inside `web`."""
    assert web_laws_broken(path, path.read_text()) == []


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("pages/hymn.py", "from undersong.web.pages.plan import verse"),
        ("door.py", "from undersong.web.pages import home"),
        ("desk/plan.py", "from undersong.web.desk.hymn import page"),
        ("pages/plan.py", "from undersong.web.desk.plan import verse"),
        ("forms/plan.py", "from undersong.web.door import Door"),
    ],
)
def test_a_planted_import_between_pages_is_caught(path: str, source: str) -> None:
    """The law can fail."""
    assert web_laws_broken(PACKAGE / "web" / path, source)
