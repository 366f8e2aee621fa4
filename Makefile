# Verbs of the project; `make` alone lists them. Each builds what it needs in .venv first.
PYTHON ?= python3
BIN := .venv/bin
#: What most changes break first, without solids, photos or large files.
QUICK := tests/test_layers.py tests/test_setting.py tests/test_estimate.py tests/test_linear.py \
  tests/test_readings_cells.py tests/test_readings_table.py tests/test_readings_sheet.py \
  tests/test_files.py tests/test_apply_values.py tests/test_door.py tests/test_docstrings.py

.DEFAULT_GOAL := help
.PHONY: help demo desk check test lint bench docs clean

help: ## list the verbs
	@grep -E '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

demo: .venv/run ## run the whole loop on an embedded store and say where to look
	@rm -rf demo-out/script
	$(BIN)/truebead demo --out demo-out --force
	@echo; echo "The same first steps as a script on the public API: demo/first_calibration.py"
	@mkdir demo-out/script && cd demo-out/script && ../../$(BIN)/python -m demo.first_calibration

desk: .venv/run ## open the guided pages on an invented workshop
	$(BIN)/truebead desk --demo desk-out

check: .venv/dev ## run the quick tests, in under 30 seconds
	$(BIN)/python -m pytest -q -n auto -m "not kernel and not slow" $(QUICK)

test: .venv/dev ## run the tests
	$(BIN)/python -m pytest -q -n auto

lint: .venv/dev ## check style and types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: .venv/dev ## measure speed, memory and coverage (minutes)
	for name in $$(ls bench | sed -n 's/\.py$$//p' | grep -v __init__); do \
	  echo "== $$name"; $(BIN)/python -m bench.$$name || exit 1; done

docs: .venv/dev ## draw the pictures of README anew
	PYTHONPATH=. $(BIN)/python docs/draw.py
	PYTHONPATH=. $(BIN)/python docs/screens.py

clean: ## remove the virtual environment and what the demo made
	rm -rf .venv demo-out desk-out

.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed; try: make PYTHON=python3.12"; exit 1; }
	@$(PYTHON) -m venv .venv || { rm -rf .venv; \
	  echo "Python's venv module is missing. On Debian and Ubuntu: sudo apt install python3-venv"; exit 1; }

.venv/run: .venv/bin/python pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

.venv/dev: .venv/run
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@
