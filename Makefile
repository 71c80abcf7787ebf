# make without a word lists what there is.
.DEFAULT_GOAL := help

LINT := github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
BENCH_ROOMS := registermap poller simulator alerts store metrics dashboard dashboard/draw daemon

.PHONY: help build demo peers lint test long score cross bench clean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z%-]+:.*## / {printf "  make %-12s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

build: ## build bin/ringwarden
	CGO_ENABLED=0 go build -trimpath -o bin/ringwarden ./cmd/ringwarden

demo: ## watch a simulated ring
	go run ./cmd/ringwarden demo

peers: ## install the independent programs and data that the tests talk to
	@.ci/peers

lint: ## go vet, staticcheck, gofumpt, and the arrows between the rooms
	go vet ./...
	go run $(LINT) run ./...

test: peers lint ## everything that must hold: lint, all tests under the race detector, then the long simulations
	go test -race -timeout 20m ./...
	@$(MAKE) --no-print-directory long

long: ## simulated weeks, without the race detector
	RINGWARDEN_LONG=1 go test -count=1 -timeout 20m -run 'Long' ./...

score: ## measure the detectors and the diagnosis on thousands of made-up histories; writes docs/judgement.md
	go run ./cmd/score -page docs/judgement.md

cross: ## build for every platform, without cgo
	@for target in linux/amd64 linux/arm64 linux/arm darwin/arm64 darwin/amd64 windows/amd64; do \
		echo "building for $$target"; \
		CGO_ENABLED=0 GOOS=$${target%/*} GOARCH=$${target#*/} GOARM=7 go build -o /dev/null ./cmd/ringwarden || exit 1; \
	done

bench: $(addprefix bench-,$(BENCH_ROOMS)) ## run every room's benchmarks; each prints its bars

bench-store: ## run the store's benchmarks, and those beside a general engine, which is a module of its own
	go test -run '^$$' -bench . -benchmem -timeout 10m ./store
	cd store/reference && go test -run '^$$' -bench . -benchtime 1x -timeout 20m .

bench-%: ## run one room's benchmarks, as in bench-alerts
	go test -run '^$$' -bench . -benchmem -timeout 10m ./$*

bench-daemon: ## run the whole daemon on 2,000 simulated controllers in a second process
	go test -run '^$$' -bench Daemon -benchtime 1x ./cmd/ringwarden

clean: ## remove what make built
	rm -rf bin
