#!/usr/bin/env bash
# A sweep as a job array of a real Slurm on this machine: eight tasks, one killed and requeued on its way; their stores
# joined are the sweep of one machine, to the byte of the CSV.
#
# Needs slurmctld, slurmd, slurm-client and munge (Debian's packages), and to be root: one node, everything in a folder
# of its own. First argument: the program.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
program=$(realpath "$1")
scratch=$(mktemp -d)
host=$(hostname -s)

stop() {
  for pid in "$scratch"/*.pid; do
    [ -s "$pid" ] && kill "$(cat "$pid")" 2>/dev/null || true
  done
  sleep 1
  rm -rf "$scratch"
}
trap stop EXIT

fail() {
  echo "slurm: $*" >&2
  tail -n 20 "$scratch"/*.log >&2 || true
  exit 1
}

dd if=/dev/urandom of="$scratch/munge.key" bs=1024 count=1 status=none
chmod 400 "$scratch/munge.key"
munged --force --key-file="$scratch/munge.key" --socket="$scratch/munge.sock" --pid-file="$scratch/munged.pid" \
  --log-file="$scratch/munged.log" --seed-file="$scratch/munge.seed" --num-threads=1

echo "CgroupAutomount=no" >"$scratch/cgroup.conf"
cat >"$scratch/slurm.conf" <<CONF
ClusterName=forebay
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$scratch/munge.sock
StateSaveLocation=$scratch/state
SlurmdSpoolDir=$scratch/spool
SlurmctldPidFile=$scratch/slurmctld.pid
SlurmdPidFile=$scratch/slurmd.pid
SlurmctldLogFile=$scratch/slurmctld.log
SlurmdLogFile=$scratch/slurmd.log
SlurmctldPort=16817
SlurmdPort=16818
ProctrackType=proctrack/pgid
TaskPlugin=task/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
SchedulerParameters=sched_interval=1
ReturnToService=2
KillWait=1
# More processors than there are: eight tasks run at once anywhere.
SlurmdParameters=config_overrides
JobRequeue=1
NodeName=$host NodeAddr=127.0.0.1 CPUs=8 RealMemory=500 State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
CONF
mkdir -p "$scratch/state" "$scratch/spool"
export SLURM_CONF="$scratch/slurm.conf"
slurmctld || fail "slurmctld does not start"
slurmd || fail "slurmd does not start"
for _ in $(seq 60); do
  sinfo --noheader --format=%T 2>/dev/null | grep -q '^idle' && break
  sleep 0.5
done
sinfo --noheader --format=%T | grep -q '^idle' || fail "the node is not idle: $(sinfo)"

# 48 points of about half a second each.
cat >"$scratch/base.toml" <<TOML
[run]
seed = 1
length = "2 s"
warm_up = "5 ms"
replications = 4
[design.cpu]
cores = 2
service = { mean = "10 us", shape = "exponential" }
[[class]]
name = "a"
machines = 1
load = { rate = "50000/s" }
read = 1
sizes = "4 KiB"
TOML
cat >"$scratch/night.toml" <<TOML
base = "base.toml"
[vary]
design.cpu.cores = [1, 2, 3, 4, 6, 8]
"class.a.load.rate" = { from = "10000/s", to = "80000/s", points = 8 }
TOML

job=$(FOREBAY="$program" sbatch --parsable --array=1-8 --cpus-per-task=1 --output="$scratch/task-%a.log" \
  workloads/cluster/slurm-array.sh "$scratch/night.toml" "$scratch/shards")
# Once task 3 has a point of its six and not all, it is killed and goes back to the queue.
points() {
  "$program" sweep show "$scratch/shards/shard-3.db" --csv - --quiet 2>/dev/null | tail -n +2 | grep -c . || true
}
for _ in $(seq 200); do
  [ "$(points)" -ge 1 ] && break
  sleep 0.05
done
before=$(points)
scontrol requeue "${job}_3" || fail "task 3 cannot be requeued"
echo "slurm: task 3 was requeued with $before of 6 points"
[ "$before" -lt 6 ] || fail "task 3 was done before it was killed"

# The node refuses a job that it was told to end within the same few seconds.
sleep 5
for _ in $(seq 240); do
  # A requeued task waits its turn: nothing to be seen of the job is its end.
  [ -z "$(squeue --noheader --job="$job" 2>/dev/null)" ] && break
  # It would wait two minutes otherwise.
  scontrol update JobId="${job}_3" StartTime=now 2>/dev/null || true
  sleep 0.5
done
[ -z "$(squeue --noheader --job="$job" 2>/dev/null)" ] || fail "the array does not end: $(squeue)"

"$program" sweep merge "$scratch/joined.db" "$scratch"/shards/shard-*.db
"$program" sweep run "$scratch/night.toml" --out "$scratch/alone.db" --quiet
"$program" sweep export "$scratch/joined.db" --csv "$scratch/joined.csv" --quiet
"$program" sweep export "$scratch/alone.db" --csv "$scratch/alone.csv" --quiet
[ "$(grep -c . "$scratch/alone.csv")" = 49 ] || fail "the sweep of one machine has not 48 points"
cmp "$scratch/joined.csv" "$scratch/alone.csv" || fail "the joined sweep is another one"
echo "slurm: eight tasks, one of them requeued, joined to the sweep of one machine: 48 points, equal to the byte"
