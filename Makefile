# Every target does its own set-up: a virtual environment, and for the tests the Debian
# packages (browser, broker, databases) where this machine lets us install them.
VENV ?= .venv
PYTHON ?= python3
BIN := $(VENV)/bin
RUN_READY := $(VENV)/.run-ready
TEST_READY := $(VENV)/.test-ready
export PIP_DISABLE_PIP_VERSION_CHECK = 1
# The matrices are small: threads of the linear algebra library only get in each other's way.
export OPENBLAS_NUM_THREADS = 1

.PHONY: demo test check bench long faults fuzz science-report pictures clean

demo: $(RUN_READY)
	$(BIN)/dryline demo $(if $(PORT),--port $(PORT))

test: $(TEST_READY) check
	$(BIN)/python -m pytest -n 2 --dist loadgroup -m "not long"

check: $(TEST_READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

$(RUN_READY): pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install -q -c constraints.txt -e .
	touch $@

$(TEST_READY): pyproject.toml constraints.txt scripts/install-test-packages
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install -q -c constraints.txt -e .[test]
	scripts/install-test-packages
	touch $@

long: $(TEST_READY)
	$(BIN)/python -m pytest -m long -s

faults: $(TEST_READY)
	$(BIN)/python -m pytest tests/faults -s

fuzz: $(TEST_READY)
	$(BIN)/python -m tests.faults.fuzz $(if $(CASES),--cases $(CASES))
	$(BIN)/python -m tests.faults.fuzz_by_coverage $(if $(CASES),--runs $(CASES))

bench: $(TEST_READY)
	$(BIN)/python -m pip install -q -c constraints.txt -e .[bench]
	$(BIN)/python -m tests.benchmarks.run

science-report: $(TEST_READY)
	$(BIN)/python -m tests.science.report $(WORLDS)

pictures: $(TEST_READY)
	$(BIN)/python scripts/pictures.py $(if $(ADDRESS),--address $(ADDRESS))

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache build dryline.egg-info
