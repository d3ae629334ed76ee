# Two commands are enough on a fresh Debian machine with Go, git, make and a network: `make run` and `make test`; `make
# demo` shows it with an invented household. All may be run again at any time, and do only what is still to be done.

export LINTEL_MODELS ?= $(CURDIR)/models
# Photographs to measure recognition with, DIR/<person>/*.jpg. Tests that need them say so and are skipped without.
export LINTEL_FACES ?= $(wildcard $(abspath $(CURDIR)/../shared/faces))
# Model files that no package brings (models/README.md says which), for tests of them on a machine that can't fetch them.
export LINTEL_NETS ?= $(wildcard $(abspath $(CURDIR)/../shared/models))

GO = CGO_LDFLAGS="$$(sh setup/debian.sh flags)" go

# Packages whose tests call the face library need it built, and the models; the others are a developer's quick loop.
quick = $(shell go list -f '{{.ImportPath}} {{.Deps}} {{.TestImports}} {{.XTestImports}}' ./... | \
	grep -v lintel/pipeline/face | cut -d' ' -f1)

# The race detector watches our own code. What others wrote and only computes (SQLite, put from C into Go; pixels;
# the reader of the API's document, which races with itself) is built without it, and so is the drawing of visitors: it
# makes tests five times slower there.
race = -race $(foreach unwatched,modernc.org github.com/pb33f github.com/disintegration github.com/esimov \
	github.com/trustelem lintel/internal/doorstep,-gcflags=$(unwatched)/...=-race=false)

# Packages that only compute, in one goroutine, on all photographs or on very many cases: the race detector can find
# nothing in them, and makes them ten times slower.
alone = $(addprefix lintel/pipeline/,advice/policy liveness liveness/photographs quality/photographs redact/recognise)

# Tests of the other packages that go over all photographs. They make little of it, or nothing, with the race detector,
# and are run once more without.
measured = ^Test(SmallFaces|Truth.*|Measure.*|FacePairs|$\
	DescriptorNearThatOfTheWholeStill|SquaresAgainstPigo|ShippedCurve|RatesAreAboveTheTruth|Fit.*)$$

# Packages whose tests look at pages in a browser, which they skip with the race detector. They are run once more
# without, as a whole, so that nobody has to list such a test.
walked = ./cmd/lintel ./web ./internal/chromium

# Tests that time a server under load. They run with nothing else at work, and not with the race detector.
timed = ^Test(Flood|Throng|Load|SilentTablets|Day)$$

# What waits for a browser, a bell or another process may run out of patience on two cores. A test that fails is run once
# more by itself, and both are said; when four fail, or it fails again, that is a fault.
patient = tool gotestsum --format standard-quiet --rerun-fails=1 --rerun-fails-max-failures=3

# What mutants are made in: what the household decides of keeping, and what only computes by bounds that are written
# down. What measures pictures has bounds that were fitted, and figures in a MEASUREMENTS.md to hold them.
mutated = ./internal/house $(addprefix ./pipeline/,advice/policy advice/geofence advice/totp \
	bell:display.go,health.go,heartbeat.go,page.go,porter.go \
	match:current.go,gain.go,gallery.go,household.go,match.go,probability.go,rates.go,ring.go \
	intake:exif.go,intake.go,jpeg.go,png.go,still.go) \
	./store:aside.go,clock.go,erasure.go,holds.go,periods.go,retention.go,rules.go,withhold.go
SEED ?= 1
SAMPLE ?= 20

.PHONY: help run demo test quick mutants tour format setup build libraries install uninstall deb clean

