# `make demo` and `make test` set up everything they need, on a fresh machine with Python 3.11 or newer:
# the first what a run needs (requirements.lock), the second all the rest (tests/requirements.lock).
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
RUNS := $(VENV)/.runs
READY := $(VENV)/.ready
DEMO_OUT ?= out
# A lock is complete, and modules are compiled when they are first imported: most never are.
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --no-deps
CORES ?= $(shell getconf _NPROCESSORS_ONLN)
# A worker on each core, one thread in each; a module's tests stay together, to share what they make.
SPREAD := -n $(CORES) --dist loadfile --no-loadscope-reorder
# Where the machine says that nothing is to be compiled for good, every start would compile it again.
export PYTHONDONTWRITEBYTECODE :=
ONE_THREAD := POLARS_MAX_THREADS=1 OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1

.PHONY: demo test proof check format picture bench lock upgrade audit clean

demo: $(RUNS)
	$(BIN)/drumline run sample_lake/lake --out $(DEMO_OUT)

test: $(READY)
	$(ONE_THREAD) $(BIN)/python -m pytest $(SPREAD)

# What is too long for every change; `.ci/run` always does it.
proof: $(READY)
	$(ONE_THREAD) $(BIN)/python -m pytest $(SPREAD) -m proof

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(READY)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

# The README's picture of the page; needs a browser.
picture: $(READY)
	$(BIN)/python -m tests.picture $(DEMO_OUT) dashboards/page.png

bench: $(READY)
	$(BIN)/python -m tests.bench

audit: $(READY)
	$(BIN)/python .ci/audit

# Versions and hashes only: no address is written, so any index that serves the same files will do.
# `lock` keeps every version that still fits pyproject.toml; `upgrade` takes the newest.
COMPILE = $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes \
	--no-header --no-annotate --no-emit-index-url $(1) pyproject.toml

lock: $(RUNS)
	$(INSTALL) uv
	$(call COMPILE,--group build --output-file requirements.lock $(UPGRADE))
	$(call COMPILE,--group dev --constraint requirements.lock --output-file tests/requirements.lock $(UPGRADE))

upgrade: UPGRADE := --upgrade
upgrade: lock

$(RUNS): requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Drumline needs Python 3.11 or newer")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(INSTALL) --require-hashes -r requirements.lock
	$(INSTALL) --no-build-isolation -e .
	touch $@

$(READY): $(RUNS) tests/requirements.lock
	$(INSTALL) --require-hashes -r tests/requirements.lock
	touch $@

clean:
	rm -rf $(VENV) out .mypy_cache .ruff_cache .pytest_cache
