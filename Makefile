# `make demo` and `make test` set up everything they need, on a fresh machine with Python 3.11 or newer.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
DEMO_OUT ?= out

.PHONY: demo test check format picture bench lock audit clean

demo: $(READY)
	$(BIN)/drumline run sample_lake/lake --out $(DEMO_OUT)

test: $(READY)
	$(BIN)/python -m pytest

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
lock: $(READY)
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header \
		--no-annotate --no-emit-index-url --group dev pyproject.toml --output-file requirements.lock --upgrade

$(READY): requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Drumline needs Python 3.11 or newer")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(READY)

clean:
	rm -rf $(VENV) out .mypy_cache .ruff_cache .pytest_cache
