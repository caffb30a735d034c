# Two commands do everything on a machine with Python 3.11+, git and make:
#   make demo   the main job on the embedded demo family
#   make test   style, types, data flow and every test
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test quick open-data bench lock clean

demo: .venv/ready
	$(BIN)/wearlore demo

open-data: .venv/ready
	$(BIN)/python examples/open-data/run.py

test: .venv/ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m pytest -n auto

quick: .venv/ready
	$(BIN)/python -m pytest -n auto -m "not slow"

bench: .venv/ready
	$(BIN)/python benchmarks/run.py

lock:
	uv pip compile pyproject.toml --extra dev --universal --generate-hashes --no-emit-index-url \
	  --no-header --no-annotate --python-version 3.11 -o requirements.lock

.venv/ready: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Wearlore needs Python 3.11 or newer; name one with: make PYTHON=python3.12 ..."; exit 2; }
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

clean:
	rm -rf .venv build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis wearlore-demo
