"""What is kept of a mirror between photos."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from align.workbench.shelf import Shelf, folder_name


def test_photos_are_numbered_and_found_again(tmp_path: Path) -> None:
    """A second shelf over the same folder, as after a new start, knows what the first one kept."""
    shelf = Shelf(tmp_path / "bench" / "one")
    assert [shelf.put_photo(b"a", ".jpg"), shelf.put_photo(b"b", ".png")] == [1, 2]
    shelf.put("answer", 1, {"format": "x"})
    again = Shelf(tmp_path / "bench" / "one")
    assert again.photos() == [1, 2]
    assert again.open_photos() == [2]
    path = again.photo(2)
    assert path is not None
    assert path.read_bytes() == b"b"
    assert again.is_known(b"a") == 1
    assert again.is_known(b"c") is None
    again.put("refusal", 2, {"format": "y"})
    assert again.open_photos() == []


def test_two_programs_on_one_folder_lose_nothing(tmp_path: Path) -> None:
    """Two shelves that know nothing of one another give every photo a number of its own."""
    shelves = [Shelf(tmp_path), Shelf(tmp_path)]
    numbers: list[int] = []

    def keep(shelf: Shelf, name: str) -> None:
        for turn in range(20):
            numbers.append(shelf.put_photo(f"{name}{turn}".encode(), ".jpg"))

    threads = [threading.Thread(target=keep, args=(shelf, str(n))) for n, shelf in enumerate(shelves)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 41))
    assert {path.read_bytes() for path in tmp_path.glob("photo-*")} == {
        f"{name}{turn}".encode() for name in "01" for turn in range(20)
    }


def test_what_is_damaged_costs_only_itself(tmp_path: Path) -> None:
    """A torn answer is left out; the photo then counts as answered by nobody else's reading."""
    shelf = Shelf(tmp_path)
    shelf.put_photo(b"a", ".jpg")
    (tmp_path / "answer-0001.json").write_text("{", encoding="utf-8")
    assert shelf.read("answer") == {}


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("Arcade mirror", "arcade-mirror-"),
        ("../../etc/passwd", "etc-passwd-"),
        ("", "mirror-"),
        ("Süd / 2", "s-d-2-"),
    ],
)
def test_names_of_folders_are_plain(name: str, plain: str) -> None:
    """Whatever a mirror is called, its folder has letters, digits and hyphens; capitals make no other mirror."""
    found = folder_name(name)
    assert found.startswith(plain)
    assert set(found) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert found == folder_name(name.upper()) or "ü" in name


def test_like_names_have_folders_of_their_own() -> None:
    """What differs only in signs is told apart."""
    assert folder_name("a b") != folder_name("a-b")
