"""The benchmark runs and says what it should; how fast anything is, no test says."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from bench import figures, table
from bench.__main__ import main
from bench.jobs import Job, every_job, usual_jobs
from bench.measure import Measured, Sample, clock, measure
from bench.plates import CARD, STOPS_HOT, Kind, Plates, linear_table
from bench.programs import Programs, Way
from bench.scaling import Length, Sized, since

from gradeprep.plates import files

TINY = (64, 36)


def timed(program: str, few: list[float], many: list[float], layout: str = "") -> Measured:
    """Runs over 4 and 10 frames that took these seconds, half of them the processor's."""
    samples = {
        count: [Sample(wall, wall / 2, 200_000_000, 90_000_000) for wall in walls]
        for count, walls in ((4, few), (10, many))
    }
    way = Way(program, layout, lambda source, result, frames: [])
    return Measured(Job("job", Kind(TINY), (way,), "a remark"), way, samples)


def rows_of(text: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_a_further_frame_costs_the_slope():
    assert figures.further(timed("gradeprep", [2.0, 3.0], [5.0, 9.0])) == [0.5, 1.0]
    assert figures.further(timed("gradeprep", [2.0], [5.0]), "cpu") == [0.25]


def test_ratios_compare_what_ran_in_one_round():
    assert figures.ratios([1.0, 2.0, 4.0], [2.0, 2.0, 2.0]) == figures.Spread(1.0, 0.5, 2.0)
    assert figures.ratios([1.0, -0.1], [1.0, 1.0]) is None


def test_of_each_program_the_fastest_layout_counts():
    slow, fast = timed("floor", [2.0], [9.0], "threads"), timed("floor", [3.0], [5.0], "processes")
    ours = timed("gradeprep", [2.0], [6.0])
    assert figures.best([ours, slow, fast]) == [ours, fast]


def test_the_table_tells_ours_against_each():
    ours = timed("gradeprep", [2.0] * 3, [5.0, 4.0, 8.0])
    told = table.jobs_table([[ours, timed("floor", [1.0] * 3, [4.0] * 3, "2 threads")]])
    head, _, mine, floor = rows_of(told)
    assert len(head) == len(mine) == len(floor) == 9
    assert mine[:3] == ["job", "gradeprep ()", "2.00 (1.25 to 2.50)"]
    assert mine[3:] == ["0.250", "200", "500 (250)", "", "", ""]
    assert floor[1] == "floor (2 threads)"
    assert floor[6:] == ["0.80 (0.50 to 1.00)", "1.00 (0.50 to 1.50)", "1.00 (0.50 to 1.50)"]
    assert "- job: a remark." in told


def test_every_kind_of_plate_shows_one_picture(tmp_path):
    plates = Plates(tmp_path)
    folder = plates.plate(Kind(TINY, "dpx", "uint12", ""), 4)
    assert sorted(path.name for path in folder.iterdir())[::3] == [
        "plate.1001.dpx",
        "plate.1004.dpx",
    ]
    first, second = (files.read(folder / f"plate.{n}.dpx").parts[0] for n in (1001, 1002))
    assert not np.array_equal(first.channels["R"], second.channels["R"])
    light = plates.plate(Kind(TINY, type="float", compression="none"), 3) / "plate.1001.exr"
    floats = files.read(light).parts[0].channels
    for name, codes in first.channels.items():
        assert np.array_equal(linear_table()[codes], floats[name])
        x, y, width, height = (
            int(share * side) for share, side in zip(CARD, TINY * 2, strict=True)
        )
        card = floats[name][y : y + height, x : x + width]
        assert np.log2(card.mean() / 0.18) == pytest.approx(STOPS_HOT, abs=0.05)


def test_the_jobs_cover_what_is_asked(tmp_path):
    plates, programs = Plates(tmp_path), Programs(tmp_path, 2)
    jobs = [*usual_jobs(plates, programs, TINY), *every_job(plates, programs)]
    words = " ".join(job.name for job in jobs)
    for word in ("zip", "piz", "dwaa", "htj2k256", "none", "float", "uint12", "7680x4320"):
        assert word in words
    for word in ("pull", "lift and pull", "log to ACES with lift", "log to log", "metered pull"):
        assert any(job.name.startswith(word) for job in jobs)
    for job in jobs:
        assert {"gradeprep", "floor", "oiiotool"} <= {way.program for way in job.ways}
        assert job.ways[0].program == "gradeprep"
    assert not list(tmp_path.iterdir())  # what a job needs is made when it runs


def test_a_program_that_fails_is_told():
    with pytest.raises(RuntimeError, match=r"exit code 3: (?s:.*)no such thing"):
        clock(
            [sys.executable, "-c", "import sys; print('no such thing', file=sys.stderr); exit(3)"]
        )


def test_a_program_that_leaves_frames_out_is_told(tmp_path):
    lazy = Way("lazy", "", lambda source, result, frames: [sys.executable, "-c", ""])
    with pytest.raises(RuntimeError, match="lazy wrote 0 of 3 frames"):
        measure(Job("rest", Kind(TINY), (lazy,)), Plates(tmp_path), counts=[3], rounds=1)
    assert not (tmp_path / "result").exists()


def test_what_a_command_takes_is_its_own_and_its_childrens():
    big = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'bytearray(10**8)'])"
    sample = clock([sys.executable, "-c", big])
    assert 10**8 < sample.peak < 10**9
    assert sample.wall > 0
    assert sample.cpu > 0


