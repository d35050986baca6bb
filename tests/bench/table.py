"""The figures as Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import median

from .figures import Spread, best, further, ratios, slope, whole
from .measure import Measured, Sample
from .programs import OURS
from .scaling import Length, Sized, Worked, since, typical

__all__ = [
    "jobs_table",
    "length_table",
    "safety_table",
    "size_table",
    "startup_table",
    "worker_table",
]

_HEAD = (
    *("job", "program", "frames/s", "CPU s/frame", "peak MB", "one frame more, ms (CPU)"),
    *("gradeprep against it, whole", "frame more", "CPU of it"),
)


def jobs_table(measured: Sequence[Sequence[Measured]]) -> str:
    """One block of rows a job, each program in its best layout."""
    rows = [row for block in measured for row in _block(best(block))]
    remarks = dict.fromkeys(
        f"{block[0].job.name}: {block[0].job.remark}." for block in measured if block[0].job.remark
    )
    return _table(_HEAD, rows) + "".join(f"\n- {remark}" for remark in remarks) + "\n"


def _block(chosen: Sequence[Measured]) -> Iterable[tuple[str, ...]]:
    ours = next(one for one in chosen if one.way.program == OURS)
    for one in chosen:
        count, samples = max(one.samples), whole(one)
        more = 1000 * median(further(one))
        more_cpu = 1000 * median(further(one, "cpu"))
        yield (
            one.job.name if one is ours else "",
            f"{one.way.program} ({one.way.layout})",
            _spread(Spread.of(count / sample.wall for sample in samples)),
            f"{median(sample.cpu for sample in samples) / count:.3f}",
            f"{median(sample.peak for sample in samples) / 1e6:.0f}",
            f"{more:.0f} ({more_cpu:.0f})",
            *(_against(ours, one) if one is not ours else ("", "", "")),
        )


def _against(ours: Measured, one: Measured) -> tuple[str, str, str]:
    walls = [[sample.wall for sample in whole(it)] for it in (ours, one)]
    return (
        _spread(ratios(*walls)),
        _spread(ratios(further(ours), further(one))),
        _spread(ratios(further(ours, "cpu"), further(one, "cpu"))),
    )


def worker_table(found: Sequence[Worked]) -> str:
    """Frames a second by workers."""
    alone = found[0].further.median
    rows = [
        (
            str(one.workers),
            _spread(one.rate),
            f"{1000 * one.further.median:.0f}",
            _digits(alone / one.further.median) if one.further.median > 0 else "lost in noise",
        )
        for one in found
    ]
    return _table(("workers", "frames/s", "one frame more, ms", "as fast as one"), rows)


def size_table(found: Sequence[Sized]) -> str:
    """Cost of a frame by its size."""
    rows = [
        (
            f"{one.size[0]}x{one.size[1]}",
            _spread(one.further.times(1000)),
            f"{1000 * one.further.median / one.megapixels:.1f}",
        )
        for one in found
    ]
    told = _table(("frame", "one frame more, ms", "ms a megapixel"), rows)
    if len(found) > 1:
        sizes = [one.megapixels for one in found]
        more = slope(sizes, [1000 * one.further.median for one in found])
        told += f"\nOne megapixel more costs {_digits(more)} ms.\n"
    return told


def length_table(found: Sequence[Length]) -> str:
    """Cost of a frame by the sequence's length; each row against the one before it."""
    rows = [
        (
            f"{one.frames:,}",
            _spread(Spread.of(sample.wall for sample in one.samples)),
            _spread(since(before, one, "wall").times(1000)),
            _spread(since(before, one, "cpu").times(1000)),
            _spread(_megabytes(one, "own")),
            _spread(_megabytes(one, "peak")),
        )
        for before, one in zip((None, *found), found, strict=False)
    ]
    since_above = ("ms a frame since the row above", "CPU ms")
    told = _table(("frames", "s", *since_above, "planning process, MB", "largest, MB"), rows)
    if len(found) < 2:
        return told
    before, last = found[-2:]
    own = _megabytes(last, "own")
    return (
        f"{told}\nFrom {before.frames:,} frames on, one more takes "
        f"{_spread(since(before, last, 'own'))} bytes of the process that plans; runs of "
        f"{last.frames:,} differ by {1000 * (own.high - own.low):.0f} kB.\n"
    )


def _megabytes(one: Length, what: str) -> Spread:
    return Spread.of(getattr(sample, what) / 1e6 for sample in one.samples)


def safety_table(found: Mapping[str, Spread]) -> str:
    """What being sure takes of a frame."""
    codec = next(iter(found.values())).median
    rows = [
        (name, _spread(taken.times(1000)), f"{100 * taken.median / codec:.1f}")
        for name, taken in found.items()
    ]
    return _table(("of one frame", "CPU ms", "percent of the codec's"), rows)


def startup_table(found: Mapping[str, Sequence[Sample]]) -> str:
    """What starting takes."""
    rows = [
        (
            name,
            _spread(Spread.of(1000 * one.wall for one in samples)),
            f"{1000 * typical(samples).cpu:.0f}",
            f"{typical(samples).peak / 1e6:.0f}",
        )
        for name, samples in found.items()
    ]
    return _table(("start", "ms", "CPU ms", "peak MB"), rows)


def _spread(spread: Spread | None) -> str:
    """Median and, in brackets, smallest and largest where they differ; three digits."""
    if spread is None:
        return "lost in noise"
    middle, low, high = map(_digits, (spread.median, spread.low, spread.high))
    return middle if low == high else f"{middle} ({low} to {high})"


def _digits(value: float) -> str:
    return (
        f"{value:.2f}"
        if abs(value) < 10
        else f"{value:.1f}"
        if abs(value) < 100
        else f"{value:.0f}"
    )


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)
