"""A saved file is noticed, however it is saved."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.settings import Loaded
from bridge.settings.places import on_network
from bridge.settings.watch import SettingsWatch

links = pytest.mark.skipif(sys.platform == "win32", reason="links need a right there")


class Watched:
    """A watch and what it told."""

    def __init__(self, path: Path, polling: bool | None = None) -> None:
        self.seen: list[Loaded] = []
        self.troubles: list[str] = []
        self.watch = SettingsWatch(path, {}, self.seen.append, self.troubles.append, polling)
        self.watch.start()

    def wait(self, count: int, timeout: float = 5.0) -> Loaded:
        end = time.monotonic() + timeout
        while len(self.seen) < count and time.monotonic() < end:
            time.sleep(0.01)
        assert len(self.seen) == count, [loaded.text for loaded in self.seen]
        return self.seen[-1]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    folder = tmp_path / "real"
    folder.mkdir()
    path = folder / "settings.toml"
    path.write_text("[feel]\nkerb = 0\n", encoding="utf-8")
    return path


@pytest.fixture
def watching(place: Path) -> Iterator[Callable[..., Watched]]:
    made: list[Watched] = []

    def start(path: Path = place, polling: bool | None = False) -> Watched:
        made.append(Watched(path, polling))
        return made[-1]

    yield start
    for watched in made:
        watched.watch.stop()


def kerb(loaded: Loaded) -> float:
    assert loaded.settings is not None
    return loaded.settings.feel.kerb


def write(path: Path, level: float) -> None:
    path.write_text(f"[feel]\nkerb = {level}\n", encoding="utf-8")


@pytest.mark.parametrize("polling", [False, True])
def test_written_in_place_and_replaced(place: Path, watching: Callable[..., Watched], polling: bool) -> None:
    watched = watching(polling=polling)
    write(place, 1)
    assert kerb(watched.wait(1)) == 1.0
    fresh = place.with_suffix(".new")
    write(fresh, 2)
    fresh.replace(place)
    assert kerb(watched.wait(2)) == 2.0
    write(place, 2)  # the same bytes are no change
    place.write_text("[feel\n", encoding="utf-8")
    assert watched.wait(3).problems


def test_an_editor_that_moves_the_old_file_away_first(place: Path, watching: Callable[..., Watched]) -> None:
    watched = watching()
    place.rename(place.with_suffix(".toml~"))
    time.sleep(0.1)
    assert watched.seen == []
    write(place, 1)
    assert kerb(watched.wait(1)) == 1.0


def test_an_empty_moment_in_the_middle_of_a_save_is_not_taken_for_settings(
    place: Path, watching: Callable[..., Watched]
) -> None:
    watched = watching(polling=True)
    with place.open("w", encoding="utf-8") as file:
        time.sleep(0.02)
        file.write("[feel]\nkerb = 1\n")
    assert kerb(watched.wait(1)) == 1.0


def test_a_file_that_is_emptied_for_good_means_the_defaults(
    place: Path, watching: Callable[..., Watched]
) -> None:
    watched = watching()
    place.write_bytes(b"")
    assert kerb(watched.wait(1)) == 1.0


def test_a_file_that_comes_later(tmp_path: Path, watching: Callable[..., Watched]) -> None:
    path = tmp_path / "none yet" / "settings.toml"
    watched = watching(path)
    path.parent.mkdir()
    write(path, 2)
    assert kerb(watched.wait(1)) == 2.0


@links
def test_a_link_is_followed_and_may_point_elsewhere(
    place: Path, tmp_path: Path, watching: Callable[..., Watched]
) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(place)
    watched = watching(link)
    write(place, 1)
    assert kerb(watched.wait(1)) == 1.0
    other = tmp_path / "other.toml"
    write(other, 3)
    turned = tmp_path / "turned"
    turned.symlink_to(other)
    turned.replace(link)
    assert kerb(watched.wait(2)) == 3.0


def test_a_folder_that_is_removed_and_made_again(place: Path, watching: Callable[..., Watched]) -> None:
    watched = watching()
    place.unlink()
    place.parent.rmdir()
    time.sleep(0.1)
    place.parent.mkdir()
    write(place, 2)
    assert kerb(watched.wait(1)) == 2.0
    write(place, 3)
    assert kerb(watched.wait(2)) == 3.0


@pytest.mark.skipif(sys.platform == "win32", reason="a watched folder cannot be renamed there")
def test_a_folder_that_is_replaced_by_another(
    place: Path, tmp_path: Path, watching: Callable[..., Watched]
) -> None:
    watched = watching()
    copy = tmp_path / "copy"
    shutil.copytree(place.parent, copy)
    place.parent.rename(tmp_path / "old")
    copy.rename(place.parent)
    write(place, 2)
    assert kerb(watched.wait(1)) == 2.0
    write(place, 3)
    assert kerb(watched.wait(2)) == 3.0


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders there")
def test_a_pipe_in_place_of_the_file_is_left_alone(place: Path, watching: Callable[..., Watched]) -> None:
    watched = watching()
    place.unlink()
    os.mkfifo(place)
    time.sleep(0.3)
    assert watched.seen == []
    place.unlink()
    write(place, 2)
    assert kerb(watched.wait(1)) == 2.0


def test_whoever_listens_may_fail_and_hears_the_next_one(place: Path) -> None:
    heard: list[float] = []

    def listen(loaded: Loaded) -> None:
        heard.append(kerb(loaded))
        raise LookupError("mine")

    troubles: list[str] = []
    watch = SettingsWatch(place, {}, listen, troubles.append, polling=False)
    watch.start()
    try:
        for level in (1.0, 2.0):
            write(place, level)
            end = time.monotonic() + 5.0
            while level not in heard and time.monotonic() < end:
                time.sleep(0.01)
    finally:
        watch.stop()
    assert heard == [1.0, 2.0]
    assert "LookupError: mine" in troubles[0]


def test_local_folders_are_not_polled(tmp_path: Path, place: Path, watching: Callable[..., Watched]) -> None:
    assert not on_network(tmp_path)
    assert not watching(polling=None).watch.polling


@pytest.mark.skipif(sys.platform == "win32", reason="drives there")
def test_shares_are_told_by_the_table_of_mounts(tmp_path: Path) -> None:
    table = tmp_path / "mounts"
    table.write_text(
        "disk / ext4 rw 0 0\nbox:/home /mnt/my\\040share nfs4 rw 0 0\nshort\n"
        "disk2 /mnt/my\\040share/local ext4 rw 0 0\n",
        encoding="utf-8",
    )
    for path, network in (
        ("/mnt/my share/settings.toml", True),
        ("/mnt/my share", True),
        ("/mnt/my share/local/settings.toml", False),
        ("/mnt/my shared/settings.toml", False),
        ("/home/x", False),
    ):
        assert on_network(Path(path), table) is network, path
    assert not on_network(Path("/x"), tmp_path / "no table")
