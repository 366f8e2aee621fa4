# Verbs of the project; `make` alone lists them. Each builds what it needs in .venv first.
PYTHON ?= python3
BIN := .venv/bin

.DEFAULT_GOAL := help
.PHONY: help demo desk test lint bench docs clean

help: ## list the verbs
	@grep -E '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

demo: .venv/run ## run the whole loop on an embedded store and say where to look
	$(BIN)/truebead demo --out demo-out --force

desk: .venv/run ## open the guided pages on an invented workshop
	$(BIN)/truebead desk --demo desk-out

test: .venv/dev ## run the tests
	$(BIN)/python -m pytest -q -n auto

lint: .venv/dev ## check style and types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: .venv/dev ## measure speed, memory and coverage (minutes)
	for name in $$(ls bench | sed -n 's/\.py$$//p' | grep -v __init__); do \
	  echo "== $$name"; $(BIN)/python -m bench.$$name || exit 1; done

docs: .venv/run ## draw the pictures of README anew
	$(BIN)/python docs/draw.py

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
