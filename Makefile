# Two commands are enough on a fresh Debian machine with Go, git, make and a network: `make run` and `make test`.
# Both may be run again at any time, and do only what is still to be done.

export LINTEL_MODELS ?= $(CURDIR)/models
# Photographs to measure recognition with, DIR/<person>/*.jpg. Tests that need them say so and are skipped without.
export LINTEL_FACES ?= $(wildcard $(abspath $(CURDIR)/../shared/faces))
# Model files that no package brings (models/README.md says which), for tests of them on a machine that can't fetch them.
export LINTEL_NETS ?= $(wildcard $(abspath $(CURDIR)/../shared/models))

GO = CGO_LDFLAGS="$$(sh setup/debian.sh flags)" go

.PHONY: help run test setup build libraries clean

help:
	@echo "make run    install what Lintel needs, build it, and serve on http://localhost:8420"
	@echo "make test   install what its tests need besides, and run them all"
	@echo "make setup  only install the libraries, build, and fetch the models"
	@echo "make build  only install the libraries and build build/lintel"
	@echo "make clean  remove what was built; the archive in data/ and the models stay"

run: export LINTEL_DATA ?= $(CURDIR)/data
run: setup
	build/lintel serve

setup: build
	build/lintel models fetch

test: purpose = test
test: build
	build/lintel models fetch --examples
	@unformatted=$$(gofmt -l .); test -z "$$unformatted" || { echo "not in gofmt's format:" $$unformatted; exit 1; }
	@echo "checking and testing, with the race detector; the face library is built for it the first time, about two minutes"
	@$(GO) vet ./...
	@$(GO) tool staticcheck ./...
	@$(GO) test -race ./...
	@echo "measuring error rates, what is found and what is not any more, on all photographs, which the race detector is too slow for"
	@$(GO) test ./cmd/lintel ./pipeline/face ./pipeline/match ./pipeline/cluster ./pipeline/redact/recognise ./pipeline/quality/photographs ./pipeline/liveness ./pipeline/liveness/photographs ./pipeline/advice/policy
	@echo "killing a busy process 50 times, at random moments"
	@$(GO) test ./store -run 'TestKill$$'

build: libraries
	@echo "building build/lintel; the face library is built the first time, about two minutes"
	@$(GO) build -o build/lintel ./cmd/lintel

# Says which packages it installs before it does; purpose test adds the browser.
libraries:
	@sh setup/debian.sh $(purpose)

clean:
	rm -rf build
