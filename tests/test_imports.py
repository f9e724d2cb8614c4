"""The layout of the package: what may import what, and where heavy libraries are imported."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import align

PACKAGE = Path(align.__file__).parent
MODULES = sorted(path.stem for path in PACKAGE.glob("*.py") if path.stem != "__init__")

#: From top to bottom (design, section 6). A module imports from its own layer or from those below.
LAYERS = (
    ("commands", "cli cli_*"),
    ("jobs", "check glass_check glass_free plan record calibrate calibration"),
    (
        "drawn and worded",
        "figures figures_* page page_* text text_* captioned charts drawings glass_drawing standalone "
        "history stored registration metadata plan_json canvas labels strip wording svg",
    ),
    (
        "computing",
        "sighting sighting_* repeats searching plainboard finding matching grouping solve start problem seeding "
        "leastsquares neighbours model intrinsics next_photo light legibility quality "
        "report advice overlay claims shims lamps lamps_* sightlines viewing cures screens paths angle seam "
        "ghosts_plan glass_order simulate safety",
    ),
    (
        "pure models and files",
        "camera camera_file distortion target markers sheet_pdf glass geometry photo jpeg torn scene scene_* "
        "quantity record_file entry whole_file",
    ),
    ("results", "results results_* errors"),
)
#: Libraries that are slow to load, or a matter of taste, and the few modules that may use each.
HOMES = {
    "cv2": {"photo", "jpeg", "markers", "finding", "matching", "sighting", "searching", "plainboard", "canvas"}
    | {"figures", "figures_glass", "captioned", "registration", "cli_each", "lamps"},
    "matplotlib": {"sheet_pdf", "figures_camera", "figures_plan", "figures_plan_eye", "figures_plan_parts"}
    | {"figures_plan_side"},
    "click": {module for module in MODULES if module.startswith("cli")},
    "jinja2": {"page"},
}
#: Never imported by merely importing one of our modules.
LATE = ("cv2", "matplotlib", "jinja2", "skimage", "PIL", "pillow_heif", "scipy", "mitsuba")


def layer_of(module: str) -> int:
    """The number of a module's layer, 0 at the top; exact names go before patterns such as `cli_*`."""
    for exact in (True, False):
        for number, (_, names) in enumerate(LAYERS):
            for name in names.split():
                if name == module or (not exact and name.endswith("*") and module.startswith(name[:-1])):
                    return number
    pytest.fail(f"align/{module}.py is in no layer: give it one in tests/test_imports.py")


class Imports(ast.NodeVisitor):
    """Imports of a module: (name, is_ours, at_module_level), those for type checking left out."""

    def __init__(self) -> None:
        self.found: list[tuple[str, bool, bool]] = []
        self._depth = 0

    def visit_If(self, node: ast.If) -> None:
        """Skip `if TYPE_CHECKING:`."""
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """Count how deep in functions we are."""
        self._depth += 1
        self.generic_visit(node)
        self._depth -= 1

    def visit_Import(self, node: ast.Import) -> None:
        """`import cv2`."""
        self.found += [(alias.name.split(".")[0], False, self._depth == 0) for alias in node.names]

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        """`from .solve import solve`, `from . import solve`, `from PIL import Image`."""
        if node.level and node.module:
            self.found.append((node.module, True, self._depth == 0))
        elif node.level:
            self.found += [(alias.name, True, self._depth == 0) for alias in node.names]
        elif node.module:
            self.found.append((node.module.split(".")[0], False, self._depth == 0))


def imports_of(module: str) -> list[tuple[str, bool, bool]]:
    """Every import in a module that happens when the program runs."""
    visitor = Imports()
    visitor.visit(ast.parse((PACKAGE / f"{module}.py").read_text(encoding="utf-8")))
    return visitor.found


@pytest.mark.parametrize("module", MODULES)
def test_imports_point_downwards(module: str) -> None:
    """No module reaches for one in a layer above its own."""
    upward = [name for name, ours, _ in imports_of(module) if ours and layer_of(name) < layer_of(module)]
    assert not upward, f"{module} ({LAYERS[layer_of(module)][0]}) imports upwards: {upward}"


def test_modules_do_not_import_in_circles() -> None:
    """At module level there is no circle, within layers neither."""
    graph = {module: {name for name, ours, top in imports_of(module) if ours and top} for module in MODULES}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"circle: {error.args[1]}")


@pytest.mark.parametrize("library", sorted(HOMES))
def test_heavy_libraries_live_in_named_modules(library: str) -> None:
    """cv2, matplotlib, click and jinja2 are each used in few places."""
    users = {
        module
        for module in MODULES
        if any(name == library for name, ours, _ in imports_of(module) if not ours)
    }
    assert users <= HOMES[library]


@pytest.mark.parametrize("module", MODULES)
def test_heavy_libraries_are_imported_where_used(module: str) -> None:
    """No module loads a slow library just by being imported."""
    early = {name for name, ours, top in imports_of(module) if not ours and top} & set(LATE)
    assert not early


@pytest.mark.parametrize("module", [module for module in MODULES if module.startswith("cli")])
def test_commands_import_nothing_but_click(module: str) -> None:
    """At the top of a command's module: the standard library, click, errors and other cli modules."""
    for name, ours, top in imports_of(module):
        if top and ours:
            assert name == "errors" or name.startswith("cli"), name
        elif top:
            assert name == "click" or name in sys.stdlib_module_names, name


def test_results_are_drawn_and_worded_without_computing() -> None:
    """The check's text and pictures read results: they do not touch the solve or the sighting."""
    for module in ("text", "figures", "strip", "wording", "canvas", "labels"):
        for name, ours, _ in imports_of(module):
            assert not ours or name == "photo" or layer_of(name) != 3, (module, name)


def run_python(code: str) -> str:
    """The output of a fresh interpreter."""
    environment = {key: value for key, value in os.environ.items() if key != "ALIGN_DEBUG"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    )
    return done.stdout.strip()


def test_importing_the_package_loads_nothing() -> None:
    """`import align` is free; numpy comes with the first name used."""
    code = (
        "import sys, align; print([m for m in ('numpy', 'cv2', 'matplotlib', 'click') if m in sys.modules])"
    )
    assert run_python(code) == "[]"


def test_the_command_loads_nothing_heavy() -> None:
    """Help needs click alone."""
    code = (
        "import sys, align.cli\n"
        "try:\n    align.cli.align_group(['--help'], prog_name='align')\n"
        "except SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'cv2', 'matplotlib', 'PIL') if m in sys.modules])"
    )
    assert run_python(code).splitlines()[-1] == "[]"


def test_public_names_are_functions_whatever_was_imported_before() -> None:
    """`align.check` is the function, although a module of that name exists."""
    code = (
        "import align, align.check, align.plan, align.calibrate\n"
        "from align.check import check\n"
        "from align import calibrate, plan\n"
        "print(align.check is check, callable(plan), callable(align.check), callable(calibrate))"
    )
    assert run_python(code) == "True True True True"


def test_every_public_name_can_be_imported() -> None:
    """`__all__` promises nothing that is not there."""
    for name in align.__all__:
        assert getattr(align, name) is not None
    assert set(align.__all__) <= set(dir(align))
    with pytest.raises(AttributeError, match="no attribute 'nothing_here'"):
        align.nothing_here  # noqa: B018
