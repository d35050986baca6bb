"""The folder of a shot's results: made where it is missing, left as clean as it was found."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from gradeprep.errors import OutputRefusedError, WriteError
from gradeprep.plates import atomic

__all__ = ["check_free", "result_folder"]


@contextmanager
def result_folder(folder: Path) -> Iterator[None]:
    """The folder, for as long as results are written into it.

    What dead processes left half-written there is removed, before and after: a worker that was
    killed cannot clean up behind itself. Folders that were made here and stayed empty go again.

    Raises:
        WriteError: The folder cannot be made.
    """
    made = [there for there in (folder, *folder.parents) if not there.exists()]
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise WriteError(
                f"the folder cannot be made: {error.strerror}",
                file=folder,
                remedy="write somewhere else",
            ) from error
        atomic.sweep(folder)
        yield
    finally:
        atomic.sweep(folder)
        for there in made:
            with suppress(OSError):  # it holds something now
                there.rmdir()


def check_free(folder: Path, names: Iterable[str], *, overwrite: bool) -> None:
    """Refuse to write files over others unless that is asked for.

    Raises:
        OutputRefusedError: The folder is a file, or holds one of the names.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputRefusedError("is a file", file=folder, remedy="name a folder")
    paths = [folder / name for name in names]
    there = [path for path in paths if path.exists() or path.is_symlink()]
    if there and not overwrite:
        others = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise OutputRefusedError(
            f"exists already{others}", file=there[0], remedy="say --overwrite, or name a new folder"
        )