def test_a_tiny_run_prints_its_tables(tmp_path, capsys):
    main(["--tiny", "--jobs", "2", "--only", "piz", "--out", str(tmp_path)])
    out = capsys.readouterr().out
    assert out == (tmp_path / "bench.md").read_text(encoding="utf-8")
    programs = [row[1].split()[0] for row in rows_of(out)[2:]]
    assert programs == ["gradeprep", "floor", "oiiotool"]
    assert "the same samples" in out


def test_a_tiny_scaling_prints_its_table(capsys):
    main(["--tiny", "--jobs", "2", "--only", "lengths"])
    out = capsys.readouterr().out
    assert [row[0] for row in rows_of(out)[2:]] == ["3", "4"]
    assert "From 3 frames on, one more takes" in out


def test_what_one_frame_more_takes_is_told_round_by_round():
    short = Length(10, [Sample(1.0, 2.0, 50, 1000), Sample(1.5, 2.0, 50, 3000)])
    long = Length(20, [Sample(3.0, 6.0, 60, 1100), Sample(2.5, 7.0, 60, 3300)])
    assert since(short, long, "own") == figures.Spread(20.0, 10.0, 30.0)
    assert since(None, long, "wall") == figures.Spread(0.1375, 0.125, 0.15)
    told = table.length_table([short, long])
    assert "| 20 | 2.75 (2.50 to 3.00) | 150 (100 to 200) | 450 (400 to 500) |" in told
    assert "From 10 frames on, one more takes 20.0 (10.0 to 30.0) bytes" in told


def test_sizes_are_told_as_a_slope():
    small, large = (
        Sized((1000, side), figures.Spread(ms, ms, ms)) for side, ms in ((1000, 0.1), (4000, 0.5))
    )
    assert "One megapixel more costs 133 ms." in table.size_table([small, large])


def test_what_being_sure_takes_stands_beside_the_codec(capsys):
    main(["--tiny", "--only", "safety"])
    first, *others = rows_of(capsys.readouterr().out)[2:]
    assert first[0] == "decode and encode"
    assert float(first[2]) == 100.0
    assert [row[0].split()[0] for row in others] == ["hash", "structure"]


def test_what_nothing_matches_is_told_with_what_there_is():
    with pytest.raises(SystemExit, match=r"no job's name matches 'pul,'(?s:.*)  pull, 64x36"):
        main(["--tiny", "--only", "pul,"])
