#!/usr/bin/env bash
# Builds the server and the benchmarks and runs them, the engine alone first
# (its picture of the growth goes to deploy/pictures). Figures depend on the machine
# and on what else it does: quote the ratios, which come from one run.
set -euo pipefail
cd "$(dirname "$0")/../.."
mkdir -p bin
go build -o bin/nextprobe ./cmd/nextprobe
go build -o bin/bench ./deploy/bench
go build -o bin/bench-engine ./deploy/bench/engine
bin/bench-engine -plot deploy/pictures/engine.svg
echo
exec bin/bench bin/nextprobe
