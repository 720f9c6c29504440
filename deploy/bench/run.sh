#!/usr/bin/env bash
# Builds the server and the benchmark and runs it. Figures depend on the machine
# and on what else it does: quote the ratios, which come from one run.
set -euo pipefail
cd "$(dirname "$0")/../.."
mkdir -p bin
go build -o bin/nextprobe ./cmd/nextprobe
go build -o bin/bench ./deploy/bench
exec bin/bench bin/nextprobe
