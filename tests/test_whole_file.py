"""Writing: every file a command makes is there whole, or as it was before, whatever interrupts it."""

from __future__ import annotations

import ast
import os
import stat
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import align
from align.drawing.canvas import save_pixels
from align.errors import AlignError
from align.photo.camera_file import write_camera_file
from align.planning.scene_file import start_file
from align.records.write_installation import write_start
from align.target.pdf import write_sheet_pdf
from align.whole_file import write_figure, write_whole
from tests.support.camera_files import camera_file

PIXELS = np.zeros((20, 30, 3), np.uint8)


class Drawing:
    """What `write_figure` needs of a matplotlib figure."""

    def savefig(self, file: object, **_: object) -> None:
        """Some bytes."""
        file.write(b"drawn")


#: Every writer of a single file, over its name.
WRITERS: dict[str, Callable[[Path], object]] = {
    "mine.bin": lambda path: write_whole(path, b"new"),
    "camera.json": lambda path: write_camera_file(camera_file(), path),
    "answer.png": lambda path: save_pixels(PIXELS, path),
    "drawing.png": lambda path: write_figure(Drawing(), path),
    "sheet.pdf": lambda path: write_sheet_pdf("card", path),
}


@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.parametrize("fault", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_what_cannot_be_finished_leaves_what_was(tmp_path, monkeypatch, name, fault):
    path = tmp_path / name
    path.write_bytes(b"the old one")

    def fail(*_: object) -> None:
        raise fault

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises((KeyboardInterrupt, AlignError)) as error:
        WRITERS[name](path)
    if isinstance(fault, OSError):
        assert "cannot be written: No space left on device" in error.value.message
        assert error.value.remedy
    assert path.read_bytes() == b"the old one"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", WRITERS)
def test_a_folder_that_is_not_there_is_named(tmp_path, name):
    with pytest.raises(AlignError, match="no such folder"):
        WRITERS[name](tmp_path / "nowhere" / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("write", [start_file, lambda path: write_start(path.parent)])
def test_files_to_start_from_are_never_written_over(tmp_path, monkeypatch, links, write):
    path = tmp_path / "installation.toml"
    if not links:

        def no_links(*_: object) -> None:
            raise OSError(95, "Operation not supported")

        monkeypatch.setattr(os, "link", no_links)
    write(path)
    path.write_bytes(b"mine")
    with pytest.raises(AlignError, match="exists already"):
        write(path)
    assert path.read_bytes() == b"mine"
    assert list(tmp_path.iterdir()) == [path]


def test_links_are_followed_and_pipes_written_into(tmp_path):
    real, link, pipe = tmp_path / "real.txt", tmp_path / "link.txt", tmp_path / "pipe"
    real.write_bytes(b"old")
    try:
        link.symlink_to(real)
        os.mkfifo(pipe)
    except (OSError, AttributeError):
        pytest.skip("no links or pipes here")
    write_whole(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(pipe, b"through")
        assert os.read(reader, 100) == b"through"
    finally:
        os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


PACKAGE = Path(align.__file__).parent


def writing_calls(code: str) -> set[str]:
    """Names of the calls in some code that may write a file; `open` only in a mode that writes."""
    always = {"write_text", "write_bytes", "savefig", "imwrite", "mkstemp", "save", "savez", "savetxt", "tofile"}
    always |= {"NamedTemporaryFile", "copy2", "copyfile"}
    found = set()
    for node in ast.walk(ast.parse(code)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        given = [*node.args, *(word.value for word in node.keywords)]
        texts = [part.value for part in given if isinstance(part, ast.Constant) and isinstance(part.value, str)]
        writes = any(set(text) <= set("rwxabt+") and set(text) & set("wxa+") for text in texts)
        if name in always or (name in {"open", "fdopen"} and writes):
            found.add(name)
    return found


def test_nothing_else_in_the_package_writes_files():
    """Only `whole_file` does, and `entry` into a folder that gets its name when all is there."""
    found = {
        str(path.relative_to(PACKAGE).with_suffix("")): calls
        for path in PACKAGE.rglob("*.py")
        if (calls := writing_calls(path.read_text(encoding="utf-8")))
    }
    assert found == {
        "whole_file": {"open", "write_bytes", "savefig"},
        "records/entry": {"open"},
        "cli/streams": {"open"},  # the null device, in place of an output that is closed
        "photo/strip_metadata": {"save"},  # into memory
        "workbench/side_pages": {"save"},  # into memory
        "workbench/other_work": {"savefig"},  # into memory
    }


@pytest.mark.parametrize(
    ("code", "call"),
    [
        ("open(name, 'w')", "open"),
        ("path.open(mode='xb')", "open"),
        ("Image.open(file)", None),
        ("path.open('rb')", None),
        ("image.save(path)", "save"),
        ("np.savez(path, a=1)", "savez"),
    ],
)
def test_calls_that_write_are_told_from_those_that_read(code: str, call: str | None) -> None:
    assert writing_calls(code) == ({call} if call else set())
