# Two targets do all the set-up on a fresh Debian or Ubuntu: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
UV_VERSION := 0.13.9
LOCKED := $(VENV)/.locked
LOCKED_TEST := $(VENV)/.locked-test

.DEFAULT_GOAL := help
.PHONY: help demo test lint check browser bench bench-light soak clean

help:
	@echo "make demo   shoots the demo brief on the simulated camera and says where the results lie"
	@echo "make test   runs every check"
	@echo "make bench  prints benchmark figures as JSON"
	@echo "make bench-light  the time-lapse controller against scenes drawn at run time"
	@echo "make soak   long campaigns: kills, faults, a long run, made requests, made briefs (hours)"
	@echo "make clean  removes the virtual environment and caches; results stay"

demo: $(LOCKED)
	@$(BIN)/stopwright demo

test: lint check

lint: $(LOCKED_TEST)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

check: $(LOCKED_TEST) browser
	$(BIN)/pytest -n 4 --dist worksteal

# Pages are tried in a real browser. Without one those tests skip, and say so.
browser:
	@command -v chromium >/dev/null || { \
	  if [ "$$(id -u)" = 0 ]; then \
	    echo "chromium is missing: installing it"; \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium >/dev/null; \
	  else \
	    echo "chromium is missing: tests of pages will be skipped. Install it with: sudo apt-get install chromium"; \
	  fi; }

bench: $(LOCKED_TEST)
	@$(BIN)/python -m tests.bench

bench-light: $(LOCKED_TEST)
	@$(BIN)/python -m tests.bench_light

soak: $(LOCKED_TEST)
	$(BIN)/python -m tests.soak_kills
	$(BIN)/python -m tests.soak_faults
	$(BIN)/python -m tests.soak_long
	$(BIN)/python -m tests.soak_api
	$(BIN)/python -m tests.soak_light_watch
	$(BIN)/python -m tests.soak_judge
	$(BIN)/python -m tests.soak_sunset
	$(BIN)/python -m tests.fuzz_briefs --count 100000

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache

# A bare Debian has python3 but not the part that makes virtual environments.
$(VENV)/bin/uv:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "stopwright needs Python 3.11 or newer; found: $$($(PYTHON) --version 2>&1)."; \
	  echo "Name another one with: make PYTHON=/path/to/python3.11 ..."; exit 2; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	  if [ "$$(id -u)" = 0 ]; then \
	    echo "python3-venv is missing: installing it"; \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv; \
	  else \
	    echo "python3-venv is missing. Install it with: sudo apt-get install python3-venv"; exit 2; \
	  fi; }
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check uv==$(UV_VERSION)

$(LOCKED): $(VENV)/bin/uv pyproject.toml uv.lock
	@VIRTUAL_ENV=$(CURDIR)/$(VENV) $(BIN)/uv sync --active --frozen --inexact --quiet
	@touch $@

$(LOCKED_TEST): $(VENV)/bin/uv pyproject.toml uv.lock
	@VIRTUAL_ENV=$(CURDIR)/$(VENV) $(BIN)/uv sync --active --frozen --inexact --quiet --group test
	@touch $@ $(LOCKED)
