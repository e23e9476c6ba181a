PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
CONSTRAINTS := .ci/constraints.txt

.PHONY: demo test check test-all bench soak clean

demo: $(READY)
	@$(BIN)/tenside blend hand-wash
	@echo
	@echo "The same shelf, an impossible brief:"
	@echo
	@$(BIN)/tenside blend impossible-wash || test $$? -eq 4

test: $(READY)
	$(BIN)/python -m pytest -n auto --dist loadgroup

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

test-all: test
	$(PYTHON) .ci/test_all.py

bench: $(READY)
	$(BIN)/python tests/benchmarks/run.py
	$(BIN)/python tests/benchmarks/range.py
	$(BIN)/python tests/benchmarks/joint.py
	$(BIN)/python tests/benchmarks/ph.py

soak: $(READY)
	$(BIN)/python tests/soak.py

$(READY): pyproject.toml $(CONSTRAINTS)
	$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11) and 'tenside needs Python 3.11 or newer: make PYTHON=python3.12')"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c $(CONSTRAINTS) -e '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) .venv-* build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
