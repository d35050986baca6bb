"""The cost of a plan, printed."""

from __future__ import annotations

import click

from gradeprep.model.costed import Cost

__all__ = ["print_cost"]


def print_cost(cost: Cost) -> None:
    """Print what a plan costs."""
    click.echo("\ncost")
    for label, text in _lines(cost):
        click.echo(f"  {label:<9}{text}")


def _lines(cost: Cost) -> list[tuple[str, str]]:
    frames = f"{cost.frames} in {len(cost.shots)} shot{'' if len(cost.shots) == 1 else 's'}"
    bound = "" if cost.processor_seconds is not None else "at most "
    disk = f"read {_bytes(cost.bytes_read)}, write {bound}{_bytes(cost.bytes_written)}"
    lines = [("frames", frames), ("disk", disk)]
    if cost.processor_seconds is None or cost.wall_seconds is None:
        return [*lines, ("compute", f"not measured: {cost.why}")]
    each = cost.processor_seconds / cost.frames
    whole = f"{_time(cost.processor_seconds)} of one processor, {each:.3g} s a frame"
    lines.append(("compute", f"{whole} ({_evidence(cost)})"))
    lines.append(("time", f"{_time(cost.wall_seconds)} on {_processors(cost.workers)}"))
    if cost.read_rate and cost.write_rate:
        rates = f"reads {_bytes(cost.read_rate)}/s and writes {_bytes(cost.write_rate)}/s"
        lines.append(("", f"if the storage {rates} meanwhile"))
    return lines


def _evidence(cost: Cost) -> str:
    """Where the seconds come from."""
    measured = [name for name, shot in cost.shots.items() if shot.source == "measured"]
    by_size = [name for name, shot in cost.shots.items() if shot.source == "by size"]
    shown = ", ".join(measured[:4]) + (f" and {len(measured) - 4} more" * (len(measured) > 4))
    told = f"measured on one frame of {shown}"
    if by_size:
        told += (
            f"; {len(by_size)} other kind{'' if len(by_size) == 1 else 's'} of shot by file size"
        )
    return told


def _processors(count: int) -> str:
    return f"{count} processor{'' if count == 1 else 's'}"


def _time(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.2g} s"
    if seconds < 100 * 60:
        return f"{seconds / 60:.2g} minutes"
    return f"{seconds / 3600:.3g} hours"


def _bytes(count: float) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count / 1e3:.3g} kB"
