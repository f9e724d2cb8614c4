"""The house: which room may import which (the linter's contract), and where heavy libraries are imported."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import align
from tests.support.places import ROOT

PACKAGE = Path(align.__file__).parent
MODULES = {
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted(PACKAGE.rglob("*.py"))
}
#: Libraries that are slow to load, or a matter of taste, and the few places that may use each.
HOMES = {
    "cv2": (
        "align.photo.",
        "align.target.markers",
        "align.sighting.",
        "align.drawing.",
        "align.records.before_after",
        "align.checking.picture",
        "align.ghosts.",
        "align.planning.clothes.",
        "align.cli.each",
    ),
    "matplotlib": (
        "align.target.pdf",
        "align.calibration.picture",
        "align.planning.pictures.",
        "align.records.charts",
    ),
    "click": ("align.cli.",),
    "jinja2": ("align.records.page", "align.planning.pictures.clothed_page", "align.workbench.pages"),
    "starlette": (
        "align.workbench.app",
        "align.workbench.handling",
        "align.workbench.live_pages",
        "align.workbench.plan_pages",
        "align.workbench.side_pages",
    ),
    "uvicorn": ("align.workbench.server",),
}
#: Never imported by merely importing one of our modules.
LATE = ("cv2", "matplotlib", "jinja2", "skimage", "PIL", "pillow_heif", "scipy", "mitsuba")


class Imports(ast.NodeVisitor):
    """A module's imports: (full name, at_module_level, for_typing_only)."""

    def __init__(self, module: str, path: Path) -> None:
        self.found: list[tuple[str, bool, bool]] = []
        self._package = module.split(".") if path.stem == "__init__" else module.split(".")[:-1]
        self._depth, self._typing = 0, False
        self.visit(ast.parse(path.read_text(encoding="utf-8")))

    def visit_If(self, node: ast.If) -> None:
        """Mark what stands below `if TYPE_CHECKING:`."""
        before = self._typing
        self._typing = before or (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING")
        self.generic_visit(node)
        self._typing = before

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """Count how deep in functions we are."""
        self._depth += 1
        self.generic_visit(node)
        self._depth -= 1

    def _add(self, name: str) -> None:
        self.found.append((name, self._depth == 0, self._typing))

    def visit_Import(self, node: ast.Import) -> None:
        """`import cv2`."""
        for alias in node.names:
            self._add(alias.name)

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        """`from .joint import solve`, `from ..optics import slab`, `from PIL import Image`."""
        inside = self._package[: len(self._package) - node.level + 1] if node.level else []
        base = ".".join([*inside, *(node.module.split(".") if node.module else [])])
        for alias in node.names:
            self._add(f"{base}.{alias.name}" if f"{base}.{alias.name}" in MODULES else base)


IMPORTS = {module: Imports(module, path).found for module, path in MODULES.items()}


def test_every_import_keeps_the_contract() -> None:
    """The import linter's contract in pyproject.toml, with imports for types and inside functions counted."""
    lint = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([lint, "--no-cache"], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stdout


def test_modules_do_not_import_in_circles() -> None:
    """No circle, within rooms neither, type-only imports included; the package's lazy names apart."""
    graph = {
        module: {name for name, _, _ in found if name in MODULES and name != module}
        for module, found in IMPORTS.items()
        if module != "align"
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"circle: {error.args[1]}")


@pytest.mark.parametrize("library", sorted(HOMES))
def test_heavy_libraries_live_in_named_places(library: str) -> None:
    """cv2, matplotlib, click and jinja2 are each used in few places."""
    users = {m for m, found in IMPORTS.items() for name, _, _ in found if name.split(".")[0] == library}
    assert users, library
    assert not {module for module in users if not module.startswith(HOMES[library])}


@pytest.mark.parametrize("module", MODULES)
def test_heavy_libraries_are_imported_where_used(module: str) -> None:
    """No module loads a slow library just by being imported."""
    early = {name.split(".")[0] for name, top, typing in IMPORTS[module] if top and not typing}
    assert not early & set(LATE)


@pytest.mark.parametrize("module", [module for module in MODULES if module.startswith("align.cli.")])
def test_commands_import_nothing_but_click(module: str) -> None:
    """At the top of a command's module: the standard library, click, errors and other modules of the room."""
    for name, top, typing in IMPORTS[module]:
        if top and not typing and not name.startswith("align.cli") and name != "align.errors":
            assert name == "click" or name.split(".")[0] in sys.stdlib_module_names, name


def test_results_are_drawn_and_worded_without_computing() -> None:
    """The check's text and pictures read results: they do not touch the solve or the sighting."""
    for module in ("text", "picture", "strip", "wording"):
        for name, _, _ in IMPORTS[f"align.checking.{module}"]:
            assert not name.startswith(("align.solve", "align.sighting", "align.bundle.adjustment")), (module, name)


def test_no_room_bears_the_name_of_a_public_function() -> None:
    """`align.check` is the function, and no module takes its place when it is imported."""
    assert not {f"align.{name}" for name in align.__all__} & set(MODULES)


def run_python(code: str) -> str:
    """The output of a fresh interpreter."""
    environment = {key: value for key, value in os.environ.items() if key != "ALIGN_DEBUG"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
    return done.stdout.strip()


def test_importing_the_package_loads_nothing() -> None:
    """`import align` is free; numpy comes with the first name used."""
    code = "import sys, align; print([m for m in ('numpy', 'cv2', 'matplotlib', 'click') if m in sys.modules])"
    assert run_python(code) == "[]"


def test_the_command_loads_nothing_heavy() -> None:
    """Help needs click alone."""
    code = (
        "import sys, align.cli.main\n"
        "try:\n    align.cli.main.align_group(['--help'], prog_name='align')\n"
        "except SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'cv2', 'matplotlib', 'PIL') if m in sys.modules])"
    )
    assert run_python(code).splitlines()[-1] == "[]"


def test_every_public_name_can_be_imported() -> None:
    """`__all__` promises nothing that is not there."""
    for name in align.__all__:
        assert getattr(align, name) is not None
    assert set(align.__all__) <= set(dir(align))
    with pytest.raises(AttributeError, match="no attribute 'nothing_here'"):
        align.nothing_here  # noqa: B018


@pytest.mark.slow
def test_a_check_loads_no_masked_arrays() -> None:
    """`numpy.median`, `quantile`, `unique` and `isin` import them: a fortieth of a check."""
    loaded = "print('numpy.ma' in sys.modules)"
    if run_python(f"import sys, numpy; {loaded}") == "True":
        pytest.skip("this numpy loads them itself")
    photo = ROOT / "sample_images" / "tunnel_card.jpg"
    code = (
        "import sys, align.cli.main\n"
        f"try:\n    align.cli.main.align_group(['check', {str(photo)!r}], prog_name='align')\n"
        f"except SystemExit:\n    pass\n{loaded}"
    )
    assert run_python(code).splitlines()[-1] == "False"
