# make setup   build .venv from the lock (every other target calls it)
# make demo    build the demo site, run its night, print the berth's status
# make test    everything that CI runs, but lint, types and format
# make test-long  the same with all cases of every test
# make check   lint, format, strict types
# make bench   the table of ratios in ops/
# make bench-intervals  how often 90 % intervals of unobserved time cover simulated gaps
# make bench-incident  instants, offsets and orders of reconstructed incidents, on simulated ones
# make bench-detect  recall, precision, onsets and false alarms of all events and findings, on simulated calls
# make torture 300 kills and every fault; what came of it (TORTURE="--short" and so on)
# make fuzz    a million hostile inputs through every reader
# make machine the state machine of deliveries, long and at random
# make axe     axe-core, by which tests look for what keeps people from reading the pages (needs npm)
# make lock    compile requirements.txt, and ops/requirements.txt of the image, anew from pyproject.toml
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/installed
WORKERS ?= 2
# Where tests write: in memory, where there is room for a whole run. Every night syncs dozens of small files.
SCRATCH ?= $(shell free=$$(df -Pk /dev/shm 2>/dev/null | awk 'NR == 2 {print $$4}'); \
  [ "$${free:-0}" -gt 6000000 ] && [ -w /dev/shm ] && echo /dev/shm || echo "$${TMPDIR:-/tmp}")

IN_SCRATCH = scratch=$$(mktemp -d "$(SCRATCH)/tautlog-tests.XXXXXX") && trap 'rm -rf "$$scratch"' EXIT &&

.PHONY: setup demo test test-long check format bench bench-intervals bench-detect bench-incident torture fuzz machine axe \
  lock clean
.DEFAULT_GOAL := setup

setup: $(STAMP)

$(STAMP): requirements.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "tautlog needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) -V 2>&1). Name another: make setup PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' || { \
	  echo "$(PYTHON) cannot make virtual environments; on Debian: apt-get install python3-venv" >&2; exit 1; }
	$(PYTHON) -m venv --clear $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $(STAMP)

demo: setup
	rm -rf demo-site
	$(BIN)/tautlog demo demo-site

test: setup
	@$(IN_SCRATCH) $(BIN)/python -m pytest -n $(WORKERS) --basetemp "$$scratch/run"

test-long: setup
	@$(IN_SCRATCH) $(BIN)/python -m pytest -n $(WORKERS) --basetemp "$$scratch/run" -m "long or not long" \
	  --hypothesis-profile=long

check: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: setup
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: setup
	$(BIN)/python -m ops.bench

bench-intervals: setup
	$(BIN)/python -m ops.bench_intervals

bench-incident: setup
	$(BIN)/python -m ops.bench_incident $(INCIDENT)

bench-detect: setup
	$(BIN)/python -m ops.bench_detect --workers $(WORKERS) $(DETECT)

torture: setup
	$(BIN)/python -m ops.torture $(TORTURE)

fuzz: setup
	$(BIN)/python -m ops.fuzz --inputs 1000000

machine: setup
	$(BIN)/python -m pytest tests/machine --hypothesis-profile=machine

# A tool of tests alone, pinned by its version. Without it the tests that need it say that they were skipped.
axe:
	npm install --silent --no-audit --no-fund --no-save --ignore-scripts --prefix .axe axe-core@4.14.1

# The lock names no index: pip's own configuration decides where from, the hashes decide what.
lock:
	$(PYTHON) -m venv --clear .venv-lock
	.venv-lock/bin/python -m pip install --quiet --disable-pip-version-check pip-tools==7.6.2
	CUSTOM_COMPILE_COMMAND="make lock" .venv-lock/bin/pip-compile --quiet --upgrade --extra dask --extra dev --extra oracles \
	  --generate-hashes --allow-unsafe --strip-extras --no-annotate \
	  --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
	  --output-file requirements.txt pyproject.toml
	CUSTOM_COMPILE_COMMAND="make lock" .venv-lock/bin/pip-compile --quiet --build-deps-for wheel \
	  --constraint requirements.txt --generate-hashes --allow-unsafe --strip-extras --no-annotate \
	  --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
	  --output-file ops/requirements.txt pyproject.toml
	rm -rf .venv-lock

clean:
	rm -rf $(VENV) .venv-lock .axe demo-site build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .numba-bounds
	find . -name __pycache__ -type d -not -path './.git/*' -prune -exec rm -rf {} +
