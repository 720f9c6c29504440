# `make help` lists what there is.
SHELL       := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
.PHONY: run build test check lint bench fmt stop help

GOLANGCI_VERSION := v2.15.0
GOLANGCI := $(or $(shell command -v golangci-lint 2>/dev/null),.tools/bin/golangci-lint)
VERSION  := $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
# Two packages at a time: the page tests start a browser, and all share one Postgres.
TEST := go test -race -timeout 15m -p 2

run: build ## start the demo shop: embedded Postgres, invented data, address and sign-in printed
	exec bin/nextprobe demo

build: ## build bin/nextprobe
	@deploy/setup.sh
	CGO_ENABLED=0 go build -trimpath -ldflags '-X main.version=$(VERSION)' -o bin/nextprobe ./cmd/nextprobe

test: ## install what the tests need, vet, run every test with the race detector
	@deploy/setup.sh test
	go vet ./...
	@status=0; $(TEST) -json ./... 2>&1 | go run ./internal/testsummary || status=$$?; \
	go run ./store/pgtest/cmd/pgteststop || status=$$?; \
	exit $$status

check: ## all that must hold before a change goes in: format, vet, lint, rules, generated code, tests
	@echo '== format'; bad=$$(git ls-files -z '*.go' | xargs -0 gofmt -l); [ -z "$$bad" ] || { echo "not formatted (make fmt):"; echo "$$bad"; exit 1; }
	@echo '== vet'; go vet ./...
	@echo '== lint'; $(MAKE) --no-print-directory lint
	@echo '== import rules and migrations'; go test -count=1 ./internal/archtest
	@echo '== generated code'; $(MAKE) --no-print-directory generated
	@echo '== tests'; $(MAKE) --no-print-directory test

lint: $(if $(findstring .tools,$(GOLANGCI)),.tools/bin/golangci-lint) ## run the linters of .golangci.yml
	$(GOLANGCI) run ./...

.tools/bin/golangci-lint:
	GOBIN=$(CURDIR)/.tools/bin go install github.com/golangci/golangci-lint/v2/cmd/golangci-lint@$(GOLANGCI_VERSION)

# The generated code must be what the contract gives. It is made anew and, when it
# differs, left in place for the commit that it belongs to.
.PHONY: generated
generated:
	@old=$$(mktemp); cp api/types.gen.go "$$old"; go generate ./api; \
	cmp -s "$$old" api/types.gen.go || { echo "api/types.gen.go was stale; made anew, commit it"; rm -f "$$old"; exit 1; }; rm -f "$$old"

bench: ## measure under load; see deploy/bench
	@deploy/setup.sh
	deploy/bench/run.sh

.PHONY: bench-diagnosis
bench-diagnosis: ## simulate jobs and compare policies of the next measurement; see deploy/bench
	go run ./deploy/bench/diagnosis -boards $(or $(BOARDS),2000)

.PHONY: check-solver
check-solver: ## hold the diagnosis engine against a general-purpose exact solver (needs toulbar2)
	go run ./deploy/bench/solver

.PHONY: bench-reliability
bench-reliability: ## time the life statistics beside R's (needs Rscript)
	go run ./deploy/bench/reliability

.PHONY: bench-recurrence
bench-recurrence: ## measure the recurrence report on a chain of shops (JOBS=1000000 BOARDS=200000 DIR= keeps the database)
	@deploy/setup.sh
	go run ./deploy/bench/recurrence -jobs $(or $(JOBS),1000000) -boards $(or $(BOARDS),200000) -dir '$(DIR)'

fmt: ## format the Go code
	gofmt -w $$(git ls-files '*.go')

stop: ## end the Postgres that `go test` leaves running for the next package
	go run ./store/pgtest/cmd/pgteststop

help: ## this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-15s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)
