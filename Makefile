# Two targets do all that a newcomer needs:
#   make demo   performs the first power-on of an invented aircraft on an emulated bench
#   make test   installs what the tests need (Debian packages, as root) and runs all of them
# DEMO_ARGS passes flags on: make demo DEMO_ARGS=--hands-off

.PHONY: demo test build chart packages lint race bench cross generate
export GOFLAGS := -buildvcs=auto

demo: build
	@code=0; bin/loomproof demo $(DEMO_ARGS) || code=$$?; \
	if [ $$code = 1 ]; then echo "The planted fault was found, which is the demo working (the program itself ends with 1)."; exit 0; fi; \
	exit $$code

build: chart
	CGO_ENABLED=0 go build -trimpath -o bin/loomproof ./cmd/loomproof

# The chart library of the recording page, from npm, at the versions that its
# package-lock.json pins. Without it the page shows pictures instead.
CHART := dashboard/web/chart/built/chart.js
NPM := dashboard/web/chart/node_modules/.package-lock.json
$(NPM): $(addprefix dashboard/web/chart/,package.json package-lock.json .npmrc)
	cd dashboard/web/chart && npm ci --silent --prefer-offline
	@touch $@
$(CHART): $(NPM) dashboard/web/chart/chart.js
	cd dashboard/web/chart && npm run --silent build

chart:
	@command -v npm >/dev/null || { echo "npm is not installed: the page of a recording shows pictures instead of charts."; exit 0; }; \
	$(MAKE) --no-print-directory $(CHART) || echo "The charts could not be made: the page of a recording shows pictures instead."

test: packages $(CHART) lint race bench cross
	@echo "All checks passed."

# What the tests use from Debian: the emulated ATmega328P and its compiler, the
# circuit simulator that is the outside opinion, a browser, a metrics checker,
# and what verifies a worksheet without this program.
PACKAGES := gcc libc6-dev make binutils-avr gcc-avr avr-libc simavr libsimavr-dev libelf-dev ngspice chromium prometheus poppler-utils fonts-dejavu-core python3 openssl zbar-tools file
packages:
	@missing=$$(for p in $(PACKAGES); do dpkg-query -W -f='$${Status}' $$p 2>/dev/null | grep -q 'install ok installed' || echo $$p; done); \
	command -v npm >/dev/null || missing="$$missing npm"; \
	[ -z "$$missing" ] && exit 0; \
	root=$$([ "$$(id -u)" = 0 ] || echo sudo); \
	echo "Installing for the tests:" $$missing; \
	$$root apt-get update -qq && DEBIAN_FRONTEND=noninteractive $$root apt-get install -y -qq --no-install-recommends $$missing >/dev/null

lint:
	go build ./...
	go vet ./...
	@unformatted=$$(go tool gofumpt -l cmd probe checks dashboard scripts); [ -z "$$unformatted" ] || { echo "not formatted, run go tool gofumpt -w on: $$unformatted"; exit 1; }
	go tool staticcheck ./...
	go mod tidy -diff

# The tests under the race detector; the seeds of the fuzz tests are among them,
# and the tests that compare generated files with what they are made from.
race:
	CGO_ENABLED=1 go test -race -timeout 20m ./...

# Every benchmark once, so that none rots.
bench:
	go test -run '^$$' -bench . -benchtime 1x ./... | grep -v 'no test files'

cross:
	@for target in linux/amd64 linux/arm64 darwin/amd64 darwin/arm64 windows/amd64 windows/arm64; do \
		echo "build $$target"; CGO_ENABLED=0 GOOS=$${target%/*} GOARCH=$${target#*/} go build -o /dev/null ./cmd/loomproof || exit 1; done

# Files that are made from the code: schemas and golden files.
generate:
	go test ./dashboard/report ./checks/design ./probe/sources -run TestSchema -update
	go test ./probe/node -run TestImageIsBuilt -update
