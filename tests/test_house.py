"""The house: rules that hold for every room at once."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "collarvision"
MODULES = sorted(PACKAGE.rglob("*.py"))

# A photo's way, in order: a room may know only rooms to its left. Rooms on one line do not know
# each other. A folder of modules is one room. Whoever adds a room writes it here.
ORDER = [
    {"__init__"},
    {
        "answer",
        "exif",
        "jpeg",
        "photofile",
        "outlines",
        "fieldnames",
        "viewpoint",
        "fieldlook",
        "upright",
        "network",
        "cardfit",
        "cardletters",
        "progress",
        "leafwords",
    },
    {"shrinking"},
    {"gathering", "otherformats", "looks", "stopcode", "calibration", "ladder", "handles"},
    {"photo"},
    {"cardmarks", "closer", "leaftops"},
    {"cardoutline", "cardpose", "bases"},
    {"card", "coco"},
    {"cardseen", "parts"},
    {"frame", "pairing", "skeleton", "lost", "parallax"},
    {"sifting"},
    {"plant"},
    {"cutoff", "wayup"},
    {"stage", "arch", "quality"},
    {"height"},
    {"confidence", "boundary"},
    {"above"},
    {"reading", "jointheight"},
    {"record", "marks", "table", "together"},
    {"captions", "writing"},
    {"wholefile", "partfile", "cardsheet"},
    {"overlay"},
    {"abovereport"},
    # A season's way, from many photos into one file and out of it.
    {"survey"},
    {"plantphotos"},
    {"batch"},
    # A field's way, from plants to a decision.
    {"splitstalk", "damage"},
    {"units", "evidence", "sampling", "agreement", "weatherheader"},
    {"stageheights"},
    {"countwords"},
    {"export"},
    {"clusters", "limitstable", "weatherunit"},
    {"walkplan", "field", "enoughplan", "limitsfile", "temperatures"},
    {"standing", "heat"},
    {"tally", "heatdates"},
    {"limitwords"},
    {"limitsteps"},
    {"limitpast"},
    {"limitage"},
    {"limitplants"},
    {"limits"},
    {"window", "plantsenough"},
    {"seenplants", "visitdays"},
    {"fieldvisits", "outlook", "pickplant", "drift", "sincevisit", "windowtold"},
    {"walk"},
    {"demo"},
    {"fieldhistory", "countedphoto"},
    {"decision"},
    {"fieldwords", "keeping"},
    {"fieldtable"},
    {"report"},
    {"handcount"},
    {"commandline"},
    {"commands_walk", "commands_withdraw"},
    {"commands_decision", "commands_field", "commands_count", "commands_survey"},
    {"commands_above", "commands_demo", "commands_handcount", "screen"},
    {"cli"},
    {"__main__"},
]

NOT_AT_RUN_TIME = {"torch", "torchvision", "mitsuba", "onnx", "matplotlib", "training"}
BANNED_NAMES = {"utils", "util", "helpers", "helper", "common", "core", "misc"}
LONGEST_FILE = {"collarvision": 400, "training": 400, "tests": 480}


def imports(path: Path) -> set[str]:
    """Dotted names imported anywhere in a file, type-checking blocks left out."""
    found: set[str] = set()

    def visit(node: ast.AST) -> None:
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            return
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
        for child in ast.iter_child_nodes(node):
            visit(child)

    visit(ast.parse(path.read_text(encoding="utf-8")))
    return found


def rooms_imported(path: Path) -> set[str]:
    names = {name.split(".")[1] for name in imports(path) if name.startswith("collarvision.")}
    return {n for n in names if (PACKAGE / f"{n}.py").exists() or (PACKAGE / n).is_dir()}


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def depth(room: str) -> int:
    for number, rooms in enumerate(ORDER):
        if room in rooms:
            return number
    raise AssertionError(f"collarvision/{room}.py has no place in ORDER: give it one")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_imports_go_one_way(path: Path) -> None:
    own = room_of(path)
    if own == "__init__":
        return  # it reaches `reading` lazily, when a caller asks for the library call
    backward = {room for room in rooms_imported(path) - {own} if depth(room) >= depth(own)}
    assert not backward, f"{own} must not know {sorted(backward)}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_no_training_library_on_the_run_time_path(path: Path) -> None:
    assert not {name.split(".")[0] for name in imports(path)} & NOT_AT_RUN_TIME


@pytest.mark.parametrize(
    "path",
    [p for folder in ("collarvision", "training", "tests") for p in (ROOT / folder).rglob("*.py")],
    ids=lambda path: f"{path.parent.name}/{path.name}",
)
def test_files_stay_readable_in_one_sitting(path: Path) -> None:
    longest = LONGEST_FILE[path.relative_to(ROOT).parts[0]]
    assert len(path.read_text(encoding="utf-8").splitlines()) <= longest
    assert path.stem not in BANNED_NAMES


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_module_and_public_name_says_what_it_is(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{path.stem} has no docstring"
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{path.stem}.{node.name} has no docstring"


# Marks of unfinished work, and paths of one machine.
UNFINISHED = re.compile(r"\b(TODO|FIXME|NotImplementedError)\b|(?<![\w.])/(work|root|home|tmp)/")


def test_nothing_is_left_unfinished_or_tied_to_one_machine() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "*.py", "*.md", "*.toml", "*.sh", ".ci/*", "*.json"],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    found = [
        f"{name}:{number}: {line.strip()}"
        for name in listed.stdout.split()
        if (ROOT / name) != Path(__file__) and (ROOT / name).is_file()
        for number, line in enumerate((ROOT / name).read_text(encoding="utf-8").splitlines(), 1)
        if UNFINISHED.search(line)
    ]
    assert not found, "\n".join(found)


def loaded_after(statement: str) -> set[str]:
    code = f"import sys; {statement}; print(*sorted({{m.split('.')[0] for m in sys.modules}}))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return set(done.stdout.split())


def test_the_command_line_opens_without_the_heavy_libraries() -> None:
    heavy = {"numpy", "cv2", "onnxruntime", "skimage", "scipy", "PIL", "pydantic", "rich"}
    assert not loaded_after("import collarvision.cli") & heavy


def test_the_library_call_is_lazy_and_there() -> None:
    assert "numpy" not in loaded_after("import collarvision")
    assert "onnxruntime" not in loaded_after("from collarvision import read_photo")


def test_an_unknown_name_is_an_attribute_error() -> None:
    import collarvision

    with pytest.raises(AttributeError, match="nothing_here"):
        _ = collarvision.nothing_here


def test_the_licence_travels() -> None:
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
