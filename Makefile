# Two commands are enough on a fresh Debian machine with Go, git, make and a network: `make run` and `make test`.
# Both may be run again at any time, and do only what is still to be done.

export LINTEL_MODELS ?= $(CURDIR)/models
# Photographs to measure recognition with, DIR/<person>/*.jpg. Tests that need them say so and are skipped without.
export LINTEL_FACES ?= $(wildcard $(abspath $(CURDIR)/../shared/faces))
# Model files that no package brings (models/README.md says which), for tests of them on a machine that can't fetch them.
export LINTEL_NETS ?= $(wildcard $(abspath $(CURDIR)/../shared/models))

GO = CGO_LDFLAGS="$$(sh setup/debian.sh flags)" go

# Packages whose tests call the face library need it built, and the models; the others are a developer's quick loop.
quick = $(shell go list -f '{{.ImportPath}} {{.Deps}} {{.TestImports}} {{.XTestImports}}' ./... | \
	grep -v lintel/pipeline/face | cut -d' ' -f1)

# Packages that only compute, in one goroutine, on all photographs or on very many cases: the race detector can find
# nothing in them, and makes them ten times slower.
alone = $(addprefix lintel/pipeline/,advice/policy liveness liveness/photographs quality/photographs redact/recognise)

# Tests of the other packages that go over all photographs, or kill a process 50 times. They make little of it, or
# nothing, with the race detector, and are run once more without.
measured = ^Test(AccuracyOnPairs|AccuracyAgainstBareCalls|SpeedCommand|SmallFacesOnPaintedStills|Measure.*|FacePairs|$\
	DescriptorNearThatOfTheWholeStill|SquaresAgainstPigo|ShippedCurve|RatesAreAboveTheTruth|Fit.*|Kill)$$

.PHONY: help run test quick format setup build libraries clean

help:
	@echo "make run    install what Lintel needs, build it, and serve on http://localhost:8420"
	@echo "make test   install what its tests need besides, and run them all"
	@echo "make quick  check and test what needs neither models nor the face library, in a minute and a half"
	@echo "make setup  only install the libraries, build, and fetch the models"
	@echo "make build  only install the libraries and build build/lintel"
	@echo "make clean  remove what was built; the archive in data/ and the models stay"

run: export LINTEL_DATA ?= $(CURDIR)/data
run: setup
	build/lintel serve

setup: build
	build/lintel models fetch

test: purpose = test
test: build format
	build/lintel models fetch --examples
	@echo "checking and testing, with the race detector; the face library is built for it the first time, about two minutes"
	@$(GO) vet ./...
	@$(GO) tool staticcheck ./...
	@$(GO) test -race -vet=off -timeout 30m -skip '^TestKill$$' $(filter-out $(alone),$(shell go list ./...))
	@echo "measuring error rates, and what is found, on all photographs"
	@$(GO) test -vet=off -timeout 30m $(alone)
	@$(GO) test -vet=off -run '$(measured)' ./cmd/lintel ./pipeline/face ./pipeline/match ./pipeline/cluster
	@echo "killing a busy process 50 times, at random moments, with nothing else at work"
	@$(GO) test -race -vet=off -p 1 -run '^TestKill$$' ./store ./pipeline/intake
	@$(GO) test -vet=off -run '^TestKill$$' ./store

quick: format
	@go vet $(quick)
	@go test -short -vet=off -skip '^TestKill$$' $(quick)

format:
	@unformatted=$$(gofmt -l .); test -z "$$unformatted" || { echo "not in gofmt's format:" $$unformatted; exit 1; }

build: libraries
	@echo "building build/lintel; the face library is built the first time, about two minutes"
	@$(GO) build -o build/lintel ./cmd/lintel

# Says which packages it installs before it does; purpose test adds the browser.
libraries:
	@sh setup/debian.sh $(purpose)

clean:
	rm -rf build
