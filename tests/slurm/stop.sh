#!/usr/bin/env bash
# Ends what start.sh started in DIR, jobs first; only processes that its own pid files name.
set -euo pipefail
if [ $# -ne 1 ] || [ ! -f "$1/slurm.conf" ]; then
  echo "usage: stop.sh DIR, where start.sh DIR was run" >&2
  exit 2
fi
dir=$(cd "$1" && pwd)
export SLURM_CONF="$dir/slurm.conf"
scancel --user="$(id -un)" 2> /dev/null || true
for name in slurmd slurmctld munged; do
  if [ -f "$dir/$name.pid" ]; then
    kill "$(cat "$dir/$name.pid")" 2> /dev/null || true
  fi
done
