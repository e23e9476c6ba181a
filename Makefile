PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
CONSTRAINTS := .ci/constraints.txt
SETUP_LOG := $(VENV)/setup.log
INSTALL = $(BIN)/python -m pip install --quiet --disable-pip-version-check -c $(CONSTRAINTS) -e '.[dev]'
DEMO := demo
MEASURED :=
# Each worker and each command in a process of its own would else compile the house anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test check test-more test-all bench bench-pair soak clean docs

# From the brief to the bottles, on the refill shop's data.
demo: $(READY)
	@$(BIN)/python .ci/demo.py $(DEMO)

test: $(READY)
	$(BIN)/python -m pytest -n auto --dist worksteal $(MEASURED)

# What the everyday run leaves out, but for what takes minutes each.
test-more: MEASURED = -m '(thorough or browser) and not slow'
test-more: test

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

# The same run of the tests also says which share of the lines they reach.
test-all: MEASURED = -m '' --cov=optimizer --cov-report=
test-all: test
	@printf 'lines of optimizer/ that the tests reach, in %%: '
	@$(BIN)/coverage report --format=total
	$(PYTHON) .ci/test_all.py

bench: $(READY)
	$(BIN)/python tests/benchmarks/run.py $(PARTS)

bench-pair: $(READY)
	$(BIN)/python tests/benchmarks/pair.py $(BASE)

# The reference for programs, from the docstrings, into build/api.
docs: $(READY)
	$(BIN)/python .ci/docs.py build/api

soak: $(READY)
	$(BIN)/python tests/soak.py

$(READY): pyproject.toml $(CONSTRAINTS)
	@$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11) and 'tenside needs Python 3.11 or newer: make PYTHON=python3.12')"
	@echo "Setting up $(VENV), once; this takes a minute or two."
	@mkdir -p $(VENV)
	@{ $(PYTHON) -m venv $(VENV) && $(INSTALL); } > $(SETUP_LOG) 2>&1 || { cat $(SETUP_LOG) >&2; exit 1; }
	@touch $@

clean:
	rm -rf $(VENV) .venv-* .coverage* build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
