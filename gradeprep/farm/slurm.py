"""A bundle as Slurm scripts: a job array of chunks, and a job that waits for it and collects.

The scripts hold numbers only. Which shot and frames a number means stands in the manifest, and
folders come in as arguments: no name of anybody's is ever read by a shell.
"""

from __future__ import annotations

from gradeprep.model.bundle import Manifest

__all__ = ["files"]

_SUBMIT = """\
#!/bin/bash
# Submits the frames as a job array, and the job that collects them once all have ended.
#
#   ./submit.sh [--map FROM=TO ...]
#
# GRADEPREP        the program on the nodes [gradeprep]
# GRADEPREP_ARRAY  most elements of one array [1000]; the cluster's MaxArraySize less one
# SBATCH_...       partition, account, memory, time and so on, as sbatch reads them; a chunk asks
#                  for one processor with 2 GB, which 8K frames fit in
set -euo pipefail
here=$(cd -- "$(dirname -- "$0")" && pwd)
logs=${{here//%/%%}}/logs
most=${{GRADEPREP_ARRAY:-1000}}
mkdir -p -- "$here/logs"
jobs=
for ((first = 0; first < {chunks}; first += most)); do
  count=$(({chunks} - first < most ? {chunks} - first : most))
  id=$(GRADEPREP_FIRST=$first sbatch --parsable --array="1-$count" \\
    --output="$logs/%A_%a.txt" "$here/chunk.sbatch" "$here" "$@")
  echo "array ${{id%%;*}}: chunks $((first + 1))-$((first + count))"
  jobs+=:${{id%%;*}}
done
id=$(sbatch --parsable --dependency="afterany$jobs" --output="$logs/collect.txt" \\
  "$here/collect.sbatch" "$here" "$@")
echo "collect ${{id%%;*}}: waits for all of them"
"""

_CHUNK = """\
#!/bin/bash
#SBATCH --job-name=gradeprep
#SBATCH --cpus-per-task=1
#SBATCH --mem-per-cpu=2G
#SBATCH --requeue
#SBATCH --open-mode=append
# One chunk; submit.sh hands over the bundle and where folders are.
bundle=$1
shift
number=$((SLURM_ARRAY_TASK_ID + ${GRADEPREP_FIRST:-0}))
"${GRADEPREP:-gradeprep}" chunk "$bundle" --number "$number" \\
  --jobs "${SLURM_CPUS_PER_TASK:-1}" --quiet "$@"
code=$?
case $code in
134 | 135 | 137 | 139) # it crashed or was killed: once more, frames that are done are kept
  if [ "${SLURM_RESTART_COUNT:-0}" -lt 3 ]; then
    scontrol requeue "${SLURM_ARRAY_JOB_ID}_$SLURM_ARRAY_TASK_ID"
  fi
  ;;
esac
exit $code
"""

_SEAL = """\
#!/bin/bash
#SBATCH --job-name=gradeprep-collect
#SBATCH --cpus-per-task=1
#SBATCH --mem-per-cpu=2G
#SBATCH --requeue
#SBATCH --open-mode=append
# Proves every frame and writes the sidecars; what is missing is named, and the job fails.
bundle=$1
shift
exec "${GRADEPREP:-gradeprep}" collect "$bundle" --jobs "${SLURM_CPUS_PER_TASK:-1}" "$@"
"""


def files(manifest: Manifest) -> dict[str, bytes]:
    """The scripts, as files of the bundle."""
    submit = _SUBMIT.format(chunks=len(manifest.chunks))
    scripts = {"submit.sh": submit, "chunk.sbatch": _CHUNK, "collect.sbatch": _SEAL}
    return {name: text.encode("ascii") for name, text in scripts.items()}
