"""Where results may not go, cannot go, or cannot be what was asked for; and a disk that fills."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from refusal import (
    ACESCG,
    RECIPE,
    dpx_plate,
    exr_plate,
    light,
    refused,
    speaks_plainly,
    write_recipe,
)
from support import run, snapshot, write_exr

NEVER = "a source is never touched"


@pytest.fixture
def quay(tmp_path) -> Path:
    """One good frame."""
    return write_exr(tmp_path / "hot" / "quay.exr", light())


# The output is a source.


@pytest.mark.parametrize(
    "way",
    [
        "same file",
        "same folder",
        "round about",
        "linked folder",
        "linked file",
        "hard link",
        "the link pulled, its target written",
    ],
)
def test_output_that_is_the_source(way, quay, tmp_path, capsys):
    hot = quay.parent
    source, out = quay, tmp_path / "link"
    if way == "same file":
        out = quay
    elif way == "same folder":
        out = hot
    elif way == "round about":
        out = tmp_path / "hot" / ".." / "hot"
    elif way == "linked folder":
        out.symlink_to(hot)
    elif way == "linked file":
        out = tmp_path / "link.exr"
        out.symlink_to(quay)
    elif way == "hard link":
        out = tmp_path / "link.exr"
        out.hardlink_to(quay)
    else:
        source, out = tmp_path / "link.exr", quay
        source.symlink_to(quay)
    arguments = ("pull", source, out, *ACESCG, "--overwrite")
    refused(capsys, tmp_path, arguments, "the output is the source", NEVER, code=2)


@pytest.mark.parametrize("way", ["itself", "linked folder", "hard link"])
def test_output_that_is_the_source_of_another_shot(way, tmp_path, capsys):
    exr_plate(tmp_path / "a", 1)
    exr_plate(tmp_path / "b", 1)
    out = tmp_path / "b"
    if way != "itself":
        out = tmp_path / "out"
    if way == "linked folder":
        out.symlink_to("b")
    elif way == "hard link":
        out.mkdir()
        (out / "quay.1001.exr").hardlink_to(tmp_path / "b" / "quay.1001.exr")
    shots = (
        f'  a: {{plate: a, output: {{plate: "{out.name}/quay.####.exr"}}}}\n'
        '  b: {plate: b, output: {plate: "elsewhere/quay.####.exr"}}\n'
    )
    recipe = write_recipe(tmp_path, RECIPE.replace("  quay: {plate: plate}\n", shots))
    arguments = ("run", recipe, "--overwrite", "--jobs", "1")
    refused(capsys, tmp_path, arguments, "a: ", "quay.1001.exr", "shot b", NEVER, code=2)


# Two results of one name.


@pytest.mark.parametrize("way", ["one pattern", "linked folder"])
def test_two_shots_that_write_one_file(way, tmp_path, capsys):
    exr_plate(tmp_path / "a")
    exr_plate(tmp_path / "b")
    other = "out"
    if way == "linked folder":
        (tmp_path / "real").mkdir()
        (tmp_path / "out").symlink_to("real")
        other = "real"
    shots = (
        '  a: {plate: a, output: {plate: "out/all.####.exr"}}\n'
        f'  b: {{plate: b, output: {{plate: "{other}/all.####.exr"}}}}\n'
    )
    recipe = write_recipe(tmp_path, RECIPE.replace("  quay: {plate: plate}\n", shots))
    arguments = ("run", recipe, "--jobs", "1")
    says = ("all.1001.exr", "output.plate", "shots a and b", "{shot}")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_many_frames_under_one_name(tmp_path, capsys):
    arguments = ("pull", exr_plate(tmp_path / "hot"), tmp_path / "out.exr", *ACESCG)
    refused(capsys, tmp_path, arguments, "names one file", "3 frames", "####", code=2)


def test_existing_output_asks_what_to_do(tmp_path, capsys):
    arguments = ("pull", exr_plate(tmp_path / "hot"), tmp_path / "out", *ACESCG)
    assert run(capsys, *arguments).code == 0
    says = ("quay.1001.exr", "exists already and 2 more", "--overwrite", "--resume")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_link_to_nothing_is_an_existing_output_too(quay, tmp_path, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "quay.exr").symlink_to("gone.exr")
    arguments = ("pull", quay, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "quay.exr", "exists already", code=2)


# A sidecar that stands there and tells of something else.


def test_sidecar_of_another_plate_is_not_written_over(quay, tmp_path, capsys):
    run(capsys, "pull", quay, tmp_path / "out" / "first.exr", *ACESCG, "--name", "quay")
    arguments = ("pull", quay, tmp_path / "out" / "second.exr", *ACESCG)
    says = ("quay.stops.json", "already describes another plate, first.exr", "another name")
    refused(capsys, tmp_path, (*arguments, "--name", "quay"), *says, code=2)
    assert run(capsys, *arguments).code == 0


def test_one_source_is_pulled_into_one_folder_under_two_names(quay, tmp_path, capsys):
    """The sidecar is named after the result, so that neither result is left without one."""
    for name, stops in (("dark", "-2"), ("darker", "-3")):
        target = tmp_path / "out" / f"{name}.exr"
        assert run(capsys, "pull", quay, target, "--stops", stops, "--space", "ACEScg").code == 0
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "dark.exr",
        "dark.stops.json",
        "darker.exr",
        "darker.stops.json",
    }
    for name in ("dark", "darker"):
        assert run(capsys, "audit", tmp_path / "out" / f"{name}.stops.json").code == 0


def test_one_sidecar_never_tells_half_of_two_decisions(tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot")
    run(capsys, "pull", hot, tmp_path / "out", *ACESCG)
    other = ("pull", hot, tmp_path / "out", "--stops", "-2", "--space", "ACEScg", "--overwrite")
    says = ("quay.stops.json", "frames 1001-1002", "another decision", "run all frames")
    refused(capsys, tmp_path, (*other, "--frames", "1003"), *says, code=2)
    assert run(capsys, *other, "--jobs", "1").code == 0


def test_second_shot_refused_before_the_first_is_written(tmp_path, capsys):
    for name in ("a", "b"):
        exr_plate(tmp_path / name)
    shots = "  a: {plate: a}\n  b: {plate: b}\n"
    text = RECIPE.replace("  quay: {plate: plate}\n", shots)
    assert run(capsys, "run", write_recipe(tmp_path, text), "--shot", "b", "--jobs", "1").code == 0
    recipe = write_recipe(tmp_path, text.replace("stops: -1", "stops: -2"))
    arguments = ("run", recipe, "--frames", "1003", "--overwrite")
    refused(capsys, tmp_path, arguments, "b.stops.json", "another decision", code=2)


# Folders that cannot take results.


@pytest.mark.parametrize("out", ["file/quay.exr", "file/deep/quay.exr", "file/"])
def test_file_where_the_folder_should_be(out, quay, tmp_path, capsys):
    (tmp_path / "file").write_text("a note", encoding="utf-8")
    arguments = ("pull", quay, f"{tmp_path}/{out}", *ACESCG)
    says = ("cannot be a folder", f"{tmp_path / 'file'} is a file", "somewhere else")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_link_to_nothing_where_the_folder_should_be(quay, tmp_path, capsys):
    (tmp_path / "out").symlink_to("gone")
    arguments = ("pull", quay, tmp_path / "out" / "quay.exr", *ACESCG)
    refused(capsys, tmp_path, arguments, "cannot be a folder", "somewhere else", code=2)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write everywhere")
def test_folder_without_permission(quay, tmp_path, capsys):
    (tmp_path / "out").mkdir(mode=0o555)
    arguments = ("pull", quay, tmp_path / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, "no permission", "somewhere else", code=2)


@pytest.mark.parametrize("name", [f"{'q' * 240}.exr", f"{'q' * 240}/quay.exr"])
def test_name_too_long_for_a_disk(name, quay, tmp_path, capsys):
    arguments = ("pull", quay, tmp_path / "out" / name, *ACESCG)
    refused(capsys, tmp_path, arguments, "longer than 200 bytes", "a shorter one", code=2)


def test_name_too_long_for_any_disk(quay, tmp_path, capsys):
    arguments = ("pull", quay, tmp_path / ("o" * 300) / "quay.exr", *ACESCG)
    ran = run(capsys, *arguments)
    assert ran.code in (1, 2)
    speaks_plainly(ran)


def test_shot_name_too_long_for_a_sidecar(quay, tmp_path, capsys):
    arguments = ("pull", quay, tmp_path / "out", *ACESCG, "--name", "é" * 100)  # 200 bytes
    refused(capsys, tmp_path, arguments, "150 bytes at most", code=2)


def test_folder_with_the_name_of_a_result(quay, tmp_path, capsys):
    (tmp_path / "out" / "quay.exr").mkdir(parents=True)
    arguments = ("pull", quay, tmp_path / "out", *ACESCG, "--overwrite")
    refused(capsys, tmp_path, arguments, "quay.exr", "a folder has that name", code=1)


# Kinds of results that do not exist, or cannot hold the plate.


@pytest.mark.parametrize("extension", ["jpg", "hdr", "mov", "txt"])
def test_extension_that_cannot_be_written(extension, quay, tmp_path, capsys):
    arguments = ("pull", quay, tmp_path / f"out.{extension}", *ACESCG)
    says = ("output", f"'.{extension}' cannot be written", "write .exr, .dpx or .tif")
    refused(capsys, tmp_path, arguments, *says, code=2)


@pytest.mark.parametrize(
    ("out", "options", "says"),
    [
        ("out.dpx", ("--type", "half"), "type half does not exist in DPX"),
        ("out.exr", ("--type", "uint10"), "type uint10 does not exist in EXR"),
        ("out.dpx", ("--compression", "zip"), "DPX has no compression"),
        ("out.dpx", ("--container", "aces"), "no ACES container"),
        ("out.exr", ("--container", "aces", "--type", "float"), "half without compression"),
        ("out.exr", ("--container", "aces", "--compression", "zip"), "half without compression"),
        ("out.exr", ("--container", "aces", "--out-space", "ACEScg"), "holds 'ACES2065-1'"),
        ("out.####.##.exr", (), "2 frame tokens"),
    ],
    ids=[
        "dpx half",
        "exr codes",
        "dpx zip",
        "dpx aces",
        "aces float",
        "aces zip",
        "aces ap1",
        "##",
    ],
)
def test_result_that_does_not_exist(out, options, says, quay, tmp_path, capsys):
    refused(capsys, tmp_path, ("pull", quay, tmp_path / out, *ACESCG, *options), says, code=2)


@pytest.mark.parametrize(
    ("out", "options", "says"),
    [
        ("out.exr", ("--container", "aces"), "ACES container cannot hold the channels Z"),
        ("out.dpx", (), "DPX cannot hold the channels Z"),
    ],
    ids=["aces", "dpx"],
)
def test_result_that_cannot_hold_every_channel(out, options, says, tmp_path, capsys):
    file = write_exr(tmp_path / "quay.exr", light("RGBZ"))
    arguments = ("pull", file, tmp_path / out, *ACESCG, *options)
    refused(capsys, tmp_path, arguments, "quay.exr", says, "only_colour", code=1)


def test_placeholder_that_nothing_fills(tmp_path, capsys):
    exr_plate(tmp_path / "plate")
    recipe = write_recipe(tmp_path, output='  output: {plate: "out/{shto}.####.exr"}')
    arguments = ("run", recipe, "--jobs", "1")
    refused(capsys, tmp_path, arguments, "output.plate", "{shto}", "{shot}", code=2)


# A disk that is read-only, or full.


class Disk:
    """A small file system of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def remount(self, options: str) -> None:
        mount = ["mount", "-o", f"remount,{options}", str(self.folder)]
        subprocess.run(mount, check=True, capture_output=True)

    def fill(self, spare: int) -> None:
        """Leave that many bytes free."""
        free = os.statvfs(self.folder)
        count = free.f_bavail * free.f_frsize - spare
        (self.folder / "filler").write_bytes(bytes(count))


