"""The Slurm scripts, run against stand-ins for sbatch and scontrol that do what those do."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest
from farmed import HOSTILE, local_results, made, results, scene

pytestmark = pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash")

SBATCH = r"""#!/bin/bash
# Runs each element at once, or again where it asked to be requeued.
echo "sbatch ${*@Q}" >> "$TRIED"
while [[ $1 == --* ]]; do
  case $1 in
    --array=1-*) count=${1#--array=1-} ;;
    --dependency=afterany:*) [[ $1 == "--dependency=afterany$WANTED" ]] || exit 7 ;;
  esac
  shift
done
id=$(($(wc -l < "$TRIED")))
export SLURM_ARRAY_JOB_ID=$id SLURM_CPUS_PER_TASK=1
for ((i = 1; i <= ${count:-1}; i++)); do
  for again in 0 1 2 3; do
    rm -f "$TRIED.again"
    SLURM_ARRAY_TASK_ID=$i SLURM_RESTART_COUNT=$again bash "$@" >&2
    [ -e "$TRIED.again" ] || break
  done
done
echo "$id"
"""
SCONTROL = """#!/bin/bash
echo "scontrol $*" >> "$TRIED.requeued"
touch "$TRIED.again"
"""
NODE = """#!/bin/bash
# Killed at its first try at chunk 2.
if [ "$4" = 2 ] && ! [ -e "$TRIED.killed" ]; then touch "$TRIED.killed"; kill -9 $$; fi
exec {python} -m gradeprep "$@"
"""


def programs(folder):
    folder.mkdir()
    texts = {"sbatch": SBATCH, "scontrol": SCONTROL, "node": NODE.format(python=sys.executable)}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
        (folder / name).chmod(0o755)
    return folder


def submitted(tmp_path, bundle, *options, **more):
    there = programs(tmp_path / "programs")
    path = f"{there}{os.pathsep}{os.environ['PATH']}"
    own = {"PATH": path, "TRIED": str(tmp_path / "tried"), "GRADEPREP": str(there / "node")}
    return subprocess.run(
        (str(bundle / "submit.sh"), *options),
        env={**os.environ, **own, **more},
        capture_output=True,
        text=True,
        check=False,
    )


def test_scripts_are_shell(tmp_path, capsys):
    bundle = made(capsys, scene(tmp_path), tmp_path / "bundle", "--as", "sbatch")
    for name in ("submit.sh", "chunk.sbatch", "collect.sbatch"):
        done = subprocess.run(("bash", "-n", bundle / name), capture_output=True, check=False)
        assert (done.returncode, done.stderr) == (0, b"")
    assert os.access(bundle / "submit.sh", os.X_OK)


def test_elements_make_what_one_run_makes_though_one_is_killed(tmp_path, capsys):
    show = tmp_path / HOSTILE
    recipe = scene(show)
    alone = local_results(capsys, recipe)
    bundle = made(capsys, recipe, tmp_path / f"b {HOSTILE}", "--as", "sbatch", "--chunk", 2)
    show.rename(tmp_path / "elsewhere")
    place = ("--map", f"{show}={tmp_path / 'elsewhere'}")
    more = {"GRADEPREP_ARRAY": "2", "WANTED": ":1:2"}
    ran = submitted(tmp_path, bundle, *place, **more)
    assert ran.returncode == 0, ran
    assert ran.stdout == (
        "array 1: chunks 1-2\narray 2: chunks 3-3\ncollect 3: waits for all of them\n"
    )
    assert (tmp_path / "tried.requeued").read_text() == "scontrol requeue 1_2\n"
    assert results(tmp_path / "elsewhere" / "out") == alone
