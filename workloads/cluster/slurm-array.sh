#!/usr/bin/env bash
# One shard of a sweep for each task of a Slurm job array.
#
#   sbatch --array=1-8 workloads/cluster/slurm-array.sh night.toml shards
#   forebay sweep merge night.db shards/shard-*.db          # when all are done
#
# A task that is killed and requeued goes on where its store ended. FOREBAY names the program, if it is not on the path.
#SBATCH --job-name=forebay-sweep
#SBATCH --array=1-8
#SBATCH --cpus-per-task=2
#SBATCH --requeue
#SBATCH --open-mode=append
set -euo pipefail

sweep=$1
folder=$2
mkdir -p "$folder"
# Which shard this is, and of how many, forebay reads from SLURM_ARRAY_TASK_ID, _MIN, _STEP and _COUNT.
exec "${FOREBAY:-forebay}" sweep run "$sweep" --out "$folder/shard-$SLURM_ARRAY_TASK_ID.db" \
  --threads "${SLURM_CPUS_PER_TASK:-1}"
