# `make demo` builds everything on the invented sample fleet; `make test` runs every check. Both set up .venv first.
PYTHON ?= python3.11
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.DEFAULT_GOAL := help
.PHONY: help install demo test lint format dagster lock browser clean

help:  ## Show what can be made
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "  make %-10s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

install: $(READY)  ## Install Releak and what it needs into .venv

$(READY): requirements.lock pyproject.toml
	test -x $(BIN)/python || $$(command -v $(PYTHON) || command -v python3) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	touch $@

demo: $(READY)  ## Build the sample fleet's warehouse, snapshot and pages in demo/
	$(BIN)/releak demo --home demo

test: lint browser  ## Run every check and test
	$(BIN)/python -m pytest --numprocesses 2 --dist worksteal

lint: $(READY)  ## Style, types and import order
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(READY)  ## Format and mend what can be mended
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

browser:  # The page tests drive Debian's Chromium; without it they are skipped on a laptop and fail in CI
	@command -v chromium >/dev/null || { test "$$(id -u)" = 0 && apt-get update -qq && apt-get install -y -qq chromium; } \
		|| echo "No chromium: the page tests will be skipped. On Debian: apt-get install chromium"

dagster: $(READY)  ## Show the graph and the demo's runs in a browser
	RELEAK_HOME=$(CURDIR)/demo DAGSTER_HOME=$(CURDIR)/demo/warehouse/dagster $(BIN)/dagster dev -m pipelines.definitions

lock:  ## Pin every package with its hash, after a change of pyproject.toml
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-strip-extras --extra dev \
		--quiet --output-file requirements.lock pyproject.toml

clean:  ## Delete the demo and the caches
	rm -rf demo .pytest_cache .mypy_cache .ruff_cache .hypothesis build *.egg-info
