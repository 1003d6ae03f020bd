# Two commands on a fresh machine: `make demo` and `make test`. Needs python3 (3.11 or later, with venv) and make.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
PROCESSES ?= 2
EVERY ?= 1

.PHONY: demo test check bench campaign mutation clean

$(READY): requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(READY)

demo: $(READY)  ## the whole job on a simulated bench, in about a minute
	$(BIN)/chargerd demo

test: $(READY)  ## all tests; says plainly what it skipped for lack of another program
	$(BIN)/python -m pytest -q -n $(PROCESSES) --dist worksteal

check: $(READY)  ## style, types, import contracts, shipped files
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/chargerd check profiles/gentle-formation.yaml profiles/capacity-check.yaml profiles/formation-without-load.yaml profiles/resistance-check.yaml examples/boathouse/bench.yaml examples/boathouse/cells/*.yaml
	$(BIN)/chargerd check profiles/fast-formation-attended.yaml

bench: $(READY)  ## measures; nothing passes or fails by it
	$(BIN)/python -m bench

campaign: $(READY)  ## every fault at every sample, pairs, long runs: an hour on two cores; the results go to tests/safety-case.md
	ALL_TURNS=1 $(BIN)/python -m pytest -q -n $(PROCESSES) -m "campaign or not campaign" tests/faults tests/processes/test_storage.py tests/campaign
	$(BIN)/python -m tests.campaign --tier release --jobs $(PROCESSES) --write

mutation: $(READY)  ## alters the modules that protect, one place at a time: do their tests notice? An hour or more; EVERY=4 tries one in 4
	$(BIN)/python -m tests.faults.mutate --every $(EVERY)

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
