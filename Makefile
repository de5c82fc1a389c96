# Needs Python 3.11 or newer and make; everything else is put into .venv.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check install --quiet

.PHONY: demo test check bench studies clean

demo: .venv/run.done
	$(BIN)/heatledger demo

test: .venv/dev.done
	$(BIN)/pytest -n auto --dist loadfile --no-loadscope-reorder

check: .venv/dev.done
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/pytest -n auto --dist loadfile --no-loadscope-reorder

bench: .venv/dev.done
	$(BIN)/python -m tests.benchmarks

studies: .venv/dev.done
	$(BIN)/python -m tests.studies tests/studies/FOUND.md

.venv/bin/python:
	$(PYTHON) -c 'import sys; sys.exit(None if sys.version_info >= (3, 11) else "heatledger needs Python 3.11 or newer; this is " + sys.version.split()[0])'
	$(PYTHON) -m venv .venv

.venv/run.done: pyproject.toml | .venv/bin/python
	@echo "Installing heatledger and what it needs into .venv ..."
	$(PIP) --editable .
	@touch $@

.venv/dev.done: pyproject.toml | .venv/bin/python
	@echo "Installing heatledger with its test tools into .venv ..."
	$(PIP) --editable '.[dev]'
	@touch $@ .venv/run.done

clean:
	rm -rf .venv build *.egg-info .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
