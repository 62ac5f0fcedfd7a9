# The developer commands. `make demo` and `make test` are the two a newcomer needs.
PYTHON ?= $(shell command -v python3.11 || command -v python3)
VENV := .venv
BIN := $(VENV)/bin
RUN_STAMP := $(VENV)/.run-installed
DEV_STAMP := $(VENV)/.dev-installed
FIRMWARE_STAMP := $(VENV)/.firmware-installed

.PHONY: demo test coverage check fix setup firmware interop bench clean lock

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(DEV_STAMP): requirements/dev.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

$(FIRMWARE_STAMP): requirements/firmware.lock $(DEV_STAMP)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/firmware.lock
	touch $@

setup: $(DEV_STAMP)

# The tests that run protection units also want qemu-system-arm and qemu-system-riscv32 (Debian: qemu-system-arm,
# qemu-system-misc) on the machine; without them they skip and say so.
firmware: $(FIRMWARE_STAMP)

# A general-purpose COSE library in an environment of its own, for tests/interop.
INTEROP := .venv-interop
$(INTEROP)/.installed: requirements/interop.lock
	$(PYTHON) -m venv $(INTEROP)
	$(INTEROP)/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/interop.lock
	touch $@

interop: $(INTEROP)/.installed $(DEV_STAMP)
	$(BIN)/python -m pytest -m interop tests/interop

demo: $(DEV_STAMP)
	$(BIN)/python demo/run_demo.py

test: $(DEV_STAMP)
	$(BIN)/python -m pytest -n auto

# Branch coverage of the packages that verdicts rest on, with its floor. Long comparisons with other programs are left out:
# under measurement they take many minutes, and what they reach the other tests reach too.
coverage: $(DEV_STAMP)
	$(BIN)/python -m pytest -n auto --cov --cov-report=json:build/coverage.json --cov-report= \
	    tests/cose tests/suit tests/plan tests/device tests/prove tests/release \
	    --ignore=tests/prove/test_agreement.py --ignore=tests/plan/test_search_against_solver.py
	$(BIN)/python tests/coverage_floor.py build/coverage.json

check: $(DEV_STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

# Timings only; nothing fails here. The search's verdicts are compared with a constraint solver's on the way.
bench: $(DEV_STAMP)
	$(BIN)/python benchmarks/plan_search.py
	$(BIN)/python benchmarks/bench_faults.py --quick
	$(BIN)/python benchmarks/closure.py
	$(BIN)/python benchmarks/what_if.py

fix: $(DEV_STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) out build .mypy_cache .pytest_cache .ruff_cache .import_linter_cache

# Needs uv; the locks carry hashes and no index address.
LOCK := uv pip compile --quiet --no-strip-extras --generate-hashes --no-header --no-annotate --python-version 3.11 --universal
lock:
	$(LOCK) pyproject.toml -o requirements/run.lock
	$(LOCK) pyproject.toml --group dev -o requirements/dev.lock
	$(LOCK) pyproject.toml --extra bench -o requirements/bench.lock
	$(LOCK) pyproject.toml --extra bench --extra cluster -o requirements/cluster.lock
	$(LOCK) --group firmware -o requirements/firmware.lock
	printf 'pycose\ncbor2<6 # its reader wants lists inside tags\n' | $(LOCK) - -o requirements/interop.lock
