"""The `bench` command's own part: usage, what is missing, what is taken."""

from __future__ import annotations

import importlib.util
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from align.cli.main import align_group
from align.errors import AlignError
from align.workbench import server


def test_help_says_who_can_read_along() -> None:
    """What --phone opens, and to whom."""
    done = CliRunner().invoke(align_group, ["bench", "--help"])
    assert done.exit_code == 0
    words = " ".join(done.output.split())
    assert "for this computer only, unless --phone is given" in words
    assert "without encryption, others on it could read" in words


def test_missing_libraries_are_named_with_how_to_install_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Exit code 1 and one command to type; nothing is made."""
    known = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "uvicorn" else known(name))
    done = CliRunner().invoke(align_group, ["bench", str(tmp_path / "record"), "--no-open"])
    assert done.exit_code == 1
    assert "uvicorn" in done.output
    assert "align[bench]" in done.output
    assert not (tmp_path / "record").exists()


def test_a_port_in_use_is_named() -> None:
    """With what to do."""
    pytest.importorskip("uvicorn")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(AlignError, match=f"Port {port} is in use") as error:
            server.listen(port, phone=False)
    assert "--port" in error.value.remedy


def test_only_loopback_is_listened_to_unless_a_phone_is_wanted() -> None:
    """One socket on 127.0.0.1 without a token; with a phone a second one, whose address asks for it."""
    alone = server.listen(0, phone=False)
    both = server.listen(0, phone=True, shown="127.0.0.2")
    try:
        assert [one.getsockname()[0] for one in alone.sockets] == ["127.0.0.1"]
        assert (alone.doors.shown, alone.doors.token) == (None, "")
        assert [one.getsockname()[0] for one in both.sockets] == ["127.0.0.1", "127.0.0.2"]
        assert len({one.getsockname()[1] for one in both.sockets}) == 1
        assert both.doors.phone_address == f"http://127.0.0.2:{both.doors.port}/enter/{both.doors.token}"
    finally:
        for one in (*alone.sockets, *both.sockets):
            one.close()


def test_the_code_holds_the_address() -> None:
    """Drawn with characters, some 20 to 30 lines."""
    pytest.importorskip("segno")
    lines = server.code_in_terminal("http://192.0.2.7:8620/enter/token").splitlines()
    assert 10 < len(lines) < 40


@pytest.mark.parametrize("options", [["--port", "0"], ["--port", "70000"], ["--unknown"], ["a", "b"]])
def test_wrong_usage_is_exit_code_2(options: list[str]) -> None:
    """Before anything is made."""
    assert CliRunner().invoke(align_group, ["bench", *options]).exit_code == 2


def test_a_camera_that_does_not_open_is_said_before_anything_is_served(tmp_path: Path) -> None:
    """Exit code 1, the error's own words, and no page that would wait for pictures."""
    done = CliRunner().invoke(align_group, ["bench", str(tmp_path / "record"), "--no-open", "--camera-index", "97"])
    assert done.exit_code == 1
    assert "Camera 97 does not open" in done.output
    assert "The page:" not in done.output


@pytest.mark.parametrize(
    "options", [["--camera-index", "-1"], ["--watch", "nowhere/at/all"], ["--watch", ".", "--watch-every", "0"]]
)
def test_feeds_that_cannot_be_meant_are_wrong_usage(options: list[str]) -> None:
    """As every option of a command."""
    assert CliRunner().invoke(align_group, ["bench", *options]).exit_code == 2
