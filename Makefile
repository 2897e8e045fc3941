# make demo      a simulated trial, start to end (DEMO_PICKS=n picks on each of two stations;
#                DEMO_PAGE=1 shows it as a page meanwhile, and until Ctrl-C)
# make test      the whole suite
# make fuzz      every fuzz target for FUZZ_TIME (10s); part of make test
# make nightly   the long forms of the same tests
# make bench     the figures of DEVELOPERS.md
# make build     bin/griptrial
# make page      the page that is built into it
# make screenshots   those of README

GO ?= go
DEMO_PICKS ?= 24
FUZZ_TIME ?= 10s

.PHONY: build page screenshots demo test nightly bench vet race cross fuzz

build: page
	@$(GO) build -o bin/griptrial ./cmd/griptrial

demo: build
	@./bin/griptrial demo --picks $(DEMO_PICKS) $(if $(DEMO_PAGE),--page --page-engines testdata/engines/hall.yaml)

# Without npm, or without a network the first time, the program says how to build its page.
page:
	@if ! command -v npm >/dev/null; then echo "built without the page: npm is missing" >&2; else $(GO) run ./web/build || echo "built without the page" >&2; fi

screenshots:
	$(GO) test ./web/e2e -count=1 -run TestScreenshots -update

test: vet page
	$(GO) test ./store/forward/testserver # first: on a new machine it installs and builds the servers, once
	$(GO) test $$($(GO) list ./... | grep -v -e /record$$ -e /web/e2e$$ -e /acquire/modbus$$)
	$(GO) test ./web/e2e # a browser takes both cores
	$(GO) test ./acquire/modbus # so do its servers
	$(GO) test ./record # polls on the real clock: not beside tests that take both cores
	$(MAKE) --no-print-directory race cross fuzz

vet:
	@out=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$out" ]; then echo "not formatted: $$out"; exit 1; fi
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

# The race detector on small sizes: the tests with several goroutines. Left out are long ones of
# the store and of the simulated plant, which have one.
race:
	$(GO) test -race -short -p 1 ./acquire/... ./record ./web
	$(GO) test -race -short -run 'Wire|Serve|RTU|PTY|Line|Jumps|Loopback|^TestFaults|WithoutAnyRequest' ./simulator
	$(GO) test -race -short -skip 'Flipped|ChangesNothing|Salvage|CheckFinds|BatchesComeBack|NearsEntropy' ./store

# One static binary for the laptops and boxes that stand beside a rig.
cross:
	CGO_ENABLED=0 GOOS=windows GOARCH=amd64 $(GO) build -o /dev/null ./cmd/griptrial
	CGO_ENABLED=0 GOOS=linux GOARCH=arm64 $(GO) build -o /dev/null ./cmd/griptrial

# Every fuzz target for FUZZ_TIME, two at a time. What it finds is written beside the test and
# has to be committed with the cure. Go's fuzzer sometimes ends its time with "context deadline
# exceeded" and no finding (seen with earlier versions, from memory): then once more.
fuzz:
	@git grep -o '^func Fuzz[A-Za-z0-9]*' -- '*_test.go' | sed 's|/[^/]*:func | |' | \
		xargs -P 2 -L 1 sh -c 'for try in 1 2; do \
			out=$$($(GO) test -run "^$$" -fuzz "^$$1\$$" -fuzztime $(FUZZ_TIME) -fuzzminimizetime 10x -parallel 1 ./$$0 2>&1) && { echo "$$out" | tail -n 1; exit 0; }; \
			case "$$out" in *"Failing input"*) break;; esac; done; \
			echo "$$out"; echo "fuzz: ./$$0 $$1 failed"; exit 255'

nightly: vet
	GRIPTRIAL_NIGHTLY=1 $(GO) test -timeout 5h ./...
	$(MAKE) --no-print-directory race cross fuzz FUZZ_TIME=60s

bench:
	$(GO) test -run '^$$' -bench . ./analyze/pick ./analyze/stats ./analyze/compare ./store ./record ./acquire/modbus ./acquire/csvfile ./simulator ./web