@pytest.fixture
def disk(tmp_path) -> Iterator[Disk]:
    """A mounted disk of 256 kB, where this process may mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this process may not mount a disk")
    yield Disk(folder)
    subprocess.run(["umount", str(folder)], check=True, capture_output=True)


def noise(seed: int = 0) -> dict[str, np.ndarray]:
    """A picture that no codec makes smaller: some 75 kB."""
    return light(height=128, width=100, seed=seed)


def test_disk_mounted_read_only(disk, quay, tmp_path, capsys):
    disk.remount("ro")
    arguments = ("pull", quay, disk.folder / "out", *ACESCG)
    refused(capsys, tmp_path, arguments, str(disk.folder), "read-only", "somewhere else", code=2)


def test_no_room_is_seen_before_the_first_frame(disk, tmp_path, capsys):
    file = write_exr(tmp_path / "noise.exr", noise())
    disk.fill(20_000)
    arguments = ("pull", file, disk.folder / "out", *ACESCG)
    says = ("not enough disk space", "about 0.1 MB needed", "0.0 MB free", "free some disk")
    refused(capsys, tmp_path, arguments, *says, code=2)


def test_disk_that_fills_keeps_the_older_good_result(disk, tmp_path, capsys):
    """The size of a compressed result is not known before: the disk fills at its frame."""
    file = write_exr(tmp_path / "noise.exr", noise())
    arguments = ("pull", file, disk.folder / "out", *ACESCG, "--compression", "zips")
    assert run(capsys, *arguments).code == 0
    disk.fill(20_000)
    again = (*arguments, "--overwrite")
    ran = refused(capsys, tmp_path, again, "noise frame 1", "noise.exr", code=1)
    assert "No space" in ran.err or "disk is full" in ran.err
    assert run(capsys, "audit", disk.folder / "out" / "noise.stops.json").code == 0


def test_disk_that_fills_leaves_no_folder(disk, tmp_path, capsys):
    file = write_exr(tmp_path / "noise.exr", noise())
    disk.fill(20_000)
    arguments = ("pull", file, disk.folder / "deep" / "out", *ACESCG, "--compression", "zips")
    refused(capsys, tmp_path, arguments, "noise.exr", code=1)


def test_disk_too_full_for_the_sidecar_keeps_what_is_done(disk, tmp_path, capsys):
    hot = exr_plate(tmp_path / "hot", 1)
    arguments = ("pull", hot, disk.folder / "out", *ACESCG)
    disk.fill(8192)  # two pages: the folder's own entry takes none
    before = snapshot(hot)
    ran = run(capsys, *arguments)
    assert ran.code == 1, ran
    speaks_plainly(ran)
    assert "quay.stops.json: the disk is full; free some space and run it again" in ran.err
    assert snapshot(hot) == before
    (disk.folder / "filler").unlink()
    ran = run(capsys, *arguments, "--resume")
    assert ran.code == 0, ran
    assert run(capsys, "audit", disk.folder / "out" / "quay.stops.json").code == 0


@pytest.mark.parametrize("kind", ["exr", "dpx"])
def test_limit_on_file_size_leaves_nothing_half_written(kind, tmp_path):
    pytest.importorskip("resource", reason="this system has no limits on file size")
    file = write_exr(tmp_path / "hot" / "noise.exr", noise())
    before = snapshot(tmp_path)
    limited = (
        "import resource, sys; from gradeprep.cli import main;"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)); main()"
    )
    command = (sys.executable, "-B", "-c", limited, "pull", file, tmp_path / f"out.{kind}")
    ran = subprocess.run((*map(str, command), *ACESCG), capture_output=True, text=True, check=False)
    assert ran.returncode == 1, ran
    (line,) = ran.stderr.splitlines()
    assert line.startswith(f"gradeprep: out frame 1: {tmp_path / f'out.{kind}'}: ")
    assert "too large" in line.lower() or "limit" in line
    assert ran.stdout == ""
    assert snapshot(tmp_path) == before


# Restore, and the sidecars it and the audit read.


@pytest.fixture
def pulled(tmp_path, capsys) -> Path:
    """The sidecar of a pulled plate."""
    run(capsys, "pull", dpx_plate(tmp_path / "hot"), tmp_path / "out", *ACESCG[:-1])
    return tmp_path / "out" / "quay.stops.json"


@pytest.mark.parametrize("out", ["out", "hot"])
def test_restore_onto_the_plate_itself(out, pulled, tmp_path, capsys):
    arguments = ("restore", pulled, tmp_path / out, "--overwrite", "--jobs", "1")
    refused(
        capsys,
        tmp_path,
        arguments,
        "overwrite a plate that the sidecar describes",
        "another folder",
        code=2,
    )


@pytest.mark.parametrize(
    ("out", "says"),
    [
        ("back.dpx", "names one file, the plate has 3 frames"),
        ("back.####.mov", "'.mov' cannot be written"),
        ("out/quay.stops.json/back.####.dpx", "cannot be a folder"),
    ],
    ids=["one name", "extension", "file for a folder"],
)
def test_restore_to_where_it_cannot_go(out, says, pulled, tmp_path, capsys):
    arguments = ("restore", pulled, tmp_path / out, "--jobs", "1")
    refused(capsys, tmp_path, arguments, says, code=2)


def test_restore_over_what_exists(pulled, tmp_path, capsys):
    arguments = ("restore", pulled, tmp_path / "back", "--jobs", "1")
    assert run(capsys, *arguments).code == 0
    refused(capsys, tmp_path, arguments, "quay.1001.dpx", "exists already", code=2)
    assert run(capsys, *arguments, "--overwrite").code == 0


def test_restore_of_frames_that_are_gone_leaves_no_folder(pulled, tmp_path, capsys):
    for frame in pulled.parent.glob("*.dpx"):
        frame.unlink()
    arguments = ("restore", pulled, tmp_path / "deep" / "back", "--jobs", "1", "--quiet")
    refused(capsys, tmp_path, arguments, "quay frame 1003", "quay.1003.dpx", code=1)


def spoilt(pulled: Path, fault: str) -> Path:
    """The path of a sidecar with a fault."""
    data = json.loads(pulled.read_text(encoding="utf-8"))
    if fault == "missing":
        return pulled.with_name("none.stops.json")
    if fault == "a folder":
        pulled.unlink()
        pulled.mkdir()
        return pulled
    if fault == "not JSON":
        pulled.write_text("stops: -1", encoding="utf-8")
    elif fault == "not text":
        pulled.write_bytes(b"\xff\xfe\x00")
    elif fault == "a bomb":
        pulled.write_text("[" * 100_000, encoding="utf-8")
    elif fault == "no version":
        pulled.write_text("[]", encoding="utf-8")
    else:
        if fault == "another version":
            data["gradeprep_shot"] = 99
        elif fault == "damaged":
            data["frames"][1]["done"]["result"]["bytes"] = "many"
        else:
            data["frames"] = []
        pulled.write_text(json.dumps(data), encoding="utf-8")
    return pulled


@pytest.mark.parametrize("command", ["restore", "audit"])
@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("missing", "no such sidecar"),
        ("a folder", "cannot be read"),
        ("not JSON", "is not JSON"),
        ("not text", "is not JSON"),
        ("a bomb", "is not JSON"),
        ("no version", "missing version field"),
        ("another version", "is of version 99; this program reads version 2"),
        ("damaged", "is damaged at 'frames.1.done.result.bytes'"),
        ("no frames", "has no frames"),
    ],
)
def test_sidecar_that_cannot_be_trusted(command, fault, says, pulled, tmp_path, capsys):
    path = spoilt(pulled, fault)
    arguments = (command, path, *((tmp_path / "back",) if command == "restore" else ()))
    refused(capsys, tmp_path, (*arguments, "--jobs", "1"), path.name, says, code=2)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("source missing", "the source"),
        ("result missing", "is missing"),
        ("result flipped", "is not the file that was recorded"),
    ],
)
def test_audit_names_each_frame_that_is_not_as_told(change, says, pulled, tmp_path, capsys):
    frame = tmp_path / ("hot" if "source" in change else "out") / "quay.1002.dpx"
    if "missing" in change:
        frame.unlink()
    else:
        content = bytearray(frame.read_bytes())
        content[-1] ^= 0x40
        frame.write_bytes(content)
    arguments = ("audit", pulled, "--quiet", "--jobs", "1")
    ran = refused(capsys, tmp_path, arguments, "quay frame 1002", "quay.1002.dpx", says, code=1)
    assert "1001" not in ran.err
