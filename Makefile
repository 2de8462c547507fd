# The toolchain that go.mod names, unless the environment sets another.
export GOTOOLCHAIN ?= $(shell sed -n 's/^toolchain //p' go.mod)

.PHONY: demo test crash hostile bench truth build vuln

build:
	go build -o bin/lintel ./cmd/lintel

demo:
	go run ./cmd/lintel demo

test:
	.ci/run

# The whole crash test: 30 moments for each of three ways to die.
crash:
	LINTEL_CRASHES=30 go test -count=1 -run Crash -timeout 30m -v ./cmd/lintel

# An hour of hostile callers against one server with 512 MB and 256 files.
hostile:
	LINTEL_HOSTILE=$${LINTEL_HOSTILE:-1h} go test -count=1 -run Hostile -timeout 90m -v ./cmd/lintel

# The whole path against a floor and a plain script; needs an empty Redis server, for example: redis-server --port 7790 --save ''
bench: build
	bin/lintel bench --redis $${LINTEL_BENCH_REDIS:-redis://127.0.0.1:7790}

# What Lintel concludes against what is true, in every regime of the simulated shop that is not held out.
truth: build
	bin/lintel truth

# Known weaknesses of what Lintel's code reaches, by the database that comes as a module: no other network than the module proxy is needed.
# The first run builds the tools, which takes minutes.
VULNDB := $(shell go env GOCACHE)/lintel-vulndb
vuln:
	rm -rf $(VULNDB)
	go run golang.org/x/vulndb/cmd/indexdb@latest -out $(VULNDB) -vulns "$$(go mod download -json golang.org/x/vulndb@latest | sed -n 's/.*"Dir": "\(.*\)".*/\1/p')/data/osv"
	go run golang.org/x/vuln/cmd/govulncheck@v1.9.0 -db "file://$(VULNDB)" ./...