help:
	@echo "make run    install what Lintel needs, build it, and serve on http://localhost:8420;"
	@echo "            with LISTEN=0.0.0.0:8420 for the whole network, once there is a certificate"
	@echo "make demo   the same with an invented household, on http://localhost:8422; it leaves nothing behind"
	@echo "make test   install what its tests need besides, and run them all"
	@echo "make quick  check and test what needs neither models nor the face library, in a minute and a half"
	@echo "make mutants"
	@echo "            see whether tests notice changes of one character, drawn by SEED, SAMPLE of each package"
	@echo "make tour   take the pictures of README.md anew, in the demo; in about ten minutes"
	@echo "sudo make install    make this machine the house's server, started at each boot; docs/install.md"
	@echo "sudo make uninstall  undo that; the archive, its key and the settings stay"
	@echo "make deb    make a Debian package of it, in build/deb"
	@echo "make setup  only install the libraries, build, and fetch the models"
	@echo "make build  only install the libraries and build build/lintel"
	@echo "make clean  remove what was built; the archive in data/ and the models stay"

run: export LINTEL_DATA ?= $(CURDIR)/data
run: LISTEN ?= 127.0.0.1:8420
run: setup
	build/lintel serve --listen $(LISTEN)

demo: setup
	build/lintel demo

setup: build
	build/lintel models fetch

test: purpose = test
test: build format
	build/lintel models fetch --examples
	@echo "checking and testing, with the race detector; the face library is built for it the first time, about two minutes"
	@$(GO) vet ./...
	@$(GO) tool staticcheck ./...
	@$(GO) $(patient) --packages="$(filter-out $(alone),$(shell go list ./...))" -- \
		$(race) -vet=off -timeout 60m -skip '^TestKill$$'
	@echo "measuring error rates, and what is found, on all photographs"
	@$(GO) test -vet=off -timeout 30m $(alone)
	@$(GO) test -vet=off -run '$(measured)' ./pipeline/face ./pipeline/match ./pipeline/cluster
	@echo "walking through the pages in a browser, one package after the other: a walk has 90 seconds"
	@$(GO) $(patient) --packages="$(walked)" -- -vet=off -timeout 30m -p 1 -skip '$(timed)'
	@echo "ringing at a server as hard as bells can, with nothing else at work"
	@$(GO) $(patient) --packages=./cmd/lintel -- -vet=off -timeout 30m -run '$(timed)'
	@echo "killing a busy process 50 times, at random moments, with nothing else at work"
	@$(GO) test $(race) -vet=off -timeout 30m -p 1 -run '^TestKill$$' ./store ./pipeline/intake
	@$(GO) test -vet=off -timeout 30m -run '^TestKill$$' ./store

# Tests compare what commands say in English.
test quick mutants: export LC_ALL = C.UTF-8

quick: format
	@go vet $(quick)
	@go test -short -vet=off -skip '^TestKill$$' $(quick)

mutants: libraries
	@$(GO) run ./internal/mutants -seed $(SEED) -sample $(SAMPLE) $(mutated)

tour: purpose = tour
tour: setup
	@$(GO) test ./cmd/lintel -run '^TestTour' -vet=off -timeout 40m -v -screenshots $(CURDIR)/docs/tour

# What root builds in somebody's tree they can't build anew: where sudo says whose it is, they do.
install:
	@if [ "$$(id -u)" = 0 ] && [ "$${SUDO_USER:-root}" != root ]; then \
		su --login "$$SUDO_USER" --command "make --directory='$(CURDIR)' setup"; else $(MAKE) setup; fi
	@if [ "$$(id -u)" = 0 ]; then build/lintel install $(FLAGS); else sudo build/lintel install --models '$(LINTEL_MODELS)' \
		$(FLAGS); fi

uninstall:
	@if [ "$$(id -u)" = 0 ]; then lintel uninstall; else sudo lintel uninstall; fi

deb: purpose = deb
deb: setup
	@echo "building a program of its own for the package; the face library is built for it the first time"
	@CGO_LDFLAGS="$$(sh setup/debian.sh flags)" sh setup/deb.sh
	@lintian --fail-on error,warning build/deb/*.deb

format:
	@unformatted=$$(gofmt -l .); test -z "$$unformatted" || { echo "not in gofmt's format:" $$unformatted; exit 1; }

build: libraries
	@echo "building build/lintel; the face library is built the first time, about two minutes"
	@$(GO) build -o build/lintel ./cmd/lintel

# Says which packages it installs before it does; purposes test and tour add the browser.
libraries:
	@sh setup/debian.sh $(purpose)

clean:
	rm -rf build
