"""A saved file is noticed, however it is saved."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.settings import Loaded
from bridge.settings.watch import SettingsWatch, on_network


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

    def start(path: Path = place, polling: bool | None = None) -> Watched:
        made.append(Watched(path, polling))
        return made[-1]

    yield start
    for watched in made:
        watched.watch.stop()


def kerb(loaded: Loaded) -> float:
    assert loaded.settings is not None
    return loaded.settings.feel.kerb


@pytest.mark.parametrize("polling", [False, True])
def test_written_in_place_and_replaced(place: Path, watching: Callable[..., Watched], polling: bool) -> None:
    watched = watching(polling=polling)
    place.write_text("[feel]\nkerb = 1\n", encoding="utf-8")
    assert kerb(watched.wait(1)) == 1.0
    fresh = place.with_suffix(".new")
    fresh.write_text("[feel]\nkerb = 2\n", encoding="utf-8")
    fresh.replace(place)
    assert kerb(watched.wait(2)) == 2.0
    place.write_text("[feel]\nkerb = 2\n", encoding="utf-8")  # the same bytes are no change
    place.write_text("[feel\n", encoding="utf-8")
    assert watched.wait(3).problems


def test_a_link_is_followed_and_may_point_elsewhere(
    place: Path, tmp_path: Path, watching: Callable[..., Watched]
) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(place)
    watched = watching(link)
    place.write_text("[feel]\nkerb = 1\n", encoding="utf-8")
    assert kerb(watched.wait(1)) == 1.0
    other = tmp_path / "other.toml"
    other.write_text("[feel]\nkerb = 3\n", encoding="utf-8")
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
    place.write_text("[feel]\nkerb = 2\n", encoding="utf-8")
    assert kerb(watched.wait(1)) == 2.0


def test_local_folders_are_not_polled(tmp_path: Path) -> None:
    assert not on_network(tmp_path)
    assert os.path.exists("/proc/mounts")
