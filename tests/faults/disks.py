"""Disks that fill at a random byte, while an older good result stands there.

After each: every frame is the older or the newer one, whole; what failed is named; no temporary
file is left; sources are as they were.
"""

from __future__ import annotations

import os
import random
import resource
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path

from .film import Film, call
from .tally import Tally

__all__ = ["disks"]

FRAMES = 3
PAGE = 4096
QUOTA_DISK = 128 * 2**20

ASIDE = 200_000
"""What btrfs wants to be free before it makes a file, measured."""


def disks(folder: Path, *, count: int, seed: int) -> Iterator[Tally]:
    """A series with a limit on the size of files, one on a small disk that is filled, and a short
    one with a quota."""
    chance = random.Random(f"disks {seed}")
    limited = Tally("limit on file size at a random byte")
    for kind in ("exr", "dpx"):
        trial = _Trial(folder / f"limited-{kind}", kind)
        for _ in range(count // 4):
            size = _drawn(chance, trial.largest)
            trial.run(limited, lambda size=size: _limit(size), f"{kind}, {size} bytes")
    yield limited
    filled = Tally("disk full after a random number of bytes")
    _on_disks(
        filled, folder / "disk", _small_disk, _fill, count=count // 4, spare=PAGE, chance=chance
    )
    yield filled
    used_up = Tally("quota used up after a random number of bytes")
    quota = (_quota_disk, _quota)
    _on_disks(used_up, folder / "quota", *quota, count=count // 20, spare=ASIDE, chance=chance)
    yield used_up


def _on_disks(
    tally: Tally,
    folder: Path,
    disk: Callable[[Path], AbstractContextManager[Path | None]],
    fault: Callable[[Path, int], AbstractContextManager[None]],
    *,
    count: int,
    spare: int,
    chance: random.Random,
) -> None:
    """So many trials of each format on a disk of its own, with random room left for the frames.

    ``spare`` is what the disk itself may want to have besides.
    """
    for kind in ("exr", "dpx"):
        with disk(folder.with_name(f"{folder.name}-{kind}")) as there:
            if there is None:
                tally.notes.append(f"{tally.name}: not tried: this process may not mount it")
                return
            trial = _Trial(there, kind)
            for _ in range(count):
                room = chance.randrange(FRAMES * trial.largest + spare)
                trial.run(tally, partial(fault, there, room), f"{kind}, {room} bytes")


def _drawn(chance: random.Random, largest: int) -> int:
    """A size; half of them within the last page of a frame, which libraries write when closing."""
    return chance.randrange(max(1, largest - PAGE) if chance.random() < 0.5 else 1, largest + 1)


class _Trial:
    """A film with an older result, which is then written over on a disk that fails."""

    def __init__(self, folder: Path, kind: str) -> None:
        self.film = Film(folder, kind, FRAMES)
        self.kind = kind
        self.new = self._made("-2")
        self.old = self._made("-1")
        self.largest = max(map(len, self.new.values()))

    def _pull(self, stops: str) -> tuple[int, str]:
        space = {"exr": "ACEScg", "dpx": "ACEScct"}[self.kind]
        told = ("--stops", stops, "--space", space, "--jobs", "1", "--quiet", "--overwrite")
        return call("pull", self.film.plate, self.film.out, *told)

    def _made(self, stops: str) -> dict[str, bytes]:
        code, said = self._pull(stops)
        assert code == 0, said
        return self.film.frames()

    def run(
        self, tally: Tally, fault: Callable[[], AbstractContextManager[None]], where: str
    ) -> None:
        """One trial, and everything as it was before the next."""
        with fault():
            code, said = self._pull("-2")
        tally.add(self._after(tally, code, said), where)
        self._made("-1")

    def _after(self, tally: Tally, code: int, said: str) -> Iterator[str]:
        if code not in (0, 1, 2) or "Traceback" in said or "internal error" in said:
            tally.crashes += 1
            yield f"exit code {code}: {said[-300:]}"
        now = self.film.frames()
        wrong = [n for n, raw in now.items() if raw not in (self.old[n], self.new[n])]
        wrong += [name for name in self.old if name not in now]
        tally.wrong += len(wrong)
        if wrong:
            yield f"neither the older nor the newer frame: {', '.join(wrong)}"
        if code == 0 and now != self.new:
            yield "said to be done, and is not"
        if code != 0 and not said.strip():
            yield "failed without a word"
        if code == 1 and "the lock cannot be made" not in said:  # then no frame was begun
            silent = [n for n in now if now[n] == self.old[n] and n not in said]
            if silent:
                yield f"not done and not named: {', '.join(silent)}; {said}"
        if self.film.leftovers():
            yield f"left {self.film.leftovers()}"
        if not self.film.untouched():
            tally.sources += 1
            yield "a source changed"


@contextmanager
def _limit(size: int) -> Iterator[None]:
    """No file of this process may become larger."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def _fill(disk: Path, room: int) -> Iterator[None]:
    """Leave so many bytes free, to the page."""
    free = os.statvfs(disk)
    filler = disk / "filler"
    filler.write_bytes(bytes(max(0, free.f_bavail * free.f_frsize - room)))
    try:
        yield
    finally:
        filler.unlink()


@contextmanager
def _small_disk(folder: Path) -> Iterator[Path | None]:
    """A disk of 2 MB, or None where this process may not mount one."""
    folder.mkdir(parents=True)
    mount = ("mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder))
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(("umount", str(folder)), check=True, capture_output=True)


@contextmanager
def _quota_disk(folder: Path) -> Iterator[Path | None]:
    """A part of a btrfs disk that may have a quota, or None where this process may not make one."""
    image = folder.with_suffix(".img")
    folder.mkdir(parents=True)
    with image.open("wb") as file:
        file.truncate(QUOTA_DISK)
    try:
        _done("mkfs.btrfs", "-q", image)
        _done("mount", "-o", "loop", image, folder)
    except (OSError, subprocess.CalledProcessError):
        yield None
        return
    try:
        _done("btrfs", "quota", "enable", folder)
        _done("btrfs", "subvolume", "create", folder / "own")
        yield folder / "own"
    finally:
        _done("umount", folder)
        image.unlink()


@contextmanager
def _quota(disk: Path, room: int) -> Iterator[None]:
    """Allow so many bytes more than there are."""
    told = _done("btrfs", "qgroup", "show", "--raw", "--sync", "-f", disk).splitlines()[-1]
    group, used, *_ = told.split()
    whole = disk.parent  # where there is no limit: taking one away needs a few bytes as well
    _done("btrfs", "qgroup", "limit", str(int(used) + room), group, whole)
    try:
        yield
    finally:
        _done("btrfs", "qgroup", "limit", "none", group, whole)


def _done(*command: str | Path) -> str:
    words = [str(word) for word in command]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout
