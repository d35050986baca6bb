#!/usr/bin/env bash
# A Slurm of one node, this machine, for trying the cluster by hand. Needs root and Debian's
# packages slurmctld, slurmd, slurm-client and munge; no systemd, no cgroups.
#
#   eval "$(tests/slurm/start.sh DIR)"     # sets SLURM_CONF for sbatch, squeue, gradeprep
#   tests/slurm/stop.sh DIR
#
# Everything it makes stands in DIR. The partition is called "plates" and takes jobs of any length.
set -euo pipefail
if [ $# -ne 1 ]; then
  echo "usage: start.sh DIR" >&2
  exit 2
fi
mkdir -p "$1"
dir=$(cd "$1" && pwd)
node=$(hostname -s)
memory=$(awk '/MemTotal/ { print int($2 / 1024 * 0.9) }' /proc/meminfo)
mkdir -p "$dir/state" "$dir/spool" "$dir/munge"
chmod 0755 "$dir" "$dir/munge"

# Two free ports: several such Slurms may stand side by side.
read -r controller daemon < <(python3 -c '
import socket
ends = [socket.socket() for _ in range(2)]
for end in ends:
    end.bind(("127.0.0.1", 0))
print(*(end.getsockname()[1] for end in ends))')

cat > "$dir/slurm.conf" <<CONF
ClusterName=one
SlurmctldHost=$node(127.0.0.1)
SlurmctldPort=$controller
SlurmdPort=$daemon
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$dir/munge/socket
CryptoType=crypto/munge
StateSaveLocation=$dir/state
SlurmdSpoolDir=$dir/spool
SlurmctldPidFile=$dir/slurmctld.pid
SlurmdPidFile=$dir/slurmd.pid
SlurmctldLogFile=$dir/slurmctld.log
SlurmdLogFile=$dir/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
SchedulerParameters=sched_interval=1,batch_sched_delay=0
MaxArraySize=100001
MaxJobCount=200000
MinJobAge=30
ReturnToService=2
NodeName=$node NodeAddr=127.0.0.1 CPUs=$(nproc) RealMemory=$memory State=UNKNOWN
PartitionName=plates Nodes=$node Default=YES MaxTime=INFINITE State=UP OverSubscribe=NO
CONF

(umask 077 && head -c 128 /dev/urandom > "$dir/munge/key")
munged --force --key-file="$dir/munge/key" --socket="$dir/munge/socket" \
  --pid-file="$dir/munged.pid" --log-file="$dir/munged.log" --seed-file="$dir/munge/seed" \
  2>> "$dir/munged.err"
export SLURM_CONF="$dir/slurm.conf"
slurmctld -f "$SLURM_CONF" 2>> "$dir/slurmctld.err"
slurmd -f "$SLURM_CONF" -N "$node" 2>> "$dir/slurmd.err"

for _ in $(seq 100); do
  if [ "$(sinfo --noheader --format=%t 2> /dev/null)" = idle ]; then
    echo "export SLURM_CONF='$SLURM_CONF'"
    exit 0
  fi
  sleep 0.2
done
echo "start.sh: the node does not become idle; see the logs in $dir" >&2
sinfo >&2 || true
exit 1
