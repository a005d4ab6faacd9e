"""The arrows of the tree: app -> shop.pages -> shop -> vision.pipeline -> steps -> label -> vocabulary; training apart."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
OURS = ("vision", "shop", "synthetic", "train", "tests", "examples", "app")
NOT_AT_RUN_TIME = {
    "torch",
    "torchvision",
    "skimage",
    "sklearn",
    "scipy",
    "shapely",
    "mitsuba",
    "matplotlib",
    "pandas",
    "onnx",
}

# What modules of each part may import of the others, by the longest prefix that fits; a module may always import its own part.
MAY_IMPORT = {
    "vision": (),
    "shop": ("vision",),
    "app": ("shop.pages",),
    "synthetic": ("vision.vocabulary", "vision.label", "vision.tilt"),  # what a Label says of a lean is one function
    "train": ("vision",),
    "examples": ("vision", "shop"),
}
# Which steps build on which: a step imports only what stands at or above its own line.
LAYERS = (
    {"vision.vocabulary", "vision.quantity"},
    {"vision.label", "vision.fitting", "vision.models", "vision.reading"},
    {"vision.colour_profile", "vision.lab"},
    {"vision.photo"},
    {"vision.segment", "vision.patch"},
    {
        "vision.plane",
        "vision.tilt",
        "vision.classify",
        "vision.outline",
        "vision.outline_words",
        "vision.colour_cut",
        "vision.rings",
        "vision.wall",
        "vision.scale",
    },
    {
        "vision.axis",
        "vision.clock",
        "vision.dimensions",
        "vision.measure",
        "vision.face",
        "vision.face_edge",
        "vision.lean",
        "vision.find",
        "vision.hole_evidence",
        "vision.hole_fit",
        "vision.hole_net",
        "vision.hole_view",
    },
    {"vision.pipeline"},
)


def sources(part: str) -> Iterator[Path]:
    path = ROOT / part
    return iter([ROOT / f"{part}.py"] if not path.is_dir() else sorted(path.rglob("*.py")))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Every module a file imports, with its line, and whether only type checkers see it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    hidden = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            hidden |= {id(inner) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) in hidden
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import; the tree uses whole names"
            assert node.module is not None
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                is_module = (ROOT / whole.replace(".", "/")).is_dir() or (
                    ROOT / f"{whole.replace('.', '/')}.py"
                ).is_file()
                yield (whole if is_module else node.module), node.lineno, id(node) in hidden


def within(name: str, prefixes: tuple[str, ...]) -> bool:
    return any(name == prefix or name.startswith(f"{prefix}.") for prefix in prefixes)


@pytest.mark.parametrize("part", MAY_IMPORT)
def test_each_part_imports_only_what_its_arrows_allow(part):
    wrong = []
    for path in sources(part):
        for name, line, _ in imports_of(path):
            if name.split(".")[0] in OURS and not within(name, (part, *MAY_IMPORT[part])):
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
    assert not wrong


@pytest.mark.parametrize("part", ["vision", "shop", "app"])
def test_run_time_code_imports_nothing_of_training_or_rendering(part):
    wrong = []
    for path in sources(part):
        for name, line, _ in imports_of(path):
            if name.split(".")[0] in NOT_AT_RUN_TIME:
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}")
    assert not wrong


def test_streamlit_is_imported_only_by_the_page():
    allowed = {ROOT / "app.py", *sources("shop/pages")}
    wrong = [
        f"{path.relative_to(ROOT)}:{line}"
        for part in ("vision", "shop")
        for path in sources(part)
        for name, line, _ in imports_of(path)
        if name.split(".")[0] == "streamlit" and path not in allowed
    ]
    assert not wrong


def test_vision_knows_no_database_and_no_page():
    banned = {"sqlalchemy", "alembic", "psycopg", "streamlit", "click", "reportlab"}
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in sources("vision")
        for name, line, _ in imports_of(path)
        if name.split(".")[0] in banned
    ]
    assert not wrong


def test_pages_are_imported_by_the_app_alone():
    wrong = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in sources("shop")
        if "pages" not in path.parts
        for name, line, _ in imports_of(path)
        if within(name, ("shop.pages",))
    ]
    assert not wrong


def test_the_vocabulary_needs_the_standard_library_only():
    for name in ("vocabulary", "label"):
        for module, line, _ in imports_of(ROOT / "vision" / f"{name}.py"):
            first = module.split(".")[0]
            assert first in sys.stdlib_module_names or module == "vision.vocabulary", (
                f"{name}.py:{line} imports {module}"
            )


def _layer(name: str) -> int | None:
    for height, names in enumerate(LAYERS):
        if within(name, tuple(names)):
            return height
    return None


def test_steps_build_on_earlier_steps():
    wrong = []
    for path in sources("vision"):
        mine = module_of(path)
        height = _layer(mine)
        if mine == "vision":
            continue
        assert height is not None, f"{mine} stands in no layer: give it one"
        for name, line, typing_only in imports_of(path):
            other = _layer(name)
            if other is not None and other > height and not typing_only:
                wrong.append(f"{path.relative_to(ROOT)}:{line} imports {name}, which is later in the chain")
    assert not wrong


def test_nothing_imports_in_a_circle():
    graph: dict[str, set[str]] = {}
    for part in ("vision", "shop", "synthetic", "train"):
        for path in sources(part):
            mine = module_of(path)
            # Functions may import late on purpose; only what is imported with the module can go in a circle.
            graph[mine] = {name for name, _, hidden in _top_imports(path) if not hidden and name.split(".")[0] in OURS}
    seen: set[str] = set()

    def walk(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail[trail.index(name) :], name))
        if name in seen:
            return
        for other in graph.get(name, ()):
            if other != name:
                walk(other, (*trail, name))
        seen.add(name)

    for name in graph:
        walk(name, ())


def _top_imports(path: Path) -> Iterator[tuple[str, int, bool]]:
    inside = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)):
            inside |= {inner.lineno for inner in ast.walk(node) if isinstance(inner, (ast.Import, ast.ImportFrom))}
    return ((name, line, hidden) for name, line, hidden in imports_of(path) if line not in inside)


def test_reading_a_photo_loads_neither_torch_nor_the_page():
    code = (
        "import sys, vision.pipeline, shop.cli, shop.cli_read, shop.cli_fits, shop.cli_parts, shop.report_pdf, shop.store, shop.fits;"
        f"print(sorted(set(m.split('.')[0] for m in sys.modules) & {NOT_AT_RUN_TIME | {'streamlit'}!r}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def test_the_command_itself_loads_almost_nothing():
    code = "import sys, shop.cli; print(sorted(set(sys.modules) & {'numpy', 'cv2', 'onnxruntime', 'sqlalchemy', 'reportlab'}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"
